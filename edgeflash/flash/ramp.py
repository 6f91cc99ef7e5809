"""The heating ramp: a robust line through the sample temperature just before an instant."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from edgeflash.model import Floats

MOST_POINTS = 160
"""Theil–Sen looks at every pair of points; this bounds the work on a finely sampled trace."""


@dataclass(frozen=True, slots=True)
class Ramp:
    """temperature(t) = at_c + slope · (t − at_s) near at_s.

    at_sd_c, slope_sd_c_per_s: one standard deviation of each. spread_c: robust standard deviation
    of the samples about the line.
    """

    at_s: float
    at_c: float
    slope_c_per_s: float
    at_sd_c: float
    slope_sd_c_per_s: float
    spread_c: float

    @property
    def rate_c_per_min(self) -> float:
        """Heating rate, °C/min."""
        return 60.0 * self.slope_c_per_s


def fit_ramp(time_s: Floats, temperature_c: Floats, at_s: float, window_s: float) -> Ramp | None:
    """The ramp at at_s from the samples of the window before it; None with fewer than 4.

    Slope: median of the slopes of all pairs (Theil 1950, Sen 1968), which a minority of wrong
    samples cannot move. Level: median of the residuals. Standard deviations from the residuals'
    median absolute deviation, as for least squares of the same design.
    """
    last = int(np.searchsorted(time_s, at_s, side="left"))
    first = int(np.searchsorted(time_s, at_s - window_s, side="left"))
    t, c = time_s[first:last] - at_s, temperature_c[first:last]
    if len(t) > MOST_POINTS:
        step = -(-len(t) // MOST_POINTS)
        t, c = t[::-step][::-1], c[::-step][::-1]
    count = len(t)
    if count < 4:
        return None
    i, j = _pairs(count)
    slope = float(np.median((c.take(j) - c.take(i)) / (t.take(j) - t.take(i))))
    residual = c - slope * t
    level = float(np.median(residual))
    spread = 1.4826 * float(np.median(np.abs(residual - level)))
    mean_t = float(t.mean())
    squares = float(((t - mean_t) ** 2).sum())
    slope_sd = spread / squares**0.5
    at_sd = spread * (1 / count + mean_t**2 / squares) ** 0.5
    return Ramp(at_s, level, slope, at_sd, slope_sd, spread)


@lru_cache(maxsize=MOST_POINTS)
def _pairs(count: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Indices of every pair of points, first and second; the same for every ramp of a length."""
    first, second = np.triu_indices(count, k=1)
    return first, second
