"""The plan of a cycle: how long it takes, how finely it looks, and how sure it can be. Pure.

The sample is heated at one rate from a start temperature, with a spark at regular intervals; the
first spark at or above the flash point lights it. From that follow the time, the number of sparks,
and what each setting adds to the uncertainty of the flash temperature.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import ceil, hypot, isfinite

from edgeflash.errors import UsageError
from edgeflash.flash.method import Method

SENSOR_SD_C = 0.05
"""Noise of a platinum sensor in the cup, averaged over the ramp (common practice, no source)."""

LAG_KNOWN_TO = 0.10
"""Part of the sensor lag that stays unknown, one standard deviation (common practice)."""

BAROMETER_SD_KPA = 0.25
"""Half of what ASTM D3828 asks of a barometer, 0.5 kPa, taken as two standard deviations."""

CORRECTION_C_PER_KPA = 0.25
"""ISO 2719: correction to standard pressure."""

COVERAGE = 2.0
"""Standard deviations of the expanded uncertainty (about 95 %; JCGM 100, from memory)."""

LEAST_SPARKS_BELOW = 3
"""Sparks that must fail before the flash, so that the first could not have lit it (common practice,
no source; rule ignition_too_early asks for as many)."""

SHORTEST_INTERVAL_S = 1.0
FASTEST_C_PER_MIN = 15.0
SLOWEST_C_PER_MIN = 1.0
"""What process analyzers do (common practice, no source): 1 to 5 s between sparks, 2 to 15 °C/min,
down to the 1 °C/min of the slowest laboratory method."""

USUAL_BELOW_C = 15.0
"""Where a proposed ramp starts below the expected flash point: the middle of ASTM D7236's
15 ± 5 °C, the small-scale ramp method that a process cup is most like."""

FINEST_C = 0.1
"""A finer spark interval than this gains nothing: lag and sensor then dominate."""


class PlanError(UsageError):
    """A plan that cannot be carried out, with what would be possible."""


@dataclass(frozen=True, slots=True)
class Fixed:
    """The parts of a cycle that take their time whatever the sample, seconds.

    clean: sparking the electrodes clean; zero: zeroing the transducer; fill: filling the cell;
    settle: from the flash to the purge; purge: flushing and cooling.
    """

    clean_s: float = 8.0
    zero_s: float = 4.0
    fill_s: float = 4.0
    settle_s: float = 3.0
    purge_s: float = 28.0

    @property
    def total_s(self) -> float:
        """All of them."""
        return self.clean_s + self.zero_s + self.fill_s + self.settle_s + self.purge_s


@dataclass(frozen=True, slots=True)
class CyclePlan:
    """The settings of a cycle.

    expected_c: flash point that is expected, uncorrected. heater_lag_s: the ramp starts this much
    late, because the heater's rate follows its setting with that lag.
    Raises PlanError for settings that no cycle can have.
    """

    expected_c: float
    start_c: float
    rate_c_per_min: float
    spark_interval_s: float
    sensor_lag_s: float = 0.0
    heater_lag_s: float = 0.0
    sensor_sd_c: float = SENSOR_SD_C
    fixed: Fixed = Fixed()

    def __post_init__(self) -> None:
        numbers = {
            "the heating rate": (self.rate_c_per_min, "°C/min"),
            "the spark interval": (self.spark_interval_s, "s"),
        }
        for what, (value, unit) in numbers.items():
            if not (isfinite(value) and value > 0):
                raise PlanError(f"{what} must be above 0 {unit}, not {value:g}")
        if not self.start_c < self.expected_c:
            raise PlanError(
                f"the start, {self.start_c:g} °C, must lie below the expected flash point, "
                f"{self.expected_c:g} °C"
            )
        times = (self.sensor_lag_s, self.heater_lag_s, self.sensor_sd_c, *_times(self.fixed))
        if not all(isfinite(value) and value >= 0 for value in times):
            raise PlanError("lags, times and the sensor's spread must be 0 or more")

    @property
    def below_c(self) -> float:
        """How far below the expected flash point the ramp starts."""
        return self.expected_c - self.start_c

    @property
    def heating_s(self) -> float:
        """From the start of the heating to the expected flash."""
        return 60.0 * self.below_c / self.rate_c_per_min + self.heater_lag_s

    @property
    def cycle_s(self) -> float:
        """The whole cycle, when the flash comes where it is expected."""
        return self.fixed.total_s + self.heating_s

    @property
    def sparks(self) -> int:
        """Sparks until the flash, the lighting one included."""
        return ceil(self.heating_s / self.spark_interval_s)

    @property
    def resolution_c(self) -> float:
        """Temperature step between two sparks: the flash point lies within it, below the flash."""
        return self.rate_c_per_min * self.spark_interval_s / 60.0

    @property
    def lag_c(self) -> float:
        """By how much the sensor reads low on the ramp: heating rate × lag."""
        return self.rate_c_per_min * self.sensor_lag_s / 60.0

    def contributions(self) -> tuple[Contribution, ...]:
        """What each part adds to the uncertainty of one flash temperature.

        The lighting spark lies anywhere in one step above the flash point: a rectangular
        distribution, whose standard deviation is step / √12 (JCGM 100, 4.3.7, from memory) and
        whose mean is half a step, which a fixed bias correction would take out.
        """
        return (
            Contribution("spark interval", self.resolution_c / 12**0.5, self.resolution_c / 2),
            Contribution("sensor lag, as far as it is not known", LAG_KNOWN_TO * self.lag_c),
            Contribution("sensor", self.sensor_sd_c),
            Contribution("barometer", CORRECTION_C_PER_KPA * BAROMETER_SD_KPA),
        )

    @property
    def standard_uncertainty_c(self) -> float:
        """One standard deviation: the contributions are independent."""
        return hypot(*(c.sd_c for c in self.contributions()))

    @property
    def expanded_uncertainty_c(self) -> float:
        """COVERAGE standard deviations."""
        return COVERAGE * self.standard_uncertainty_c


@dataclass(frozen=True, slots=True)
class Contribution:
    """One part of the uncertainty. sd_c: one standard deviation; bias_c: how far it shifts."""

    name: str
    sd_c: float
    bias_c: float = 0.0


@dataclass(frozen=True, slots=True)
class Requirement:
    """One demand on a plan. low, high: what is allowed, in `unit`; None: open on that side.

    low_excluded, high_excluded: the end itself is not allowed.
    """

    name: str
    value: float
    low: float | None
    high: float | None
    unit: str
    source: str
    low_excluded: bool = False
    high_excluded: bool = False

    @property
    def is_met(self) -> bool:
        """True when the value lies within; to 9 digits, as people state it."""
        value = round(self.value, 9)
        low = None if self.low is None else round(self.low, 9)
        high = None if self.high is None else round(self.high, 9)
        above = low is None or value > low or (value == low and not self.low_excluded)
        return above and (
            high is None or value < high or (value == high and not self.high_excluded)
        )


def requirements(
    plan: CyclePlan, method: Method | None = None, target_s: float | None = None
) -> Iterator[Requirement]:
    """What a plan has to meet: our own needs, the method's rules, a stated cycle time."""
    yield Requirement(
        "sparks below the flash",
        plan.sparks - 1,
        LEAST_SPARKS_BELOW,
        None,
        "sparks",
        "common practice, no source",
    )
    if method is not None:
        yield from _of_method(plan, method)
    if target_s is not None:
        yield Requirement("cycle time", plan.cycle_s, None, target_s, "s", "as asked for")


def _of_method(plan: CyclePlan, method: Method) -> Iterator[Requirement]:
    yield Requirement(
        "expected flash point",
        plan.expected_c,
        method.scope_low_c,
        method.scope_high_c,
        "°C",
        f"{method.name}, scope {method.scope_origin}",
        method.scope_low_excluded,
        method.scope_high_excluded,
    )
    ramp, source = method.ramp(plan.expected_c), f"{method.name}, {method.ramp_origin}"
    if ramp is not None:
        yield Requirement(
            "heating rate",
            plan.rate_c_per_min,
            ramp.low_c_per_min,
            ramp.high_c_per_min,
            "°C/min",
            source,
        )
        yield Requirement(
            "step between sparks", plan.resolution_c, None, ramp.interval_c, "°C", source
        )
    near, far = method.first_ignition_near_c, method.first_ignition_far_c
    if near is not None or far is not None:
        yield Requirement("start below the flash point", plan.below_c, near, far, "°C", source)


def proposed(plan: CyclePlan, target_s: float, method: Method | None = None) -> CyclePlan:
    """A plan for a cycle time: the slowest ramp that fits, so the finest look there is time for.

    Takes everything but start, rate and spark interval from `plan`. The ramp starts USUAL_BELOW_C
    below the expected flash point, or as near to that as the method allows: nearer, a product that
    is lighter than expected would light at the first spark.
    Raises PlanError with the shortest time there is when the target is too short.
    """
    fastest, slowest = _ramp_band(method, plan.expected_c)
    near = method.first_ignition_near_c if method is not None else None
    far = method.first_ignition_far_c if method is not None else None

    def with_rate(rate: float) -> CyclePlan:
        interval_s = max(SHORTEST_INTERVAL_S, 60.0 * FINEST_C / rate)
        resolution_c = rate * interval_s / 60.0
        below = max(USUAL_BELOW_C, (LEAST_SPARKS_BELOW + 1) * resolution_c, near or 0.0)
        below = below if far is None else min(below, far)
        return replace(
            plan,
            start_c=plan.expected_c - below,
            rate_c_per_min=rate,
            spark_interval_s=interval_s,
        )

    if (shortest := with_rate(fastest)).cycle_s > target_s:
        raise PlanError(
            f"no cycle of {target_s:g} s: heating at {fastest:g} °C/min from "
            f"{shortest.start_c:.1f} °C takes {shortest.cycle_s:.0f} s"
        )
    if with_rate(slowest).cycle_s <= target_s:
        return with_rate(slowest)
    low, high = slowest, fastest  # cycle_s falls with the rate
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if with_rate(middle).cycle_s <= target_s else (middle, high)
    return with_rate(high)


def _ramp_band(method: Method | None, expected_c: float) -> tuple[float, float]:
    """Fastest and slowest heating rate that may be proposed, °C/min."""
    ramp = method.ramp(expected_c) if method is not None else None
    if ramp is None:
        return FASTEST_C_PER_MIN, SLOWEST_C_PER_MIN
    return ramp.high_c_per_min, ramp.low_c_per_min


def _times(fixed: Fixed) -> tuple[float, ...]:
    return (fixed.clean_s, fixed.zero_s, fixed.fill_s, fixed.settle_s, fixed.purge_s)
