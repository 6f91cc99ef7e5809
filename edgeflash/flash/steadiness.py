"""How steadily the sensor climbed the ramp: did it stand still, jump, or change its pace?

All of it looks at finite samples before the ignition only.
"""

from __future__ import annotations

import numpy as np

from edgeflash.flash.ramp import fit_ramp
from edgeflash.model import Floats

BEGINNING_RISE_C = 1.0
"""The ramp has begun for sure this far above its lowest readings (common practice, no source)."""

LOWEST_SHARE = 0.05
"""The lowest readings: this share of the samples, so that one wrong sample is not the lowest."""

PARTS = 3
LEAST_PART_S = 5.0
"""A shorter part of the ramp than this gives no rate worth comparing."""


def longest_still_s(time_s: Floats, temperature_c: Floats) -> float | None:
    """The longest time during which the sensor showed one value, once the ramp had begun.

    What comes before is left out: a sample that is held at its start temperature may well show
    one value. A sensor that never rises has no beginning, and all of its record counts. None with
    fewer than two samples.
    """
    if len(time_s) < 2:
        return None
    first = _ramp_begin(temperature_c)
    time, value = time_s[first:], temperature_c[first:]
    starts = np.flatnonzero(np.concatenate(([True], np.diff(value) != 0.0)))
    ends = np.concatenate((starts[1:], [len(value)])) - 1
    return float((time[ends] - time[starts]).max())


def _ramp_begin(temperature_c: Floats) -> int:
    """Index of the first sample after which the sensor never comes near its lowest again."""
    low_c = float(np.quantile(temperature_c, LOWEST_SHARE))
    near = np.flatnonzero(temperature_c < low_c + BEGINNING_RISE_C)
    begin = int(near[-1]) + 1
    return 0 if begin >= len(temperature_c) - 1 else begin


def largest_jump_c(time_s: Floats, temperature_c: Floats) -> float | None:
    """The largest departure of a step between neighbouring samples from the ramp's own slope.

    The slope is the median of all steps, which a few jumps cannot move. None with fewer than
    three samples.
    """
    if len(time_s) < 3:
        return None
    step_s, step_c = np.diff(time_s), np.diff(temperature_c)
    slope = float(np.median(step_c / step_s))
    return float(np.abs(step_c - slope * step_s).max())


def resolution_c(temperature_c: Floats) -> float:
    """The sensor's finest step as the record shows it; 0 when it shows one value only."""
    steps = np.diff(np.unique(temperature_c))
    return float(steps.min()) if len(steps) else 0.0


def mean_rate_c_per_s(time_s: Floats, temperature_c: Floats) -> float:
    """The rise from the first sample to the last, over its time; 0 with fewer than two."""
    if len(time_s) < 2:
        return 0.0
    return float((temperature_c[-1] - temperature_c[0]) / (time_s[-1] - time_s[0]))


def rate_change(
    time_s: Floats, temperature_c: Floats, span_c: float, settle_s: float
) -> float | None:
    """By how much the heating rate changed within the last span_c, as a fraction of it.

    The last span_c before the ignition, without the first settle_s of the record, in which the
    heater starts, is cut into three parts of equal length. The result is the largest less the
    smallest of their rates, over the middle one. None where the parts would be too short to have
    a rate, or where there was no heating.
    """
    if len(time_s) < 2:
        return None
    reached = np.flatnonzero(temperature_c <= temperature_c[-1] - span_c)
    begin_s = float(time_s[reached[-1]]) if len(reached) else float(time_s[0])
    begin_s = max(begin_s, float(time_s[0]) + settle_s)
    part_s = (float(time_s[-1]) - begin_s) / PARTS
    if part_s < LEAST_PART_S:
        return None
    rates: list[float] = []
    for part in range(1, PARTS + 1):
        ramp = fit_ramp(time_s, temperature_c, begin_s + part * part_s, part_s)
        if ramp is None:
            return None
        rates.append(ramp.slope_c_per_s)
    middle = float(np.median(rates))
    return (max(rates) - min(rates)) / middle if middle > 0.0 else None
