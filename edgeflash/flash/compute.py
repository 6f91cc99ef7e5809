"""The gateway's own computation on one cycle, from its trace and its reported figures. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal
from zlib import crc32

import numpy as np

from edgeflash.config.site import Analyzer, Basis, Correction
from edgeflash.flash.barometer import correction_c
from edgeflash.flash.finite import finite_samples, sampling_interval_s
from edgeflash.flash.ignition import DetectionLimits, Ignition, find_ignitions
from edgeflash.flash.pulse import pulse_shape
from edgeflash.flash.ramp import Ramp, fit_ramp
from edgeflash.flash.steadiness import largest_jump_c, longest_still_s
from edgeflash.model import Computed, Cycle, Floats, Role, Trace

RAMP_WINDOW_S = 20.0
"""Long enough to average sensor noise, short enough that a lab-like ramp is straight in it."""

LEAST_RAMP_S = 5.0
"""Less heating than this before the ignition is a start-up transient, not yet a ramp."""

LAG_UNCERTAINTY_FRACTION = 0.1
"""How well a stated sensor lag is known, one standard deviation (common practice, no source)."""

LEAST_SD_WITHOUT_RAMP_C = 0.5
"""An interpolated reading is not better known than this (common practice, no source)."""

LIMITS = DetectionLimits()


@dataclass(frozen=True, slots=True)
class _FlashTemperature:
    recomputed_c: float
    seen_c: float
    uncertainty_c: float


def compute(cycle: Cycle, analyzer: Analyzer) -> Computed:
    """Everything the rules and the outlets need to know of a cycle beyond what was read."""
    computed = Computed(
        reported_c=cycle.number_value(Role.FLASH_POINT),
        barometer_kpa=barometer_or_usual_kpa(cycle, analyzer),
        start_temperature_c=cycle.number_value(Role.START_TEMPERATURE),
    )
    if cycle.trace is not None and not cycle.torn:
        computed = replace(computed, trace_digest=trace_digest(cycle.trace))
        computed = _from_trace(computed, cycle.trace, cycle, analyzer)
    shape = None if cycle.pulse is None or cycle.torn else pulse_shape(cycle.pulse)
    if shape is not None:
        computed = replace(computed, rise_s=shape.rise_s, decay_s=shape.decay_s)
    # The record of a trace ends soon after the flash; the result comes after the purge.
    later = [t for t in (computed.time_after_ignition_s, cycle.after_heating_s) if t is not None]
    computed = replace(computed, time_after_ignition_s=max(later, default=None))
    return _corrected(computed, analyzer)


def barometer_or_usual_kpa(cycle: Cycle, analyzer: Analyzer) -> float | None:
    """What the barometer read; without a reading, what is usual at the site."""
    read = barometer_read_kpa(cycle)
    return read if read is not None else analyzer.barometer_kpa


def barometer_read_kpa(cycle: Cycle) -> float | None:
    """The mean over the cycle; a body alone shows what the barometer reads when it is over."""
    span = cycle.spans.get(Role.BAROMETRIC_PRESSURE)
    return span.mean if span is not None else cycle.number_value(Role.BAROMETRIC_PRESSURE)


def trace_digest(trace: Trace) -> int:
    """CRC-32 of the trace's times, temperatures and pressures: two equal traces have one digest."""
    digest = 0
    for values in (trace.time_s, trace.temperature_c, trace.pressure_kpa):
        digest = crc32(values.tobytes(), digest)
    return digest


def _from_trace(computed: Computed, trace: Trace, cycle: Cycle, analyzer: Analyzer) -> Computed:
    peak_height = cycle.number_value(Role.PEAK_PRESSURE)
    baseline, ignitions = find_ignitions(trace, LIMITS, peak_height)
    interval_s = sampling_interval_s(trace.time_s)
    if baseline is None or interval_s is None:
        return computed
    time_s, temperature_c = finite_samples(trace.time_s, trace.temperature_c)
    first = ignitions[0] if ignitions else None
    computed = replace(
        computed,
        baseline_kpa=baseline.level_kpa,
        noise_kpa=baseline.noise_kpa,
        sample_interval_s=interval_s,
        ignition_count=_ignition_count(interval_s, ignitions),
        start_temperature_c=(
            float(np.median(temperature_c[:5]))
            if computed.start_temperature_c is None and len(temperature_c)
            else computed.start_temperature_c
        ),
    )
    begin_s, end_s = _ends_s(trace)
    ramp = None
    # A coarse record without an ignition may end anywhere, in the cooling too.
    if computed.ignition_count is not None:
        at_s = first.onset_s if first else end_s
        if at_s - begin_s >= LEAST_RAMP_S:
            ramp = fit_ramp(time_s, temperature_c, at_s, RAMP_WINDOW_S)
        before = time_s <= at_s
        computed = replace(
            computed,
            longest_still_s=longest_still_s(time_s[before], temperature_c[before]),
            largest_jump_c=largest_jump_c(time_s[before], temperature_c[before]),
        )
    if ramp is not None:
        spark_s = analyzer.spark_interval_s
        computed = replace(
            computed,
            heating_rate_c_per_min=ramp.rate_c_per_min,
            unsteadiness_c=ramp.spread_c,
            resolution_c=None if spark_s is None else abs(ramp.slope_c_per_s) * spark_s,
        )
    if first is None:
        return computed
    computed = replace(
        computed,
        ignition_time_s=first.onset_s,
        time_after_ignition_s=end_s - first.onset_s,
        peak_kpa=_peak_kpa(first, peak_height),
    )
    flash = _flash_temperature(time_s, temperature_c, first, ramp, analyzer.sensor_lag_s)
    if flash is None:
        return computed
    return replace(
        computed,
        ignition_seen_c=flash.seen_c,
        recomputed_c=flash.recomputed_c,
        uncertainty_c=flash.uncertainty_c,
    )


def _ends_s(trace: Trace) -> tuple[float, float]:
    """The first and the last time of the record that is a number."""
    known = trace.time_s[np.isfinite(trace.time_s)]
    return float(known[0]), float(known[-1])


def _ignition_count(interval_s: float, ignitions: tuple[Ignition, ...]) -> int | None:
    """How many ignitions; None when the sampling is too coarse to say that there was none."""
    coarse = interval_s > LIMITS.judge_decay_up_to_s
    return None if coarse and not ignitions else len(ignitions)


def _peak_kpa(first: Ignition, peak_height_kpa: float | None) -> float:
    """Height of the ignition: the analyzer's peak detector sees what lies between our samples."""
    return first.peak_kpa if peak_height_kpa is None else max(first.peak_kpa, peak_height_kpa)


def _flash_temperature(
    time_s: Floats, temperature_c: Floats, first: Ignition, ramp: Ramp | None, lag_s: float
) -> _FlashTemperature | None:
    """The sample's own temperature at the onset; None when no temperature is a number.

    A first-order sensor reads s with T = s + lag · ds/dt, so while heating it reads low by
    lag × rate. Where the ignition comes before there is a ramp, the reading is interpolated and
    what the sensor shows afterwards stands in the uncertainty instead.
    """
    if ramp is None:
        if not len(time_s):
            return None
        seen = float(np.interp(first.onset_s, time_s, temperature_c))
        ahead = temperature_c[time_s >= first.onset_s]
        unknown = float(np.ptp(ahead)) if len(ahead) else 0.0
        return _FlashTemperature(seen, seen, max(LEAST_SD_WITHOUT_RAMP_C, unknown))
    lag_c = lag_s * ramp.slope_c_per_s
    parts = (
        ramp.at_sd_c,
        ramp.slope_c_per_s * first.onset_sd_s,
        lag_s * ramp.slope_sd_c_per_s,
        LAG_UNCERTAINTY_FRACTION * lag_c,
    )
    return _FlashTemperature(ramp.at_c + lag_c, ramp.at_c, float(np.hypot.reduce(np.array(parts))))


def _corrected(computed: Computed, analyzer: Analyzer) -> Computed:
    """Chooses the basis and corrects it to standard pressure, once.

    The analyzer's own figure is not corrected again where the analyzer already does it. Without
    a usable barometer reading a correction that is due cannot be made: corrected_c stays None.
    """
    ours: Literal["recomputed", "reported"] = "reported"
    value = computed.reported_c
    if analyzer.basis is Basis.RECOMPUTED and computed.recomputed_c is not None:
        ours, value = "recomputed", computed.recomputed_c
    due = correction_due_c(computed.barometer_kpa, analyzer.correction)
    added = 0.0 if ours == "reported" and analyzer.analyzer_corrects_barometer else due
    return replace(
        computed,
        basis=ours if value is not None else None,
        correction_c=added,
        corrected_c=None if value is None or added is None else value + added,
    )


def ignition_temperature_c(cycle: Cycle, computed: Computed) -> float | None:
    """The best there is of where the sample lit, not corrected for pressure; None for nothing."""
    for known in (computed.recomputed_c, computed.reported_c):
        if known is not None:
            return known
    return cycle.number_value(Role.IGNITION_TEMPERATURE)


def correction_due_c(barometer_kpa: float | None, form: Correction) -> float | None:
    """The correction to standard pressure; None where one is due but there is no barometer."""
    if form is Correction.NONE:
        return 0.0
    if barometer_kpa is None or not barometer_kpa > 0:
        return None
    return correction_c(barometer_kpa, form)


def without_lift_c(reported_c: float, cycle: Cycle, analyzer: Analyzer) -> float:
    """A reported flash point without what the analyzer's own barometer may have added to it.

    For a barometer that is not believed. What it has taken off is not given back: a wrong
    barometer must make no value look higher. Unchanged where the analyzer does not correct, or
    shows no pressure.
    """
    if not analyzer.analyzer_corrects_barometer:
        return reported_c
    # The forms agree within 0.03 °C for each 10 kPa, so any will do for one that is not stated.
    is_stated = analyzer.correction is not Correction.NONE
    form = analyzer.correction if is_stated else Correction.CELSIUS_KPA
    lift_c = correction_due_c(barometer_read_kpa(cycle), form) or 0.0
    return reported_c - max(0.0, lift_c)
