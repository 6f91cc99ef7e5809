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
from edgeflash.link_figures import LinkFigures
from edgeflash.outlets.mqtt_figures import MqttFigures
from edgeflash.outlets.opcua_members import Single
from edgeflash.publication import View
from edgeflash.units import UNITS, Unit

IN_ORDER = ""
"""Of a fault in words: there is none."""


@dataclass(frozen=True, slots=True)
class GatewayFacts:
    """What is known of the gateway. storage_faults: why results of an analyzer cannot be recorded,
    by its id; empty when they can. free_bytes: of the fuller disk; None when it cannot be told.
    mqtt: how each MQTT outlet fares."""

    started_at: datetime | None = None
    history_fault: str | None = None
    storage_faults: Mapping[str, str] = field(default_factory=dict)
    free_bytes: int | None = None
    mqtt: tuple[MqttFigures, ...] = ()


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


def _mqtt_fault(facts: GatewayFacts) -> str:
    """Every fault in words: each outlet has a broker of its own."""
    return "; ".join(f"{one.outlet}: {one.fault}" for one in facts.mqtt if one.fault) or IN_ORDER


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
    Diagnostic(
        "MqttFault",
        "What keeps results, events or states from an MQTT broker, by outlet; empty: in order.",
        "String",
        _mqtt_fault,
    ),
    Diagnostic(
        "MqttWaiting",
        "Results that are owed to an MQTT broker, of the outlet with the most; they wait in the "
        "journal.",
        "UInt64",
        lambda f: max((one.waiting for one in f.mqtt), default=0),
    ),
)


def _count(
    name: str, description: str, get: Callable[[LinkFigures], int]
) -> Diagnostic[AnalyzerFacts]:
    """A count since the start of the link."""
    return Diagnostic(name, description, "UInt64", lambda f: get(f.view.standing.link_figures))


def _trip(
    name: str, description: str, get: Callable[[LinkFigures], float | None]
) -> Diagnostic[AnalyzerFacts]:
    """A round trip; None before any."""
    return Diagnostic(
        name,
        f"{description} of the latest answers to requests sent once.",
        "Double",
        lambda f: get(f.view.standing.link_figures),
        UNITS["ms"],
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
    _count("Requests", "Requests, each once, however often it was sent.", lambda g: g.requests),
    _count("Answers", "Answers, refusals included.", lambda g: g.answers),
    _count("Refusals", "Requests that the analyzer refused.", lambda g: g.refused),
    _count("Retries", "Sendings after the first.", lambda g: g.retries),
    _count("Timeouts", "Sendings without an answer in time.", lambda g: g.timeouts),
    _count("Garbled", "Times that bytes came that were not the answer.", lambda g: g.garbled),
    _count("Late", "Answers to earlier requests, discarded.", lambda g: g.late),
    _count("Reconnects", "Openings of the link after the first.", lambda g: g.reconnects),
    _trip("RoundTripMedian", "Median round trip", lambda g: g.round_trip_p50_ms),
    _trip("RoundTripP95", "Round trip that 95 % do not exceed", lambda g: g.round_trip_p95_ms),
    _trip("RoundTripP99", "Round trip that 99 % do not exceed", lambda g: g.round_trip_p99_ms),
    _trip("RoundTripMax", "Longest round trip", lambda g: g.round_trip_max_ms),
)
