"""Whether a role's value can be what the role says. Pure.

A wrong order of bytes or a wrong unit gives a number, not an error; only its size shows it. The
ranges are wide (common practice, no source): what lies outside is a mistake in the map or a dead
sensor, never a measurement.
"""

from __future__ import annotations

import math
from datetime import datetime, timedelta

from edgeflash.config.roles import KINDS
from edgeflash.config.site import Analyzer
from edgeflash.model import Role, Scalar
from edgeflash.units import INSIDE, Quantity

_RANGES: dict[Quantity, tuple[float, float]] = {
    Quantity.TEMPERATURE: (-60.0, 450.0),
    Quantity.PRESSURE: (-100.0, 2000.0),
    Quantity.FLOW: (-10.0, 10_000.0),
    Quantity.HEATING_RATE: (-100.0, 100.0),
}
_OF_ROLE: dict[Role, tuple[float, float]] = {
    Role.BAROMETRIC_PRESSURE: (50.0, 110.0),
    Role.TRANSDUCER_ZERO: (-50.0, 50.0),
    Role.SPARK_COUNT: (0.0, 100_000.0),
    Role.STREAM: (0.0, 65_535.0),
}
_MEASURES_THE_SAMPLE = frozenset({Role.FLASH_POINT, Role.IGNITION_TEMPERATURE})
_SLACK_C = 30.0
"""By how much a flash point may lie outside the analyzer's own range and still be believed here."""

_TINIEST = 1e-6
"""A float nearer to 0 than this is not a measurement but another order of bytes."""

_CLOCK_OFF = timedelta(days=400)


def implausible(role: Role, value: Scalar, analyzer: Analyzer, now: datetime) -> str | None:
    """Why this cannot be the role's value, or None. value: in inside units; None says nothing."""
    if isinstance(value, datetime):
        if abs(value - now) > _CLOCK_OFF:
            return f"{value:%Y-%m-%d %H:%M:%S} UTC is more than {_CLOCK_OFF.days} days off"
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    if not math.isfinite(value):
        return f"{value} is no number"
    if 0 < abs(value) < _TINIEST:
        return f"{value:g} is too close to 0"
    quantity = KINDS[role].quantity
    low, high = _OF_ROLE.get(role) or _RANGES.get(quantity, (-math.inf, math.inf))
    unit = INSIDE[quantity].label if quantity in INSIDE else ""
    if role in _MEASURES_THE_SAMPLE:
        low, high = analyzer.range_low_c - _SLACK_C, analyzer.range_high_c + _SLACK_C
    if not low <= value <= high:
        return f"{value:g} {unit}".rstrip() + f" is not within {low:g} to {high:g} {unit}".rstrip()
    return None
