"""What a rule is: one small pure function with its declaration."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from edgeflash.config.analyzer_map import AnalyzerMap
from edgeflash.config.site import Analyzer, Product
from edgeflash.model import (
    NOT_ASSESSED,
    Assessment,
    Computed,
    Cycle,
    Declared,
    InputReading,
    PreviousResult,
    Role,
    Scalar,
    Severity,
)
from edgeflash.publication import LinkState
from edgeflash.rules.memory import EMPTY, Memory
from edgeflash.trust import Category, Quality

COMMON_PRACTICE = "common practice, no source"


class Family(StrEnum):
    """The families of rules; the first digit of a code."""

    SIGNAL = "signal"
    CYCLE = "cycle"
    IGNITION = "ignition"
    TEMPERATURE = "temperature"
    FLUIDS = "fluids"
    PROCESS = "process"
    PROOF = "proof"


@dataclass(frozen=True, slots=True)
class Parameter:
    """A number a rule compares with. origin: where the default comes from."""

    name: str
    default: float
    unit: str
    meaning: str
    origin: str = COMMON_PRACTICE


class TraceUse(StrEnum):
    """Whether a rule looks into the trace."""

    NONE = "none"
    NEEDED = "needed"
    INSTEAD = "instead"
    """The trace serves in place of the needed roles."""


Parameters = Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Breach:
    """What a rule found. severity: when milder than the rule's own."""

    sentence: str
    measured: float | None = None
    limit: float | None = None
    unit: str = ""
    severity: Severity | None = None


@dataclass(frozen=True, slots=True)
class CycleContext:
    """All a cycle rule may look at.

    analyzer: as it is for the stream that was measured. product_name: of `product`; empty when
    there is none. memory: what came before, for the rules that look back; sound: no rule that
    needs no past doubts or rejects the cycle. strictest: of the products that may be in the cup,
    where it may hold more than one; else None.
    """

    cycle: Cycle
    computed: Computed
    analyzer: Analyzer
    register_map: AnalyzerMap
    product: Product | None
    product_name: str = ""
    inputs: tuple[InputReading, ...] = ()
    assessment: Assessment = NOT_ASSESSED
    memory: Memory = EMPTY
    sound: bool = True
    strictest: Product | None = None

    @property
    def limit(self) -> Product | None:
        """The product whose minimum holds for what was in the cup."""
        return self.strictest or self.product

    @property
    def previous(self) -> PreviousResult | None:
        """The cycle before."""
        return self.cycle.previous


@dataclass(frozen=True, slots=True)
class LiveContext:
    """All a live rule may look at. *_s: seconds on the monotonic clock; None: not yet.

    storage_fault: why results cannot be recorded; empty when they can. alive_still_s: since the
    sign of life last changed; None without one. since_check_s: since the last check sample, by
    the wall clock; None when there never was one. declared: by a person, for this moment.
    """

    analyzer: Analyzer
    register_map: AnalyzerMap
    link: LinkState
    link_sentence: str
    since_scan_s: float | None
    since_result_s: float
    live: Mapping[Role, Scalar]
    storage_fault: str
    alive_still_s: float | None = None
    since_check_s: float | None = None
    declared: tuple[Declared, ...] = ()


CycleCheck = Callable[[CycleContext, Parameters], Breach | None]
LiveCheck = Callable[[LiveContext, Parameters], Breach | None]


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule's declaration.

    code: hundreds digit is the family; never used again. severity: the worst it may reach.
    needs: roles without which it is blind; trace: whether a trace is needed too, or instead.
    shown_as: quality of a value it makes doubtful; without_value: quality when there is none to
    show. low_flash: its breach is evidence of a possible low flash point. keys: of the site file,
    without which it is blind. looks_back: it needs the memory, so it is asked after the others.
    always: why a site can neither switch it off nor lower it; empty where it can.
    Exactly one of on_cycle and on_live is set.
    """

    code: int
    name: str
    family: Family
    sentence: str
    severity: Severity
    category: Category
    shown_as: Quality
    without_value: Quality
    needs: tuple[Role, ...] = ()
    trace: TraceUse = TraceUse.NONE
    parameters: tuple[Parameter, ...] = ()
    low_flash: bool = False
    keys: tuple[str, ...] = ()
    looks_back: bool = False
    always: str = ""
    on_cycle: CycleCheck | None = None
    on_live: LiveCheck | None = None

    @property
    def defaults(self) -> dict[str, float]:
        """Parameter values before any tuning."""
        return {p.name: p.default for p in self.parameters}
