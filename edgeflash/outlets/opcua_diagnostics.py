"""What the gateway says of itself and of each link, each figure declared once. Pure.

To publish one more, append one Diagnostic; the node in the type, the node of every analyzer, its
value and the NodeSet2 file follow. A figure of None is shown as BadNoData.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Generic, TypeVar

from edgeflash import __version__
from edgeflash.outlets.opcua_members import Single
from edgeflash.publication import View
from edgeflash.units import Unit

IN_ORDER = ""
"""Of a fault in words: there is none."""


@dataclass(frozen=True, slots=True)
class GatewayFacts:
    """What is known of the gateway. storage_faults: why results of an analyzer cannot be recorded,
    by its id; empty when they can. free_bytes: of the fuller disk; None when it cannot be told."""

    started_at: datetime | None = None
    history_fault: str | None = None
    storage_faults: Mapping[str, str] = field(default_factory=dict)
    free_bytes: int | None = None


@dataclass(frozen=True, slots=True)
class AnalyzerFacts:
    """What is known of one analyzer's reading, now."""

    view: View
    gateway: GatewayFacts


Of = TypeVar("Of")


@dataclass(frozen=True, slots=True)
class Diagnostic(Generic[Of]):
    """One figure. data_type: a standard DataType. unit: of a Double, which is not converted."""

    name: str
    description: str
    data_type: str
    read: Callable[[Of], Single | None]
    unit: Unit | None = None


def _storage(facts: GatewayFacts) -> str:
    """The first fault in words."""
    return next((f"{who}: {why}" for who, why in facts.storage_faults.items() if why), IN_ORDER)


GATEWAY_DIAGNOSTICS: tuple[Diagnostic[GatewayFacts], ...] = (
    Diagnostic("Version", "Version of the gateway.", "String", lambda f: __version__),
    Diagnostic("StartedAt", "When the gateway was started.", "UtcTime", lambda f: f.started_at),
    Diagnostic(
        "JournalFault",
        "Why a result cannot be recorded, and so not published; empty: in order.",
        "String",
        _storage,
    ),
    Diagnostic(
        "HistoryFault",
        "Why the history cannot be written; empty: in order.",
        "String",
        lambda f: f.history_fault,
    ),
    Diagnostic(
        "FreeRoomBytes",
        "Free room on the fuller disk of journal and history, in bytes.",
        "UInt64",
        lambda f: f.free_bytes,
    ),
)

ANALYZER_DIAGNOSTICS: tuple[Diagnostic[AnalyzerFacts], ...] = (
    Diagnostic(
        "LastReadAt",
        "When the analyzer was last read.",
        "UtcTime",
        lambda f: f.view.standing.live_at,
    ),
    Diagnostic(
        "JournalFault",
        "Why results of this analyzer cannot be recorded; empty: in order.",
        "String",
        lambda f: f.gateway.storage_faults.get(f.view.standing.analyzer),
    ),
)
"""Figures of the link (requests, retries, times) belong here too."""
