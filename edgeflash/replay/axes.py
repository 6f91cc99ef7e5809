"""Scales for drawings: from values to places, with round ticks. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import ceil, floor, log10

import numpy as np

from edgeflash.model import Floats


@dataclass(frozen=True, slots=True)
class Scale:
    """An axis from low to high. share: where a value lies between them, 0 to 1."""

    low: float
    high: float

    def share(self, value: float) -> float:
        """Where the value lies: 0 at low, 1 at high."""
        return (value - self.low) / (self.high - self.low)

    def ticks(self, about: int) -> list[float]:
        """About so many round values on the axis, both ends included when they are round."""
        step = round_step((self.high - self.low) / max(about, 1))
        first, last = ceil(self.low / step - 1e-9), floor(self.high / step + 1e-9)
        return [n * step for n in range(first, last + 1)]


def scale_over(values: Iterable[Floats], least: float, room: float = 0.05) -> Scale:
    """The axis that holds all finite values, at least so wide.

    room: left free at both ends, as a share of the values' span.
    """
    known = np.concatenate([v[np.isfinite(v)] for v in values])
    low, high = (float(known.min()), float(known.max())) if len(known) else (0.0, least)
    free = max(room * (high - low), (least - (high - low)) / 2)
    return Scale(low - free, high + free)


def round_step(least: float) -> float:
    """The smallest of 1, 2 and 5 times a power of ten that is not below `least`."""
    power = 10.0 ** floor(log10(least))
    return next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= least * (1 - 1e-9))
