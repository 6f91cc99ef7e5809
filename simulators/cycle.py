"""One measurement cycle: phases, heat ramp with sparks, flash or give-up, purge.

The whole cycle is worked out when it starts, as arrays on the sample grid; the analyzer then
plays it back. What the firmware makes of it stands in `firmware`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from simulators.cup import Cup, CupSettings, FloatArray
from simulators.faults import ActiveFaults, Chances, FaultKind
from simulators.fuel import Fuel, flash_point_c
from simulators.heating import Heating
from simulators.ignition import Ignition, PhaseMasks, PressureLine, pressure_signal, spark_ramp
from simulators.sensor import spoiled

LONGEST_HEAT_S = 640.0  # trace time is a uint16 of 0.01 s
SHORT_PHASE_S = 1.0
SHORT_PURGE_S = 3.0


class Phase(IntEnum):
    """Phase register values."""

    IDLE = 0
    CLEAN = 1
    ZERO = 2
    HEAT = 3
    FLASHED = 4
    PURGE = 5
    CHECK_SAMPLE = 6
    MAINTENANCE = 7
    FAULT = 8


@dataclass(frozen=True, slots=True)
class CycleStart:
    """What a cycle starts from. zero_kpa: offset of the pressure transducer."""

    fuel: Fuel  # contents of the cup
    barometer_kpa: float
    zero_kpa: float
    expected_c: float
    faults: ActiveFaults
    chances: Chances = field(default_factory=Chances)


@dataclass(frozen=True, slots=True)
class CycleRecord:
    """Everything that happens in one cycle.

    Arrays have one element per sample period from the start of the cycle. `heat_first` is the
    index of the sample at trace time 0; `heat_last` is the last sample of the trace.
    """

    phases: NDArray[np.int64]
    true_c: FloatArray
    sensed_c: FloatArray  # with noise and sensor faults
    pressure_kpa: FloatArray  # as the transducer gives it: offset, noise, pickup included
    heat_first: int
    heat_last: int
    ignition: Ignition
    pressure: PressureLine
    true_rate_c_per_min: float
    equilibrium_c: float

    @property
    def samples(self) -> int:
        """Number of sample periods."""
        return int(self.phases.size)


@dataclass(frozen=True, slots=True)
class _Plan:
    """How the phases of one cycle are cut."""

    before_heat: tuple[tuple[Phase, float], ...]  # phase, seconds
    start_c: float
    longest_heat: int  # samples
    purge_s: float
    refilled_warm: bool


def run_cycle(cup: Cup, start: CycleStart, rng: np.random.Generator) -> CycleRecord:
    """Plays one cycle and leaves the cup where the next one finds it."""
    settings, faults, period_s = cup.settings, start.faults, cup.settings.sample_period_s
    equilibrium_c = flash_point_c(start.fuel, start.barometer_kpa)
    heating = Heating.of_faults(settings.ramp_c_per_min, equilibrium_c, faults)
    plan = _plan(settings, start, heating)
    if plan.refilled_warm:
        cup.refill(plan.start_c)
    parts: list[tuple[Phase, FloatArray, FloatArray]] = []
    for phase, length_s in plan.before_heat:
        parts.append((phase, *cup.hold(plan.start_c, _samples(length_s, period_s))))
    first = sum(part[1].size for part in parts) - 1  # the heater is switched on at this sample

    # Work out the whole ramp first, see where it ends, then play it that far.
    before = (cup.true_c, cup.sensed_c)
    whole_true_c, whole_sensed_c, straight = heating.heat(cup, plan.longest_heat)
    whole_true_c = np.concatenate(([before[0]], whole_true_c))
    reading_c = np.concatenate(([before[1]], whole_sensed_c))
    reading_c += rng.normal(0.0, settings.sensor_noise_c, reading_c.size)
    times_s = np.arange(reading_c.size, dtype=np.float64) * period_s
    flash_s = float(times_s[_first_at(whole_true_c >= equilibrium_c)])
    shown_c = spoiled(reading_c.copy(), times_s, flash_s, faults, start.chances)
    ignition = spark_ramp(settings, whole_true_c, equilibrium_c, faults, start.chances, rng)
    hot = shown_c > start.expected_c + settings.give_up_above_expected_c
    last_heat = int(np.argmax(hot)) if bool(hot.any()) else plan.longest_heat
    second_flash = faults.strength(FaultKind.SECOND_FLASH, 0.0)
    ignition.end_at(last_heat * period_s, second_flash)
    if ignition.detected_s is not None:
        last_heat = min(math.ceil(ignition.detected_s / period_s) + 1, plan.longest_heat)
    cup.refill(before[0])
    cup.sensed_c = before[1]
    parts.append((Phase.HEAT, *heating.heat(cup, last_heat, straight)[:2]))
    true_rate = cup.rate_c_per_s * 60.0

    trace_last = first + last_heat
    if ignition.detected_s is not None:
        parts.append((Phase.FLASHED, *cup.ramp(0.0, _samples(settings.flashed_s, period_s))))
        trace_s = ignition.detected_s + settings.trace_after_flash_s
        trace_last = first + math.floor(trace_s / period_s)
    next_start_c = start.expected_c - settings.start_below_expected_c
    if plan.purge_s > 0.0:
        parts.append((Phase.PURGE, *cup.hold(next_start_c, _samples(plan.purge_s, period_s))))

    phases = np.concatenate([np.full(part[1].size, int(part[0])) for part in parts])
    trace_last = min(trace_last, phases.size - 1)
    heating_s = np.arange(-first, phases.size - first, dtype=np.float64) * period_s
    sensed_c = np.concatenate([part[2] for part in parts])
    sensed_c += rng.normal(0.0, settings.sensor_noise_c, sensed_c.size)
    sensed_c[first : first + last_heat + 1] = reading_c[: last_heat + 1]
    pressure, pressure_kpa = pressure_signal(
        settings,
        heating_s,
        PhaseMasks(clean=phases == Phase.CLEAN, purge=phases == Phase.PURGE),
        ignition,
        zero_kpa=start.zero_kpa,
        faults=faults,
        rng=rng,
    )
    return CycleRecord(
        phases=phases,
        true_c=np.concatenate([part[1] for part in parts]),
        sensed_c=spoiled(sensed_c, heating_s, flash_s, faults, start.chances),
        pressure_kpa=pressure_kpa,
        heat_first=first,
        heat_last=trace_last,
        ignition=ignition,
        pressure=pressure,
        true_rate_c_per_min=true_rate,
        equilibrium_c=equilibrium_c,
    )


def purge_s(settings: CupSettings, faults: ActiveFaults) -> float:
    """How long a cycle with these faults purges at its end, s."""
    if FaultKind.CYCLE_TOO_SHORT in faults:
        return SHORT_PURGE_S
    return settings.purge_s * (1.0 - faults.strength(FaultKind.NOT_PURGED, 0.0))


def _plan(settings: CupSettings, start: CycleStart, heating: Heating) -> _Plan:
    faults = start.faults
    below_c = settings.start_below_expected_c - faults.strength(FaultKind.START_HOT, 0.0)
    idle_s, clean_s, zero_s = settings.idle_s, settings.clean_s, settings.zero_s
    short_s = faults.strength(FaultKind.CYCLE_TOO_SHORT, 0.0)
    if short_s:  # phases cut, and the sample cooler bypassed: the cup fills with warm product
        idle_s = clean_s = zero_s = SHORT_PHASE_S
        heat_s = max(short_s - 3.0 * SHORT_PHASE_S - SHORT_PURGE_S - settings.flashed_s, 6.0)
        below_c = settings.ramp_c_per_min / 60.0 * (heat_s - settings.heater_lag_s)
    clean_s *= 1.0 - faults.strength(FaultKind.NOT_CLEANED, 0.0)
    zero_s *= 1.0 - faults.strength(FaultKind.NOT_ZEROED, 0.0)
    early_zero_s = zero_s * faults.strength(FaultKind.ZERO_FIRST, 0.0)
    before = [
        (Phase.IDLE, idle_s + faults.strength(FaultKind.CYCLE_TOO_LONG, 0.0)),
        (Phase.MAINTENANCE, faults.strength(FaultKind.MAINTENANCE, 0.0)),
        (Phase.CHECK_SAMPLE, faults.strength(FaultKind.CHECK_SAMPLE, 0.0)),
        (Phase.ZERO, early_zero_s),
        (Phase.CLEAN, clean_s),
        (Phase.ZERO, zero_s - early_zero_s),
    ]
    span_c = below_c + settings.give_up_above_expected_c + 2.0
    longest_s = min(span_c * 60.0 / heating.slowest_c_per_min + 20.0, LONGEST_HEAT_S)
    return _Plan(
        before_heat=tuple((phase, length_s) for phase, length_s in before if length_s > 0.0),
        start_c=start.expected_c - below_c,
        longest_heat=_samples(longest_s, settings.sample_period_s),
        purge_s=purge_s(settings, faults),
        refilled_warm=bool(short_s),
    )


def _first_at(holds: NDArray[np.bool_]) -> int:
    """Index of the first sample for which it holds; the last sample when it never does."""
    return int(np.argmax(holds)) if bool(holds.any()) else holds.size - 1


def _samples(length_s: float, period_s: float) -> int:
    return max(round(length_s / period_s), 1)
