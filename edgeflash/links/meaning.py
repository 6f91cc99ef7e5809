"""From a raw number to what it says of a role, the same for every protocol. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from edgeflash.config.analyzer_map import Meaning
from edgeflash.model import Role, Scalar
from edgeflash.units import UNITS

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
FIRST_YEAR, LAST_YEAR = 1970, 2106  # what 32 bits of seconds can hold
EPOCH_TICKS_PER_S: dict[str, int] = {"epoch_s": 1, "epoch_ms": 1000}
"""The units of time stamps that count from 1970-01-01 00:00 UTC."""


def meaning_of(role: Role, place: Meaning) -> Callable[[int | float], Scalar]:
    """From a raw number to what it says: a phase, names of faults, a time, a quantity."""
    if role is Role.PHASE:
        phases = {str(value): phase for value, phase in (place.values or {}).items()}
        return lambda raw: phases.get(str(int(raw)))
    if role is Role.FAULT_BITS:
        names = [(bit, found.name) for bit, found in sorted((place.bits or {}).items())]
        return lambda raw: tuple(name for bit, name in names if int(raw) >> bit & 1)
    scale, offset = place.scale, place.offset
    plain = scale == 1.0 and offset == 0.0
    if place.unit in EPOCH_TICKS_PER_S:
        per_s = EPOCH_TICKS_PER_S[place.unit]
        return lambda raw: _time_since_epoch(raw if plain else raw * scale + offset, per_s)
    if place.unit is None and plain:
        return lambda raw: raw  # a plain integer stays an integer
    unit = None if place.unit is None else UNITS[place.unit]

    def in_inside_unit(raw: int | float) -> float | None:
        value = raw * scale + offset
        inside = value if unit is None else unit.to_inside(value)
        return inside if math.isfinite(inside) else None

    return in_inside_unit


def _time_since_epoch(ticks: int | float, per_s: int) -> datetime | None:
    """None for 0 and below (never set) and for times that no analyzer can mean."""
    if ticks <= 0:
        return None
    try:
        if isinstance(ticks, int):
            seconds, rest = divmod(ticks, per_s)
            time = EPOCH + timedelta(seconds=seconds, microseconds=rest * (1_000_000 // per_s))
        else:
            time = EPOCH + timedelta(seconds=ticks / per_s)
    except OverflowError:
        return None
    return time if is_conceivable(time) else None


def is_conceivable(time: datetime) -> bool:
    """True for times an analyzer's clock can show; others are sentinels or garbage."""
    return FIRST_YEAR <= time.year <= LAST_YEAR
