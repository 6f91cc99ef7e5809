"""One measurement, put together from scans."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from edgeflash.model.roles import Phase, Role, Scalar
from edgeflash.model.traces import Pulse, Trace

MOST_STREAM = 2**31 - 1
"""A larger stream number is no number of a stream, and the history has no room for it."""


class Continuity(StrEnum):
    """How a cycle's number follows the one before."""

    FIRST = "first"
    NEXT = "next"
    WRAP = "wrap"
    SKIP = "skip"
    RESET = "reset"
    REPEAT = "repeat"


class CycleSource(StrEnum):
    """Read when it finished, or fetched later from the analyzer's ring of recent results."""

    LIVE = "live"
    RING = "ring"


class Declared(StrEnum):
    """What a person has declared of the time in which a cycle was made.

    CHECK_SAMPLE: the whole cycle lay in it. CHECK_SAMPLE_PARTLY: only a part did, or it is not
    known that all of it did; what was measured may be the check sample, the product, or both.
    """

    MAINTENANCE = "maintenance"
    CHECK_SAMPLE = "check_sample"
    CHECK_SAMPLE_PARTLY = "check_sample_partly"


@dataclass(frozen=True, slots=True)
class Span:
    """What one live quantity did during a cycle, over `count` scans."""

    low: float
    high: float
    mean: float
    last: float
    count: int

    def with_value(self, value: float) -> Span:
        """The span with one more scan."""
        return Span(
            min(self.low, value),
            max(self.high, value),
            self.mean + (value - self.mean) / (self.count + 1),
            value,
            self.count + 1,
        )


@dataclass(frozen=True, slots=True)
class Cycle:
    """One measurement of one analyzer, complete as far as it could be read.

    epoch: how often the analyzer's counter has begun again (wrap or restart), from 0; so epoch
    and number never name two cycles.
    finished_at: when the result was made (analyzer clock where usable, else receipt), UTC.
    duration_s: from the previous cycle's finish to this one's, monotonic; None when unknown.
    longest_gap_s: the longest time without a scan during this cycle; None without scans.
    is_time_known: False when finished_at is only the earliest it can have been, or a guess.
    after_heating_s: from the end of the heating to the result; None when it was not seen.
    streams: the stream numbers seen during the cycle, in their order, without repeats in a row.
    on_stream_s: from the last change of stream that was seen to the result; None when none was.
    clock_ahead_s: the analyzer's clock against ours, where the result was watched; else None.
    alive_stuck_s: the longest time the sign of life stood still during the cycle; None without.
    statuses: what the analyzer's server said of values it does not call simply good: of those read
    with the result, and of the live ones that count (flows, samples of a polled trace).
    declared: what a person had declared of any part of its time.
    """

    analyzer: str
    epoch: int
    cycle_number: int
    source: CycleSource
    continuity: Continuity
    missed: int
    finished_at: datetime
    values: Mapping[Role, Scalar]
    trace: Trace | None = None
    torn: bool = False
    duration_s: float | None = None
    longest_gap_s: float | None = None
    is_time_known: bool = True
    after_heating_s: float | None = None
    phases: tuple[Phase, ...] = ()
    faults_seen: tuple[str, ...] = ()
    spans: Mapping[Role, Span] = field(default_factory=dict)
    previous: PreviousResult | None = None
    pulse: Pulse | None = None
    streams: tuple[int, ...] = ()
    on_stream_s: float | None = None
    clock_ahead_s: float | None = None
    alive_stuck_s: float | None = None
    statuses: Mapping[Role, str] = field(default_factory=dict)
    declared: tuple[Declared, ...] = ()

    @property
    def stream(self) -> int | None:
        """The number of the stream that was measured; None when unmapped, a text or no number."""
        value = self.number_value(Role.STREAM)
        if value is None:
            return self.streams[-1] if self.streams else None
        return int(value) if value.is_integer() and abs(value) <= MOST_STREAM else None

    def number_value(self, role: Role) -> float | None:
        """The value of a numeric role, or None when unmapped or not available."""
        value = self.values.get(role)
        if isinstance(value, bool) or not isinstance(value, int | float):
            return None
        return float(value)


@dataclass(frozen=True, slots=True)
class PreviousResult:
    """What must be remembered of the cycle before, to see a stale repeat."""

    epoch: int
    cycle_number: int
    flash_point_c: float | None
    result_time: datetime | None
    finished_at: datetime
    transducer_zero_kpa: float | None = None
    barometer_kpa: float | None = None
