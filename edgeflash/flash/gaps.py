"""Where a trace has no numbers, and where it has no samples."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgeflash.flash.finite import finite_samples
from edgeflash.model import Trace


@dataclass(frozen=True, slots=True)
class Gap:
    """A time without a sample. what: temperature or pressure; from_s, to_s: times in the trace."""

    what: str
    from_s: float
    to_s: float

    @property
    def length_s(self) -> float:
        """How long nothing was seen."""
        return self.to_s - self.from_s

    def holds(self, at_s: float) -> bool:
        """True when that time of the trace was not seen."""
        return self.from_s <= at_s <= self.to_s


def missing_fraction(trace: Trace) -> float:
    """The share of samples whose time, temperature or pressure is not a number; 1 for no sample."""
    if not len(trace):
        return 1.0
    lost = np.isnan(trace.time_s) | np.isnan(trace.temperature_c) | np.isnan(trace.pressure_kpa)
    return float(np.mean(lost))


def gaps_longer_than(trace: Trace, limit_s: float) -> tuple[Gap, ...]:
    """Every longer time without a number, of the pressure and of the temperature.

    The record goes from its first time to its last; numbers missing at its ends are gaps too.
    """
    known = trace.time_s[np.isfinite(trace.time_s)]
    ends = known[[0, -1]] if len(known) else known
    found: list[Gap] = []
    for what, values in (("pressure", trace.pressure_kpa), ("temperature", trace.temperature_c)):
        times = np.sort(np.concatenate((ends, finite_samples(trace.time_s, values)[0])))
        for k in np.flatnonzero(np.diff(times) > limit_s):
            found.append(Gap(what, float(times[k]), float(times[k + 1])))
    return tuple(found)
