"""Finds the ignition in a trace: a pressure rise that leaves the noise and decays like a flash.

The trace holds instant samples. A flash rises within one sample interval and decays over several
hundred milliseconds, so it shows as one high sample followed by lower ones that still stand above
the noise. The pickup of a spark lasts less than 2 ms: it touches one sample and the next one is
back at the baseline (rise, decay and pickup times: common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log

import numpy as np

from edgeflash.flash.finite import finite_samples
from edgeflash.model import Floats, Trace

BASELINE_SAMPLES = 21
"""Odd, so that the median is the middle sample."""

LEAST_SAMPLES = 8
NOISE_FLOOR_KPA = 0.01
"""Keeps a noiseless (quantised) record from making every step an ignition."""


@dataclass(frozen=True, slots=True)
class DetectionLimits:
    """When a rise counts as an ignition.

    noise_factor: times the baseline noise. least_rise_kpa: and at least this. refractory_s: a
    second rise counts as another ignition only after this time. second_fraction: and only if it
    is at least so high, as a share of the first; a valve's stroke is less. judge_decay_up_to_s:
    when the next sample comes later than this a flash may be gone by then, so decay cannot be
    judged.
    """

    noise_factor: float = 6.0
    least_rise_kpa: float = 3.0
    refractory_s: float = 1.0
    second_fraction: float = 0.2
    judge_decay_up_to_s: float = 0.3


@dataclass(frozen=True, slots=True)
class Ignition:
    """One ignition. onset_s and onset_sd_s: its time in the trace and one standard deviation.

    peak_kpa: highest sample above the baseline (the true peak lies between samples and is higher).
    """

    onset_s: float
    onset_sd_s: float
    peak_kpa: float


@dataclass(frozen=True, slots=True)
class Baseline:
    """The transducer between ignitions: median and noise (one standard deviation), kPa."""

    level_kpa: float
    noise_kpa: float


def moving_baseline(pressure_kpa: Floats) -> Floats:
    """Median of the samples just before each sample; shape as given.

    The first samples, and those of a short record, have no such past and take the lower quartile
    of the whole record: an ignition only ever raises the pressure, and in a record that begins
    with one it is no small minority.
    """
    count = len(pressure_kpa)
    level = np.full(count, float(np.quantile(pressure_kpa, 0.25)))
    if count > 2 * BASELINE_SAMPLES:
        windows = np.lib.stride_tricks.sliding_window_view(pressure_kpa, BASELINE_SAMPLES)
        middle = BASELINE_SAMPLES // 2
        # As np.median of an odd number of finite samples, in a fifth of its time.
        level[BASELINE_SAMPLES:] = np.partition(windows[:-1], middle, axis=1)[:, middle]
    return level


def find_ignitions(
    trace: Trace, limits: DetectionLimits, true_peak_kpa: float | None = None
) -> tuple[Baseline | None, tuple[Ignition, ...]]:
    """The baseline and every ignition, in order of time.

    true_peak_kpa: height of the ignition by the analyzer's own peak detector; places the onset of
    the first ignition within the sample interval by extrapolating the decay back to it.
    Samples that are no numbers are left out; fewer than LEAST_SAMPLES others give (None, ()).
    """
    time, pressure = finite_samples(trace.time_s, trace.pressure_kpa)
    if len(time) < LEAST_SAMPLES:
        return None, ()
    level = moving_baseline(pressure)
    rise = pressure - level
    below = -rise[rise <= 0.0]  # ignitions stand above the baseline, so this side is noise alone
    spread = 1.4826 * float(np.median(below)) if len(below) else 0.0
    noise = max(spread, NOISE_FLOOR_KPA)
    least = max(limits.least_rise_kpa, limits.noise_factor * noise)

    found: list[Ignition] = []
    first, ready_at = len(time), -np.inf
    for k in np.flatnonzero(rise > least):
        if time[k] < ready_at:
            continue
        if found and not _is_fresh(time, pressure, int(k), least, limits):
            continue
        next_s = float(time[k + 1] - time[k]) if k + 1 < len(time) else np.inf
        if next_s <= limits.judge_decay_up_to_s and not _decays(pressure, level, int(k), noise):
            continue
        stop = int(np.searchsorted(time, time[k] + limits.refractory_s, side="right"))
        own = pressure[k:stop] - level[k]
        peak = float(own.max())
        if found and peak < limits.second_fraction * found[0].peak_kpa:
            continue
        known = None if found else true_peak_kpa
        onset, onset_sd = _onset(time, own, int(k), noise, known)
        first = min(first, int(k))
        found.append(Ignition(onset, onset_sd, peak))
        ready_at = float(time[k]) + limits.refractory_s
    before = pressure[:first] if first >= 3 else pressure
    return Baseline(float(np.median(before)), noise), tuple(found)


def _is_fresh(
    time: Floats, pressure: Floats, k: int, least_kpa: float, limits: DetectionLimits
) -> bool:
    """True when the pressure has risen anew, against what it was within half the refractory time.

    What is left of the ignition before only falls, and a step that stays does not rise again.
    """
    since = int(np.searchsorted(time, time[k] - limits.refractory_s / 2))
    return bool(pressure[k] - pressure[min(since, k - 1) : k].min() > least_kpa)


def _decays(pressure: Floats, level: Floats, k: int, noise_kpa: float) -> bool:
    """True when the next sample still stands above the noise: not the pickup of a spark.

    Where no sample follows soon enough this cannot be asked; the rise is then taken as an
    ignition, since to miss one could hide a low flash point.
    """
    return bool(pressure[k + 1] - level[k] > 3.0 * noise_kpa)


def _onset(
    time_s: Floats, own_kpa: Floats, k: int, noise_kpa: float, true_peak_kpa: float | None
) -> tuple[float, float]:
    """Time of the onset and its standard deviation, seconds.

    The onset lies in (t[k-1], t[k]]. Without more it is the middle, uniform over the interval.
    With the true peak, the exponential decay seen in the samples is followed back to it.
    """
    if k == 0:
        return float(time_s[0]), 0.0
    last, first = float(time_s[k - 1]), float(time_s[k])
    width = first - last
    middle, uniform_sd = last + width / 2, width / 12**0.5
    if true_peak_kpa is None or len(own_kpa) < 2:
        return middle, uniform_sd
    high, low = float(own_kpa[0]), float(own_kpa[1])
    if not (low > 5 * noise_kpa and high > 1.2 * low and true_peak_kpa >= high):
        return middle, uniform_sd
    decay_s = (float(time_s[k + 1]) - first) / log(high / low)
    onset = first - decay_s * log(true_peak_kpa / high)
    relative = noise_kpa * (1 / high**2 + 1 / low**2) ** 0.5
    onset_sd = min(uniform_sd, decay_s * relative + 0.1 * width)
    return min(max(onset, last), first), onset_sd
