"""Sparks on the ramp, what they light, and the pressure signal that follows.

Times are trace times: seconds since the heater was switched on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from simulators.cup import CupSettings, FloatArray, crossing_s, pickup_kpa, pulse_kpa, rise_time_s
from simulators.faults import ActiveFaults, Chances, FaultKind

IGNITION_DELAY_S = 0.004  # spark to first pressure rise; common practice, no source
CLEANING_SPARK_INTERVAL_S = 0.5
SECOND_FLASH_DELAY_S = 1.0


@dataclass(slots=True)
class Ignition:
    """What the sparks of one ramp do."""

    sparks_s: FloatArray
    shape: CupSettings  # with the rise and decay of its pulses
    pulses: list[tuple[float, float]] = field(default_factory=list)  # start, peak in kPa
    step: tuple[float, float] | None = None  # start, height of a step that stays
    spiking: tuple[int, float] | None = None  # which spark's pickup is how high
    lit_s: float | None = None
    lit_true_c: float | None = None
    lit_peak_kpa: float | None = None
    detected_s: float | None = None
    seen_peak_kpa: float | None = None

    def forget_flash(self) -> None:
        """Nothing was lit after all."""
        self.pulses = [pulse for pulse in self.pulses if pulse[0] < (self.lit_s or 0.0)]
        self.lit_s = self.lit_true_c = self.lit_peak_kpa = None

    def take(self, begin_s: float, height_kpa: float, settings: CupSettings) -> None:
        """Pressure that is no flash, and that the firmware may take for one: the cycle ends."""
        first = self.detected_s is None or begin_s < self.detected_s
        if height_kpa < settings.firmware_threshold_kpa or not first:
            return
        self.detected_s, self.seen_peak_kpa = begin_s, height_kpa
        if self.lit_s is not None and self.lit_s > begin_s:
            self.forget_flash()

    def end_at(self, heat_end_s: float, second_flash: float) -> None:
        """Cuts off what would have come after the heat phase.

        second_flash: height of a second pulse as a share of the first, 0 for none.
        """
        if self.detected_s is not None and self.detected_s > heat_end_s:
            self.detected_s = self.seen_peak_kpa = None
        if self.lit_s is not None and self.lit_s > heat_end_s:
            self.forget_flash()
        last_s = heat_end_s if self.detected_s is None else self.detected_s
        self.sparks_s = self.sparks_s[self.sparks_s <= last_s]
        self.pulses = [pulse for pulse in self.pulses if pulse[0] <= last_s]
        if self.detected_s is not None and second_flash and self.pulses:
            begin_s, peak_kpa = self.pulses[0]
            self.pulses.append((begin_s + SECOND_FLASH_DELAY_S, peak_kpa * second_flash))


def spark_ramp(
    settings: CupSettings,
    true_c: FloatArray,
    equilibrium_c: float,
    faults: ActiveFaults,
    chances: Chances,
    rng: np.random.Generator,
) -> Ignition:
    """Fires sparks over the whole possible ramp until the firmware sees a flash.

    true_c: sample temperature on the sample grid from trace time 0. The first spark at or above
    equilibrium_c lights the vapour; a pulse that the firmware does not see changes nothing, and
    the next sparks light again.
    """
    times_s = np.arange(true_c.size) * settings.sample_period_s
    phase_s = rng.uniform(0.05, settings.spark_interval_s)
    count = int((times_s[-1] - phase_s) / settings.spark_interval_s) + 1
    regular_s = phase_s + settings.spark_interval_s * np.arange(count)
    sparks_s: FloatArray = np.maximum(
        regular_s + rng.normal(0.0, settings.spark_jitter_s, count), 0.001
    )
    drawn = rng.normal(settings.peak_mean_kpa, settings.peak_sigma_kpa)
    air = faults.strength(FaultKind.AIR_FLOW_LOW, 1.0)
    peak = min(max(drawn, settings.peak_low_kpa), settings.peak_high_kpa) * (0.3 + 0.7 * air)
    peak = faults.strength(FaultKind.WEAK_IGNITION, peak)
    shape = _shape(settings, faults)
    ignition = Ignition(sparks_s, shape)
    at_spark_c = np.interp(sparks_s, times_s, true_c)
    lights_c = equilibrium_c + faults.strength(FaultKind.MISFIRE, 0.0)
    unseen = int(faults.strength(FaultKind.MISSED_FLASH, 0.0))
    if FaultKind.NO_IGNITION not in faults:
        for number, index in enumerate(np.flatnonzero(at_spark_c >= lights_c)):
            begin_s = float(sparks_s[index]) + IGNITION_DELAY_S
            if ignition.lit_s is None:
                ignition.lit_s = float(sparks_s[index])
                ignition.lit_true_c, ignition.lit_peak_kpa = float(at_spark_c[index]), peak
            ignition.pulses.append((begin_s, peak))
            after_s = crossing_s(peak, settings.firmware_threshold_kpa, shape)
            if after_s is not None and number >= unseen:
                ignition.detected_s, ignition.seen_peak_kpa = begin_s + after_s, peak
                break
    half_way_s = float(times_s[int(np.argmax(true_c >= 0.5 * (true_c[0] + equilibrium_c)))])
    flash_s = half_way_s * 2.0 if ignition.lit_s is None else ignition.lit_s
    if FaultKind.PRESSURE_STEP in faults:
        step = (half_way_s + 0.1, faults.strength(FaultKind.PRESSURE_STEP, 0.0))
        ignition.step = step
        ignition.take(*step, settings)
    if FaultKind.PICKUP_SPIKE in faults:
        before = np.flatnonzero(sparks_s < flash_s)
        place = int(chances.pickup * before.size)
        height_kpa = faults.strength(FaultKind.PICKUP_SPIKE, 0.0)
        ignition.spiking = (place, height_kpa)
        ignition.take(float(sparks_s[place]), height_kpa, settings)
    if FaultKind.EARLY_SPIKE in faults:
        spike = (chances.spike * flash_s, faults.strength(FaultKind.EARLY_SPIKE, 0.0))
        ignition.pulses.insert(0, spike)
        ignition.take(*spike, settings)
    return ignition


def _shape(settings: CupSettings, faults: ActiveFaults) -> CupSettings:
    """The settings with the pulse's own rise and decay; a slow one is slow in both."""
    usual_s = rise_time_s(settings)
    slower = faults.strength(FaultKind.PULSE_SLOW, usual_s) / usual_s
    if slower == 1.0:
        return settings
    return replace(
        settings,
        pulse_rise_s=settings.pulse_rise_s * slower,
        pulse_decay_s=settings.pulse_decay_s * slower,
    )


@dataclass(frozen=True, slots=True)
class PhaseMasks:
    """Where on the sample grid the electrodes are cleaned and the cup is purged."""

    clean: NDArray[np.bool_]
    purge: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class PressureLine:
    """The transducer's signal as a function of time, but for its noise and the purge."""

    zero_kpa: float
    noise_kpa: float
    ignition: Ignition
    pickup_s: FloatArray
    pickup_kpa: FloatArray
    pickup_width_s: float

    def at(self, times_s: FloatArray) -> FloatArray:
        """Pressure at trace times, without noise."""
        signal = np.full(times_s.size, self.zero_kpa)
        for begin_s, peak_kpa in self.ignition.pulses:
            signal += pulse_kpa(times_s - begin_s, peak_kpa, self.ignition.shape)
        if self.ignition.step is not None:
            begin_s, height_kpa = self.ignition.step
            signal += np.where(times_s >= begin_s, height_kpa, 0.0)
        signal += pickup_kpa(times_s, self.pickup_s, self.pickup_kpa, self.pickup_width_s)
        return signal


def pressure_signal(
    settings: CupSettings,
    times_s: FloatArray,
    masks: PhaseMasks,
    ignition: Ignition,
    *,
    zero_kpa: float,
    faults: ActiveFaults,
    rng: np.random.Generator,
) -> tuple[PressureLine, FloatArray]:
    """The transducer's signal over the whole cycle: offset, noise, pulses, pickup, purge."""
    noise_kpa = math.hypot(
        settings.pressure_noise_kpa, faults.strength(FaultKind.PRESSURE_NOISE, 0.0)
    )
    noise = rng.normal(0.0, noise_kpa, times_s.size)
    sparks_s = heights = np.zeros(0)
    if FaultKind.NO_IGNITION not in faults:
        cleaning_s = times_s[masks.clean]
        if cleaning_s.size:
            first_s = cleaning_s[0] + rng.uniform(0.0, 0.25)
            cleaning_s = np.arange(first_s, cleaning_s[-1], CLEANING_SPARK_INTERVAL_S)
        sparks_s = np.concatenate((cleaning_s, ignition.sparks_s))
        heights = rng.uniform(settings.pickup_low_kpa, settings.pickup_high_kpa, sparks_s.size)
        if ignition.spiking is not None and ignition.spiking[0] < ignition.sparks_s.size:
            heights[cleaning_s.size + ignition.spiking[0]] = ignition.spiking[1]
    line = PressureLine(zero_kpa, noise_kpa, ignition, sparks_s, heights, settings.pickup_s)
    signal = noise + line.at(times_s)
    if bool(masks.purge.any()):
        if ignition.step is not None:
            begin_s, height_kpa = ignition.step
            signal -= np.where((times_s >= begin_s) & masks.purge, height_kpa, 0.0)
        since_s = np.maximum(times_s - times_s[int(np.argmax(masks.purge))], 0.0)
        stroke_kpa = 1.5 + 2.0 * np.exp(-since_s / 0.8)  # back pressure of flow, valve stroke first
        signal += np.where(masks.purge, stroke_kpa, 0.0)
    return line, signal
