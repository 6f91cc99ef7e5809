"""The samples of a trace that are numbers."""

from __future__ import annotations

import numpy as np

from edgeflash.model import Floats


def finite_samples(time_s: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Times and values of the samples at which both are numbers; the same arrays if all are."""
    kept = np.isfinite(time_s) & np.isfinite(values)
    if kept.all():
        return time_s, values
    return time_s[kept], values[kept]


def sampling_interval_s(time_s: Floats) -> float | None:
    """The usual time between two samples; None with fewer than two that have a time."""
    known = time_s[np.isfinite(time_s)]
    return float(np.median(np.diff(known))) if len(known) > 1 else None
