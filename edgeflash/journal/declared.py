"""Whether a value read back holds what its class declares. Pure."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import fields
from datetime import datetime
from functools import cache
from operator import attrgetter
from types import UnionType
from typing import Any, NamedTuple, TypeVar, get_args, get_origin, get_type_hints

_T = TypeVar("_T")

_SHOWN_CHARACTERS = 60


class Declaration(NamedTuple):
    """One field of a class.

    plain: types whose values are right without a closer look, those that were looked at among
    them. is_right: the closer look.
    """

    name: str
    plain: set[type]
    is_right: Callable[[Any], bool]


def as_declared(item: _T) -> _T:
    """The dataclass, when each field holds a value of its declared type.

    Whole and other numbers stand for each other; a time needs its zone. Raises ValueError with the
    field.
    """
    kind: Any = type(item)
    values, declarations = _taking(kind)
    for value, (name, plain, is_right) in zip(values(item), declarations, strict=True):
        if type(value) not in plain and not is_right(value):
            raise ValueError(f"{name} cannot be {repr(value)[:_SHOWN_CHARACTERS]}")
    return item


@cache
def declarations_of(kind: Any) -> tuple[Declaration, ...]:
    """The fields of a dataclass, in their order."""
    hints = get_type_hints(kind)
    return tuple(Declaration(f.name, *_looks(hints[f.name])) for f in fields(kind))


@cache
def _taking(kind: Any) -> tuple[Callable[[Any], tuple[Any, ...]], tuple[Declaration, ...]]:
    """What takes the values of all fields, of which there are several, and the fields."""
    declarations = declarations_of(kind)
    return attrgetter(*(d.name for d in declarations)), declarations


def _looks(hint: Any) -> tuple[set[type], Callable[[Any], bool]]:
    """The plain types of a declared one, and the closer look.

    A class is right or not whatever the value is, but for times, tuples and mappings: it is looked
    at once. There are as many as the program has classes.
    """
    choices = get_args(hint) if isinstance(hint, UnionType) else (hint,)
    classes, closer = set[type](), list[Callable[[Any], bool]]()
    for one in choices:
        origin = get_origin(one)
        if one is datetime:
            closer.append(_has_zone)
        elif origin is tuple:
            closer.append(_all_in(tuple, lambda value: value, get_args(one)[0]))
        elif origin is not None:
            closer.append(_all_in(Mapping, lambda value: value.values(), get_args(one)[1]))
        else:
            classes |= {int, float} if one is int or one is float else {one}
    plain = set(classes)
    if len(closer) == 1 and not classes:
        return plain, closer[0]

    def is_right(value: Any) -> bool:
        for look in closer:
            if look(value):
                return True
        kind = type(value)
        if not isinstance(value, tuple(classes)) or (kind is bool and bool not in classes):
            return False
        plain.add(kind)
        return True

    return plain, is_right


def _has_zone(value: Any) -> bool:
    return isinstance(value, datetime) and value.tzinfo is not None


def _all_in(
    container: type, values_of: Callable[[Any], Collection[Any]], hint: Any
) -> Callable[[Any], bool]:
    plain, is_right = _looks(hint)

    def look(value: Any) -> bool:
        if not isinstance(value, container):
            return False
        values = values_of(value)
        return plain.issuperset(map(type, values)) or all(
            type(one) in plain or is_right(one) for one in values
        )

    return look
