"""What real cycles did against their plan. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from edgeflash.flash.plan import CyclePlan

MIDDLE_PART = (0.05, 0.95)
"""The range shown: what nine of ten cycles did."""


@dataclass(frozen=True, slots=True)
class Kept:
    """One figure of the plan, and what `count` cycles did: median, and where nine of ten lay."""

    name: str
    unit: str
    plan: float
    median: float
    low: float
    high: float
    count: int

    @property
    def off(self) -> float:
        """Median minus plan, in `unit`."""
        return self.median - self.plan


COLUMNS: Mapping[str, tuple[str, str]] = {
    "duration_s": ("cycle time", "s"),
    "start_temperature_c": ("start", "°C"),
    "heating_rate_c_per_min": ("heating rate", "°C/min"),
    "resolution_c": ("step between sparks", "°C"),
    "ignition_seen_c": ("ignition, as the sensor showed it", "°C"),
    "uncertainty_c": ("recomputed temperature, one standard deviation", "°C"),
}
"""Columns of `results` that tell of the plan, with what they are called here."""


def planned(plan: CyclePlan) -> Mapping[str, float]:
    """The plan's own figures, by column."""
    parts = {c.name: c.sd_c for c in plan.contributions()}
    of_trace = [sd for name, sd in parts.items() if name.startswith("sensor")]
    return {
        "duration_s": plan.cycle_s,
        "start_temperature_c": plan.start_c,
        "heating_rate_c_per_min": plan.rate_c_per_min,
        "resolution_c": plan.resolution_c,
        "ignition_seen_c": plan.expected_c - plan.lag_c,
        "uncertainty_c": float(np.hypot.reduce(np.array(of_trace))),
    }


def kept(plan: CyclePlan, columns: Mapping[str, Sequence[float | None]]) -> tuple[Kept, ...]:
    """How cycles kept to the plan. columns: values by column name; None where there was none."""
    found = []
    for column, target in planned(plan).items():
        name, unit = COLUMNS[column]
        values = np.array([v for v in columns.get(column, ()) if v is not None], np.float64)
        values = values[np.isfinite(values)]
        if not len(values):
            continue
        low, median, high = np.quantile(values, (MIDDLE_PART[0], 0.5, MIDDLE_PART[1]))
        found.append(Kept(name, unit, target, float(median), float(low), float(high), len(values)))
    return tuple(found)
