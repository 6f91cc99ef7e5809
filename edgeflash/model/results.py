"""What comes of a cycle: what is computed from it, what the rules say, how it is judged."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from edgeflash.model.cycles import Cycle


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
