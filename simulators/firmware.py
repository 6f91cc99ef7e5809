"""What the analyzer's own firmware makes of a cycle: its result and its trace block."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from simulators.cup import CupSettings, FloatArray
from simulators.cycle import CycleRecord, CycleStart, Phase
from simulators.faults import FaultKind

TRACE_CAPACITY = 1024
RATE_WINDOW_S = 30.0
HOLE_SPREAD_S = 10.0  # a hole in the trace ends from this long before the flash to 1 s after

# Fault bits of the device; the categories in the register map say what each means.
BIT_SAMPLE_FLOW_LOW = 1
BIT_AIR_FLOW_LOW = 2
BIT_MAINTENANCE = 7
BIT_CHECK_SAMPLE = 8
LOW_FLOW_SHARE = 0.5  # below this share of nominal the device sets its flow bits


@dataclass(frozen=True, slots=True)
class Result:
    """What the device reports for one cycle. NaN where it has nothing to report."""

    flash_point_c: float
    peak_kpa: float
    ignition_temperature_c: float
    start_temperature_c: float
    heating_rate_c_per_min: float
    spark_count: int
    zero_kpa: float
    ignition_seen: bool
    check_sample: bool
    maintenance: bool
    fault_bits: int


@dataclass(frozen=True, slots=True)
class Trace:
    """Samples of the heat phase until shortly after the flash; time 0 is the heat's start."""

    times_s: FloatArray
    temperatures_c: FloatArray
    pressures_kpa: FloatArray


def report(
    settings: CupSettings, start: CycleStart, record: CycleRecord, rng: np.random.Generator
) -> Result:
    """The device's result, by its own threshold detection and nominal lag correction.

    The flash point is the sensor temperature when the pressure passed the threshold, plus
    lag * nominal rate. It is NOT corrected for the barometer.
    """
    faults = start.faults
    period_s = settings.sample_period_s
    zeroing = record.phases == Phase.ZERO
    zero = float(record.pressure_kpa[zeroing].mean()) if zeroing.any() else start.zero_kpa
    heat_end = int(np.flatnonzero(record.phases == Phase.HEAT)[-1])
    ignition_c = flash_c = math.nan
    if record.ignition.detected_s is not None and record.ignition.seen_peak_kpa is not None:
        place = record.heat_first + record.ignition.detected_s / period_s
        index = min(int(place), record.samples - 2)
        share = place - index
        ignition_c = float(
            record.sensed_c[index] * (1.0 - share) + record.sensed_c[index + 1] * share
        )
        flash_c = ignition_c + settings.sensor_lag_s * settings.ramp_c_per_min / 60.0
        flash_c += faults.strength(FaultKind.REPORTED_BIAS, 0.0)
        peak = record.ignition.seen_peak_kpa + float(rng.normal(0.0, settings.pressure_noise_kpa))
    else:
        peak = float(record.pressure_kpa[record.heat_first : heat_end + 1].max()) - zero
    if FaultKind.SENTINEL in faults:
        flash_c = math.nan
    return Result(
        flash_point_c=flash_c,
        peak_kpa=peak,
        ignition_temperature_c=ignition_c,
        start_temperature_c=float(record.sensed_c[record.heat_first]),
        heating_rate_c_per_min=_heating_rate(settings, record, heat_end),
        spark_count=int(record.ignition.sparks_s.size),
        zero_kpa=zero,
        ignition_seen=record.ignition.detected_s is not None,
        check_sample=FaultKind.CHECK_SAMPLE in faults,
        maintenance=FaultKind.MAINTENANCE in faults,
        fault_bits=fault_bits(start),
    )


def fault_bits(start: CycleStart) -> int:
    """Fault bits the device shows during a cycle."""
    faults = start.faults
    bits = 0
    if FaultKind.DEVICE_FAULT_BIT in faults:
        bits |= 1 << int(faults.strength(FaultKind.DEVICE_FAULT_BIT, 0.0))
    if faults.strength(FaultKind.SAMPLE_FLOW_LOW, 1.0) < LOW_FLOW_SHARE:
        bits |= 1 << BIT_SAMPLE_FLOW_LOW
    if faults.strength(FaultKind.AIR_FLOW_LOW, 1.0) < LOW_FLOW_SHARE:
        bits |= 1 << BIT_AIR_FLOW_LOW
    if FaultKind.MAINTENANCE in faults:
        bits |= 1 << BIT_MAINTENANCE
    if FaultKind.CHECK_SAMPLE in faults:
        bits |= 1 << BIT_CHECK_SAMPLE
    return bits


def trace_of(settings: CupSettings, start: CycleStart, record: CycleRecord) -> Trace:
    """The trace block's contents: the newest TRACE_CAPACITY samples when there are more.

    Samples that the device's memory lost are NaN, or missing with their time.
    """
    first = max(record.heat_first, record.heat_last + 1 - TRACE_CAPACITY)
    picked = slice(first, record.heat_last + 1)
    offset = first - record.heat_first
    indices = np.arange(offset, offset + record.heat_last + 1 - first, dtype=np.float64)
    times_s = indices * settings.sample_period_s
    temperatures_c, pressures_kpa = record.sensed_c[picked], record.pressure_kpa[picked]
    faults, chances = start.faults, start.chances
    if FaultKind.TRACE_SENTINEL in faults:
        drawn = np.random.default_rng(chances.seed).uniform(size=times_s.size)
        lost = drawn < faults.strength(FaultKind.TRACE_SENTINEL, 0.0)
        temperatures_c = np.where(lost, np.nan, temperatures_c)
        pressures_kpa = np.where(lost, np.nan, pressures_kpa)
    hole_s = faults.strength(FaultKind.TRACE_HOLE, 0.0)
    lit_s = record.ignition.lit_s
    hole_to_s = (times_s[-1] if lit_s is None else lit_s) + 1.0 - HOLE_SPREAD_S * chances.hole
    kept = (times_s < hole_to_s - hole_s) | (times_s >= hole_to_s)
    return Trace(times_s[kept], temperatures_c[kept], pressures_kpa[kept])


def _heating_rate(settings: CupSettings, record: CycleRecord, heat_end: int) -> float:
    """Slope of the sensor over the last RATE_WINDOW_S of the heat phase, °C/min."""
    window = round(RATE_WINDOW_S / settings.sample_period_s)
    first = max(record.heat_first, heat_end - window)
    readings = record.sensed_c[first : heat_end + 1]
    if readings.size < 3:
        return math.nan
    times_s = np.arange(readings.size) * settings.sample_period_s
    centred = times_s - times_s.mean()
    return float(centred @ readings / (centred @ centred)) * 60.0
