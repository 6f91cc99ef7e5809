"""From what an OPC UA server says of a node to the value of a role, or why there is none. Pure.

Status codes: OPC UA Part 4, 7.39 and Part 6, annex A (from memory): the two highest bits are the
severity, 0 good, 1 uncertain, 2 bad. A good value that a person has put in by hand
(GoodLocalOverride) is no measurement, so it is told like an uncertain one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TypeAlias

import numpy as np

from edgeflash.config.node_map import NodePlace
from edgeflash.config.roles import COUNTER, FAULTS, FLAG, KINDS, LABEL, PHASE, SIGN_OF_LIFE, TIME
from edgeflash.links.meaning import is_conceivable, meaning_of
from edgeflash.model import Role, Scalar
from edgeflash.units import UNITS

SEVERITY_SHIFT = 30
GOOD, UNCERTAIN = 0, 1
CODE_MASK = 0xFFFF0000
LOCAL_OVERRIDE = 0x00960000
TYPE_MISMATCH = "BadTypeMismatch"
MOST_ELEMENTS = 8192
"""Elements of an array that are looked at; the longest trace a map of registers can have."""

Decoded: TypeAlias = tuple[Scalar, str]
"""A value and what is to be told of it: empty when it is simply good, or simply not available."""


@dataclass(frozen=True, slots=True)
class NodeValue:
    """What a server says of one node. value: a plain Python value, a text for any kind of text.

    status: the 32-bit status code; name: its name in the standard. source_time: when the value
    was so, by its source's clock, aware; None when the server does not say.
    """

    value: object
    status: int = 0
    name: str = "Good"
    source_time: datetime | None = None

    @property
    def is_bad(self) -> bool:
        """True when the value must not be used."""
        return self.status >> SEVERITY_SHIFT > UNCERTAIN

    @property
    def told(self) -> str:
        """The status's name, empty for a simply good one."""
        is_override = self.status & CODE_MASK == LOCAL_OVERRIDE
        return self.name if self.status >> SEVERITY_SHIFT != GOOD or is_override else ""


class _MismatchError(ValueError):
    """The value is of a kind that the role cannot be; the caller knows the rest."""


def scalar_decoder(role: Role, place: NodePlace) -> Callable[[NodeValue], Decoded]:
    """The decoder of one role that is no array, with what depends on the map worked out before."""
    decode = _element_decoder(role, place)

    def decoded(given: NodeValue) -> Decoded:
        if given.is_bad:
            return None, given.told
        if place.source_time:
            return usable_time(given.source_time), given.told
        try:
            return decode(given.value), given.told
        except _MismatchError:
            return None, TYPE_MISMATCH

    return decoded


def array_decoder(
    role: Role, place: NodePlace
) -> Callable[[NodeValue, int | None], tuple[list[Scalar], str]]:
    """The decoder of one role that is an array. It takes how many elements are wanted."""
    decode = _element_decoder(role, place)
    is_plain = KINDS[role] is not TIME and place.unit is not None and place.unit in UNITS

    def decoded(given: NodeValue, elements: int | None) -> tuple[list[Scalar], str]:
        if given.is_bad or given.value is None:
            return [], given.told
        if not isinstance(given.value, Sequence) or isinstance(given.value, str | bytes):
            return [], TYPE_MISMATCH
        most = MOST_ELEMENTS if elements is None else min(elements, MOST_ELEMENTS)
        values = given.value[:most]
        if is_plain and {type(value) for value in values} <= {float, int}:
            return _numbers(place, values), given.told
        try:
            return [decode(value) for value in values], given.told
        except _MismatchError:
            return [], TYPE_MISMATCH

    return decoded


def _element_decoder(role: Role, place: NodePlace) -> Callable[[object], Scalar]:
    kind = KINDS[role]
    if kind is PHASE:
        phases = place.values or {}
        return lambda value: phases.get(_phase_key(value))
    if kind is FLAG:
        return _flag
    if kind is TIME:
        from_number = _number_decoder(role, place) if place.unit is not None else _no_number
        return lambda value: (
            usable_time(value) if isinstance(value, datetime) else from_number(value)
        )
    number = _number_decoder(role, place)
    if kind is SIGN_OF_LIFE:
        return lambda value: value if isinstance(value, bool) else number(value)
    if kind is LABEL:
        return lambda value: value if isinstance(value, str) else number(value)
    if kind in (COUNTER, FAULTS):
        return lambda value: number(_whole(value))
    return number


def _number_decoder(role: Role, place: NodePlace) -> Callable[[object], Scalar]:
    mean, sentinels = meaning_of(role, place), _sentinels(place)

    def number(value: object) -> Scalar:
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise _MismatchError
        if not math.isfinite(value) or (sentinels and float(value) in sentinels):
            return None
        return mean(value)

    return number


def _numbers(place: NodePlace, values: Sequence[object]) -> list[Scalar]:
    """Plain numbers in the inside unit, to the last bit as one by one."""
    unit, unavailable = UNITS[str(place.unit)], np.array(sorted(_sentinels(place)))
    # Products past the largest double end as "not available".
    with np.errstate(all="ignore"):
        raw = np.array(values, dtype=np.float64)
        good = np.isfinite(raw)
        if unavailable.size:
            good &= ~np.isin(raw, unavailable)
        inside = (raw * place.scale + place.offset) * unit.factor + unit.offset
        good &= np.isfinite(inside)
    decoded: list[Scalar] = inside.tolist()
    for missing in np.flatnonzero(~good):
        decoded[missing] = None
    return decoded


def _sentinels(place: NodePlace) -> frozenset[float]:
    """The values that mean "not available". A server's Float holds the nearest single of each."""
    found: set[float] = set()
    for written in place.unavailable:
        if not isinstance(written, str):
            with np.errstate(over="ignore"):
                found |= {float(written), float(np.float32(written))}
    return frozenset(found)


def _phase_key(value: object) -> str:
    """A number or a text as the map's table writes it. True is no number of a state."""
    if isinstance(value, bool) or not isinstance(value, int | float | str | None):
        raise _MismatchError
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() else ""
    return str(value)


def _flag(value: object) -> Scalar:
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, int) and value in (0, 1):
        return value == 1
    raise _MismatchError


def _whole(value: object) -> object:
    """A counter may come as a float; one with a fraction, or a set of bits below 0, is none."""
    if isinstance(value, float) and math.isfinite(value):
        if not value.is_integer():
            raise _MismatchError
        return int(value)
    return value


def _no_number(value: object) -> Scalar:
    if value is None:
        return None
    raise _MismatchError  # without a unit in the map, a number is no time


def usable_time(time: datetime | None) -> datetime | None:
    """An aware UTC time; None for what no analyzer's clock can show, as a clock never set."""
    if time is None:
        return None
    aware = time.replace(tzinfo=UTC) if time.tzinfo is None else time.astimezone(UTC)
    return aware if is_conceivable(aware) else None
