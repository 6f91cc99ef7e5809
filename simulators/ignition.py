"""Sparks on the ramp, what they light, and the pressure signal that follows.

Times are trace times: seconds since the heater was switched on.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from simulators.cup import CupSettings, FloatArray, crossing_s, pickup_kpa, pulse_kpa
from simulators.faults import ActiveFaults, FaultKind

IGNITION_DELAY_S = 0.004  # spark to first pressure rise; common practice, no source
CLEANING_SPARK_INTERVAL_S = 0.5
SECOND_FLASH_DELAY_S = 1.0


@dataclass(slots=True)
class Ignition:
    """What the sparks of one ramp do."""

    sparks_s: FloatArray
    pulses: list[tuple[float, float]] = field(default_factory=list)  # start, peak in kPa
    step: tuple[float, float] | None = None  # start, height of a step that stays
    lit_s: float | None = None
    lit_true_c: float | None = None
    lit_peak_kpa: float | None = None
    detected_s: float | None = None
    seen_peak_kpa: float | None = None

    def forget_flash(self) -> None:
        """Nothing was lit after all."""
        self.pulses = []
        self.lit_s = self.lit_true_c = self.lit_peak_kpa = None

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
    rng: np.random.Generator,
) -> Ignition:
    """Fires sparks over the whole possible ramp until the firmware sees a flash.

    true_c: sample temperature on the sample grid from trace time 0. The first spark at or above
    equilibrium_c lights the vapour; a pulse below the firmware's threshold goes unseen, and the
    next sparks light again.
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
    ignition = Ignition(sparks_s)
    at_spark_c = np.interp(sparks_s, times_s, true_c)
    if FaultKind.NO_IGNITION not in faults:
        for index in np.flatnonzero(at_spark_c >= equilibrium_c):
            begin_s = float(sparks_s[index]) + IGNITION_DELAY_S
            if ignition.lit_s is None:
                ignition.lit_s = float(sparks_s[index])
                ignition.lit_true_c, ignition.lit_peak_kpa = float(at_spark_c[index]), peak
            ignition.pulses.append((begin_s, peak))
            after_s = crossing_s(peak, settings.firmware_threshold_kpa, settings)
            if after_s is not None:
                ignition.detected_s, ignition.seen_peak_kpa = begin_s + after_s, peak
                break
    if FaultKind.PRESSURE_STEP in faults:
        half_way = true_c >= 0.5 * (true_c[0] + equilibrium_c)
        begin_s = float(times_s[int(np.argmax(half_way))]) + 0.1
        _add_step(ignition, begin_s, faults.strength(FaultKind.PRESSURE_STEP, 0.0), settings)
    return ignition


def _add_step(ignition: Ignition, begin_s: float, height_kpa: float, settings: CupSettings) -> None:
    """A blocked vent: pressure that rises at once and stays; the firmware may take it."""
    ignition.step = (begin_s, height_kpa)
    first = ignition.detected_s is None or begin_s < ignition.detected_s
    if height_kpa >= settings.firmware_threshold_kpa and first:
        ignition.detected_s, ignition.seen_peak_kpa = begin_s, height_kpa
        if ignition.lit_s is not None and ignition.lit_s > begin_s:
            ignition.forget_flash()


@dataclass(frozen=True, slots=True)
class PhaseMasks:
    """Where on the sample grid the electrodes are cleaned and the cup is purged."""

    clean: NDArray[np.bool_]
    purge: NDArray[np.bool_]


def pressure_signal(
    settings: CupSettings,
    times_s: FloatArray,
    masks: PhaseMasks,
    ignition: Ignition,
    *,
    zero_kpa: float,
    igniter_works: bool,
    rng: np.random.Generator,
) -> FloatArray:
    """The transducer's signal over the whole cycle: offset, noise, pulses, pickup, purge."""
    noise = rng.normal(0.0, settings.pressure_noise_kpa, times_s.size)
    signal: FloatArray = zero_kpa + noise
    for begin_s, peak_kpa in ignition.pulses:
        signal += pulse_kpa(times_s - begin_s, peak_kpa, settings)
    if ignition.step is not None:
        begin_s, height_kpa = ignition.step
        signal += np.where((times_s >= begin_s) & ~masks.purge, height_kpa, 0.0)
    since_s = np.maximum(times_s - times_s[int(np.argmax(masks.purge))], 0.0)
    stroke_kpa = 1.5 + 2.0 * np.exp(-since_s / 0.8)  # back pressure of flow, valve stroke first
    signal += np.where(masks.purge, stroke_kpa, 0.0)
    if igniter_works:
        cleaning_s = times_s[masks.clean]
        first_s = cleaning_s[0] + rng.uniform(0.0, 0.25)
        cleaning_s = np.arange(first_s, cleaning_s[-1], CLEANING_SPARK_INTERVAL_S)
        sparks_s = np.concatenate((cleaning_s, ignition.sparks_s))
        heights = rng.uniform(settings.pickup_low_kpa, settings.pickup_high_kpa, sparks_s.size)
        signal += pickup_kpa(times_s, sparks_s, heights, settings.pickup_s)
    return signal
