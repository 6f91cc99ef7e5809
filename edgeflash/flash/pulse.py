"""The shape of an ignition in the analyzer's fast capture of the cell pressure.

A flash rises in 2 to 50 ms and falls to a tenth in 20 to 500 ms; the pickup of a spark is gone in
2 ms; a valve or a blockage stays (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgeflash.flash.finite import finite_samples
from edgeflash.model import Floats, Pulse

LEAST_SAMPLES = 20
QUIET_SHARE = 0.05
"""A capture begins before the rise and ends after it, each by at least this share of it."""

LEAST_QUIET_SAMPLES = 5
LEAST_RISE_KPA = 3.0
NOISE_FACTOR = 6.0
"""What does not rise by both of these has no shape: they are those of the trace's ignition."""


@dataclass(frozen=True, slots=True)
class PulseShape:
    """The shape of one pulse. peak_kpa: above the baseline.

    rise_s: from 10 to 90 % of the peak; None when the capture begins inside the rise. width_s:
    above half of the peak; decay_s: from the peak to 10 % of it; None when the capture ends before.
    after_peak_s: from the peak to the end of the capture. left_fraction: what then still stands.
    """

    peak_kpa: float
    rise_s: float | None
    width_s: float | None
    decay_s: float | None
    after_peak_s: float
    left_fraction: float


def pulse_shape(pulse: Pulse) -> PulseShape | None:
    """The shape of the highest rise; None when nothing in the capture rises out of its noise."""
    count = np.arange(len(pulse), dtype=np.float64) * pulse.interval_s
    time, pressure = finite_samples(count, pulse.pressure_kpa)
    if len(pressure) < LEAST_SAMPLES or not pulse.interval_s > 0.0:
        return None
    quiet = max(LEAST_QUIET_SAMPLES, int(QUIET_SHARE * len(pressure)))
    before, after = pressure[:quiet], pressure[-quiet:]
    # Before the rise it is quiet, or, if the capture began late, after the decay.
    calm = before if np.median(before) <= np.median(after) else after
    level = float(np.median(calm))
    noise = 1.4826 * float(np.median(np.abs(calm - level)))
    above = pressure - level
    top = int(np.argmax(above))
    peak = float(above[top])
    if peak <= max(LEAST_RISE_KPA, NOISE_FACTOR * noise):
        return None
    half_up_s = _last_below(time, above, top, 0.5 * peak)
    half_down_s = _first_below(time, above, top, 0.5 * peak)
    tenth_down_s = _first_below(time, above, top, 0.1 * peak)
    return PulseShape(
        peak_kpa=peak,
        rise_s=_rise_s(time, above, top),
        width_s=None if half_up_s is None or half_down_s is None else half_down_s - half_up_s,
        decay_s=None if tenth_down_s is None else tenth_down_s - float(time[top]),
        after_peak_s=float(time[-1] - time[top]),
        left_fraction=(float(np.median(after)) - level) / peak,
    )


def _rise_s(time_s: Floats, above_kpa: Floats, top: int) -> float | None:
    """From the last sample below 10 % to where 90 % of the peak is first reached after it."""
    peak = float(above_kpa[top])
    tenth_s = _last_below(time_s, above_kpa, top, 0.1 * peak)
    if tenth_s is None:
        return None
    low = int(np.searchsorted(time_s, tenth_s, side="right"))
    high = low + int(np.argmax(above_kpa[low : top + 1] >= 0.9 * peak))
    return _crossing_s(time_s, above_kpa, high, 0.9 * peak) - tenth_s


def _last_below(time_s: Floats, above_kpa: Floats, top: int, level_kpa: float) -> float | None:
    """When the pressure last rose through the level before the peak."""
    below = np.flatnonzero(above_kpa[:top] < level_kpa)
    return _crossing_s(time_s, above_kpa, int(below[-1]) + 1, level_kpa) if len(below) else None


def _first_below(time_s: Floats, above_kpa: Floats, top: int, level_kpa: float) -> float | None:
    """When the pressure first fell through the level after the peak."""
    below = np.flatnonzero(above_kpa[top:] < level_kpa)
    return _crossing_s(time_s, above_kpa, top + int(below[0]), level_kpa) if len(below) else None


def _crossing_s(time_s: Floats, above_kpa: Floats, k: int, level_kpa: float) -> float:
    """Where the line between samples k−1 and k passes the level."""
    a, b = float(above_kpa[k - 1]), float(above_kpa[k])
    share = (level_kpa - a) / (b - a)
    return float(time_s[k - 1]) + share * float(time_s[k] - time_s[k - 1])
