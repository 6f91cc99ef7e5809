"""The gateway's own computation on one cycle, from its trace and its reported figures. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from edgeflash.config.site import Analyzer, Basis, Correction
from edgeflash.flash.barometer import correction_c
from edgeflash.flash.ignition import DetectionLimits, Ignition, find_ignitions
from edgeflash.flash.ramp import Ramp, fit_ramp
from edgeflash.model import Computed, Cycle, Role, Trace

RAMP_WINDOW_S = 20.0
"""Long enough to average sensor noise, short enough that a lab-like ramp is straight in it."""

LEAST_RAMP_S = 5.0
"""Less heating than this before the ignition is a start-up transient, not yet a ramp."""

LAG_UNCERTAINTY_FRACTION = 0.1
"""How well a stated sensor lag is known, one standard deviation (common practice, no source)."""

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
        barometer_kpa=_barometer_kpa(cycle, analyzer),
        start_temperature_c=cycle.number_value(Role.START_TEMPERATURE),
    )
    if cycle.trace is not None and not cycle.torn:
        computed = _from_trace(computed, cycle.trace, cycle, analyzer)
    # The record of a trace ends soon after the flash; the result comes after the purge.
    later = [t for t in (computed.time_after_ignition_s, cycle.after_heating_s) if t is not None]
    computed = replace(computed, time_after_ignition_s=max(later, default=None))
    return _corrected(computed, analyzer)


def _barometer_kpa(cycle: Cycle, analyzer: Analyzer) -> float | None:
    """The mean over the cycle; a body alone shows what the barometer reads when it is over."""
    span = cycle.spans.get(Role.BAROMETRIC_PRESSURE)
    read = span.mean if span is not None else cycle.number_value(Role.BAROMETRIC_PRESSURE)
    return read if read is not None else analyzer.barometer_kpa


def _from_trace(computed: Computed, trace: Trace, cycle: Cycle, analyzer: Analyzer) -> Computed:
    peak_height = cycle.number_value(Role.PEAK_PRESSURE)
    baseline, ignitions = find_ignitions(trace, LIMITS, peak_height)
    if baseline is None:
        return computed
    first = ignitions[0] if ignitions else None
    computed = replace(
        computed,
        baseline_kpa=baseline.level_kpa,
        noise_kpa=baseline.noise_kpa,
        sample_interval_s=float(np.median(np.diff(trace.time_s))),
        ignition_count=_ignition_count(trace, ignitions),
        start_temperature_c=(
            float(np.median(trace.temperature_c[:5]))
            if computed.start_temperature_c is None
            else computed.start_temperature_c
        ),
    )
    at_s = first.onset_s if first else float(trace.time_s[-1])
    ramp = None
    # A coarse record without an ignition may end anywhere, in the cooling too.
    if computed.ignition_count is not None and at_s - float(trace.time_s[0]) >= LEAST_RAMP_S:
        ramp = fit_ramp(trace.time_s, trace.temperature_c, at_s, RAMP_WINDOW_S)
    if ramp is not None:
        interval = analyzer.spark_interval_s
        computed = replace(
            computed,
            heating_rate_c_per_min=ramp.rate_c_per_min,
            resolution_c=None if interval is None else abs(ramp.slope_c_per_s) * interval,
        )
    if first is None:
        return computed
    flash = _flash_temperature(trace, first, ramp, analyzer.sensor_lag_s)
    return replace(
        computed,
        ignition_time_s=first.onset_s,
        time_after_ignition_s=float(trace.time_s[-1]) - first.onset_s,
        peak_kpa=_peak_kpa(first, peak_height),
        ignition_seen_c=flash.seen_c,
        recomputed_c=flash.recomputed_c,
        uncertainty_c=flash.uncertainty_c,
    )


def _ignition_count(trace: Trace, ignitions: tuple[Ignition, ...]) -> int | None:
    """How many ignitions; None when the sampling is too coarse to say that there was none."""
    interval_s = float(np.median(np.diff(trace.time_s)))
    coarse = interval_s > LIMITS.judge_decay_up_to_s
    return None if coarse and not ignitions else len(ignitions)


def _peak_kpa(first: Ignition, peak_height_kpa: float | None) -> float:
    """Height of the ignition: the analyzer's peak detector sees what lies between our samples."""
    return first.peak_kpa if peak_height_kpa is None else max(first.peak_kpa, peak_height_kpa)


def _flash_temperature(
    trace: Trace, first: Ignition, ramp: Ramp | None, lag_s: float
) -> _FlashTemperature:
    """The sample's own temperature at the onset.

    A first-order sensor reads s with T = s + lag · ds/dt, so while heating it reads low by
    lag × rate. Where the ignition comes before there is a ramp, the reading is interpolated and
    what the sensor shows afterwards stands in the uncertainty instead.
    """
    if ramp is None:
        seen = float(np.interp(first.onset_s, trace.time_s, trace.temperature_c))
        ahead = trace.temperature_c[first.index :]
        unknown = float(np.ptp(ahead)) if len(ahead) else 0.0
        return _FlashTemperature(seen, seen, max(0.5, unknown))
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
