"""The values that flow between the rooms. Frozen; nothing here waits, reads a clock or a disk.

Units inside edgeflash: temperature °C, pressure kPa (absolute for the barometer, gauge for the
cell), time s, flow mL/min, heating rate °C/min. `*_at` is an aware UTC datetime, `*_mono_s` a
reading of the monotonic clock.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

Floats: TypeAlias = npt.NDArray[np.float64]

Scalar: TypeAlias = float | int | bool | str | datetime | tuple[str, ...] | None
"""A decoded point. None: the analyzer says "not available" (sentinel or not a number).

`fault_bits` decodes to the tuple of names of the bits that are set, `phase` to a Phase.
"""


MOST_STREAM = 2**31 - 1
"""A larger stream number is no number of a stream, and the history has no room for it."""


class Phase(StrEnum):
    """What the analyzer is doing."""

    IDLE = "idle"
    CLEAN = "clean"
    ZERO = "zero"
    HEAT = "heat"
    FLASHED = "flashed"
    PURGE = "purge"
    CHECK_SAMPLE = "check_sample"
    MAINTENANCE = "maintenance"
    FAULT = "fault"


class Role(StrEnum):
    """The meaning of a point to edgeflash. A register map gives each its place."""

    CYCLE_NUMBER = "cycle_number"
    RESULT_TIME = "result_time"
    FLASH_POINT = "flash_point"
    PHASE = "phase"
    SAMPLE_TEMPERATURE = "sample_temperature"
    CELL_PRESSURE = "cell_pressure"
    IGNITION_SEEN = "ignition_seen"
    PEAK_PRESSURE = "peak_pressure"
    IGNITION_TEMPERATURE = "ignition_temperature"
    START_TEMPERATURE = "start_temperature"
    HEATING_RATE = "heating_rate"
    SPARK_COUNT = "spark_count"
    BAROMETRIC_PRESSURE = "barometric_pressure"
    TRANSDUCER_ZERO = "transducer_zero"
    SAMPLE_FLOW = "sample_flow"
    AIR_FLOW = "air_flow"
    SAMPLE_INLET_TEMPERATURE = "sample_inlet_temperature"
    CELL_TEMPERATURE = "cell_temperature"
    STREAM = "stream"
    FAULT_BITS = "fault_bits"
    ALIVE = "alive"
    TRACE_CYCLE = "trace_cycle"
    TRACE_LENGTH = "trace_length"
    TRACE_TIME = "trace_time"
    TRACE_INTERVAL = "trace_interval"
    TRACE_TEMPERATURE = "trace_temperature"
    TRACE_PRESSURE = "trace_pressure"
    PULSE_CYCLE = "pulse_cycle"
    PULSE_LENGTH = "pulse_length"
    PULSE_INTERVAL = "pulse_interval"
    PULSE_PRESSURE = "pulse_pressure"
    RECENT_NUMBER = "recent_number"
    RECENT_TIME = "recent_time"
    RECENT_FLASH_POINT = "recent_flash_point"


class TraceSource(StrEnum):
    """Where a trace came from: the analyzer's own block, or our polling of live values."""

    BLOCK = "block"
    POLLED = "polled"


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """Sample temperature and cell pressure against time within one cycle.

    time_s: seconds from the start of the record, strictly rising. temperature_c, pressure_kpa:
    same length; pressure is gauge, as the transducer reads it. Values are those of single
    precision, in which the history keeps them, so that judging again finds the same; NaN where
    the analyzer gave no number.
    """

    source: TraceSource
    time_s: Floats
    temperature_c: Floats
    pressure_kpa: Floats

    def __post_init__(self) -> None:
        if not len(self.time_s) == len(self.temperature_c) == len(self.pressure_kpa):
            raise ValueError("a trace needs three arrays of one length")
        for name in ("time_s", "temperature_c", "pressure_kpa"):
            object.__setattr__(self, name, single_precision(getattr(self, name)))

    def __len__(self) -> int:
        return len(self.time_s)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Trace):
            return NotImplemented
        return (
            self.source is other.source
            and np.array_equal(self.time_s, other.time_s, equal_nan=True)
            and np.array_equal(self.temperature_c, other.temperature_c, equal_nan=True)
            and np.array_equal(self.pressure_kpa, other.pressure_kpa, equal_nan=True)
        )

    __hash__ = None  # type: ignore[assignment]  # arrays have no hash


def single_precision(values: npt.ArrayLike) -> Floats:
    """The values rounded to single precision, held as doubles; what is not finite becomes NaN."""
    with np.errstate(over="ignore"):
        rounded = np.asarray(values, np.float64).astype(np.float32).astype(np.float64)
    rounded[~np.isfinite(rounded)] = np.nan
    return rounded


@dataclass(frozen=True, slots=True, eq=False)
class Pulse:
    """The analyzer's fast capture of cell pressure around an ignition.

    interval_s: between samples. pressure_kpa: gauge, shape (n,); single precision as a trace's.
    """

    interval_s: float
    pressure_kpa: Floats

    def __post_init__(self) -> None:
        object.__setattr__(self, "pressure_kpa", single_precision(self.pressure_kpa))

    def __len__(self) -> int:
        return len(self.pressure_kpa)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Pulse):
            return NotImplemented
        return self.interval_s == other.interval_s and np.array_equal(
            self.pressure_kpa, other.pressure_kpa, equal_nan=True
        )

    __hash__ = None  # type: ignore[assignment]  # arrays have no hash


@dataclass(frozen=True, slots=True)
class CycleBody:
    """What the analyzer says of its last finished cycle, read as one.

    torn: after every allowed attempt the counter still moved during the reading.
    statuses: what the analyzer's server says of values that it does not call simply good, as
    OPC UA names it: Uncertain…, Bad… or a good one that is no measurement. source_times: the time
    stamps of the values' source, where the server gives them.
    """

    cycle_number: int
    values: Mapping[Role, Scalar]
    trace: Trace | None = None
    torn: bool = False
    pulse: Pulse | None = None
    statuses: Mapping[Role, str] = field(default_factory=dict)
    source_times: Mapping[Role, datetime] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class RecentResult:
    """One entry of the analyzer's ring of recent results."""

    cycle_number: int
    flash_point_c: float | None
    result_time: datetime | None


@dataclass(frozen=True, slots=True)
class Scan:
    """One reading of an analyzer: live values always, a body when a cycle has finished.

    recent: the ring, oldest first; read on the first scan of a connection and on a skipped number.
    statuses, source_times: of the live values, as in CycleBody. server_zero_mono_s: where our
    monotonic clock stood when the server's own would have shown 1970-01-01; None: it does not say.
    """

    analyzer: str
    taken_at: datetime
    taken_mono_s: float
    live: Mapping[Role, Scalar]
    body: CycleBody | None = None
    recent: tuple[RecentResult, ...] = ()
    statuses: Mapping[Role, str] = field(default_factory=dict)
    source_times: Mapping[Role, datetime] = field(default_factory=dict)
    server_zero_mono_s: float | None = None


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


@dataclass(frozen=True, slots=True)
class Computed:
    """The gateway's own computation on one cycle. None: could not be computed.

    ignition_time_s, ignition_seen_c: place of the onset in the trace and the temperature the
    sensor showed there. recomputed_c: the same, corrected for sensor lag: the sample's own
    temperature at the ignition. resolution_c: heating rate × spark interval (the flash point
    proper lies within this below recomputed_c). uncertainty_c: one standard deviation of
    recomputed_c. correction_c: to standard pressure. corrected_c: the basis value with it.
    unsteadiness_c: robust spread of the heating ramp about its straight line. longest_still_s:
    the longest time in the ramp during which the sensor showed one value. largest_jump_c: the
    largest step between two samples of it. rise_s, decay_s: 10 to 90 % rise and fall to 10 % of
    the ignition in the fast pulse. trace_digest: CRC-32 of the trace, to know it again.
    """

    reported_c: float | None = None
    recomputed_c: float | None = None
    corrected_c: float | None = None
    basis: str | None = None
    correction_c: float | None = None
    barometer_kpa: float | None = None
    uncertainty_c: float | None = None
    resolution_c: float | None = None
    heating_rate_c_per_min: float | None = None
    ignition_time_s: float | None = None
    ignition_seen_c: float | None = None
    ignition_count: int | None = None
    time_after_ignition_s: float | None = None
    start_temperature_c: float | None = None
    peak_kpa: float | None = None
    baseline_kpa: float | None = None
    noise_kpa: float | None = None
    sample_interval_s: float | None = None
    unsteadiness_c: float | None = None
    longest_still_s: float | None = None
    largest_jump_c: float | None = None
    rise_s: float | None = None
    decay_s: float | None = None
    trace_digest: int | None = None


class Verdict(StrEnum):
    """The worst of a cycle's findings."""

    ACCEPTED = "accepted"
    DOUBTFUL = "doubtful"
    REJECTED = "rejected"


class Severity(StrEnum):
    """What a finding does to the verdict: nothing, doubt it, reject it."""

    NOTE = "note"
    DOUBT = "doubt"
    REJECT = "reject"


@dataclass(frozen=True, slots=True)
class Finding:
    """What one rule says about one cycle. measured and limit are in `unit`."""

    code: int
    rule: str
    severity: Severity
    sentence: str
    measured: float | None = None
    limit: float | None = None
    unit: str = ""


@dataclass(frozen=True, slots=True)
class InputReading:
    """A value from the control system or the site file, as it stood when a cycle was judged.

    value: in the inside unit of its quantity. is_good: its writer said good, and it is not stale.
    age_s: since it was written, by the monotonic clock; None for a constant of the site file.
    """

    name: str
    value: float
    is_good: bool
    age_s: float | None = None


@dataclass(frozen=True, slots=True)
class CheckResult:
    """What one check sample gave. corrected_c: at standard pressure."""

    epoch: int
    cycle_number: int
    finished_at: datetime
    corrected_c: float
    reference_c: float


@dataclass(frozen=True, slots=True)
class Assessment:
    """A cycle's flash point against its product. None: not known.

    stream: what was measured. minimum_c: the product's limit in force. margin_c: value minus
    limit. probability: that the true flash point meets the limit, 0 to 1. hazard_class: under
    the site's scheme. predicted_c: from the blend or the distillation; prediction_note: why there
    is none.
    """

    stream: int | None = None
    minimum_c: float | None = None
    margin_c: float | None = None
    probability: float | None = None
    hazard_class: str = ""
    predicted_c: float | None = None
    prediction_note: str = ""


NOT_ASSESSED = Assessment()


class AlarmState(StrEnum):
    """Where an alarm stands (after ISA-18.2, from memory).

    returned: its condition is gone, but nobody has acknowledged it.
    """

    NORMAL = "normal"
    ACTIVE = "active"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned"


@dataclass(frozen=True, slots=True)
class AlarmNote:
    """What is known of an alarm beside its state.

    since: when it came into it, UTC; None: never in another. why: its condition in words as it was
    when raised. by, because: who acknowledged it and what they said; empty when nobody did.
    """

    since: datetime | None = None
    why: str = ""
    by: str = ""
    because: str = ""


class EventKind(StrEnum):
    """What the event record holds."""

    ALARM = "alarm"
    ACKNOWLEDGED = "acknowledged"
    COMMENT = "comment"
    MAINTENANCE_ON = "maintenance_on"
    MAINTENANCE_OFF = "maintenance_off"
    CHECK_SAMPLE_ON = "check_sample_on"
    CHECK_SAMPLE_OFF = "check_sample_off"
    TEST_ON = "test_on"
    TEST_OFF = "test_off"
    REFUSED = "refused"
    LOGIN_FAILED = "login_failed"
    INPUT_WRITTEN = "input_written"
    USER_CHANGED = "user_changed"
    TRUST_CHANGED = "trust_changed"
    CERTIFICATE_RENEWED = "certificate_renewed"
    CLOCK_MOVED = "clock_moved"
    CLOCK_STATE = "clock_state"
    HISTORY_DELETED = "history_deleted"
    HISTORY_REPAIRED = "history_repaired"


@dataclass(frozen=True, slots=True)
class EventEntry:
    """One line of the event record: who did what, when, by which way.

    at: UTC. analyzer: empty when it is about the gateway. who, via: empty when the gateway did it
    by itself. subject: the alarm, the point, the input, the user or certificate that changed.
    until: when it ends by itself, UTC.
    """

    at: datetime
    kind: EventKind
    analyzer: str = ""
    who: str = ""
    via: str = ""
    subject: str = ""
    text: str = ""
    until: datetime | None = None


class LabStatus(StrEnum):
    """How far a laboratory result may be relied on."""

    PRELIMINARY = "preliminary"
    FINAL = "final"
    WITHDRAWN = "withdrawn"


@dataclass(frozen=True, slots=True)
class LabResult:
    """One laboratory result as it was entered, or the correction of one.

    entry_id: names the entry for ever; whoever enters it makes a new one. value_c: None where the
    laboratory gave no figure. repeat_number: which determination on the sample, from 1.
    correction_of: entry_id of the entry this one stands in for.
    """

    analyzer: str
    entry_id: str
    sample_id: str
    sampled_at: datetime
    value_c: float | None
    status: LabStatus
    entered_at: datetime
    entered_by: str = ""
    reported_at: datetime | None = None
    method: str = ""
    repeat_number: int = 1
    laboratory: str = ""
    product: str = ""
    note: str = ""
    correction_of: str = ""


@dataclass(frozen=True, slots=True)
class Result:
    """A judged cycle. Immutable; its id never repeats.

    published_c: this cycle's own value as the DCS may use it (None when rejected).
    low_flash: the evidence of this cycle is compatible with a flash point below the product's
    limit or below the start temperature. low_flash_alarm: the alarm after this cycle.
    sampled_at: when the sample passed the tap (ignition time minus transport lag), UTC.
    inputs: the control system's values as they stood. checks: the last check samples, this cycle
    included, oldest first.
    """

    cycle: Cycle
    computed: Computed
    findings: tuple[Finding, ...]
    verdict: Verdict
    published_c: float | None
    low_flash: bool
    low_flash_alarm: bool
    sampled_at: datetime
    judged_at: datetime
    product: str
    rules_version: str
    assessment: Assessment = NOT_ASSESSED
    inputs: tuple[InputReading, ...] = ()
    checks: tuple[CheckResult, ...] = ()

    @property
    def id(self) -> str:
        """`analyzer/epoch/cycle_number`."""
        return f"{self.cycle.analyzer}/{self.cycle.epoch}/{self.cycle.cycle_number}"

    @property
    def key(self) -> tuple[str, int, int]:
        """Analyzer, epoch and cycle number."""
        return (self.cycle.analyzer, self.cycle.epoch, self.cycle.cycle_number)

    @property
    def reasons(self) -> tuple[str, ...]:
        """Names of the rules that doubt or reject, the worst first."""
        return tuple(f.rule for f in self.findings if f.severity is not Severity.NOTE)
