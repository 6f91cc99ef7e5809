"""Whether a value read back holds what its class declares. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from datetime import datetime
from functools import cache
from types import NoneType, UnionType
from typing import Any, TypeVar, get_args, get_origin, get_type_hints

_T = TypeVar("_T")

_SHOWN_CHARACTERS = 60


def as_declared(item: _T) -> _T:
    """The dataclass, when each field holds a value of its declared type.

    Whole and other numbers stand for each other; a time needs its zone. Raises ValueError with the
    field.
    """
    kind: Any = type(item)
    for name, hint, plain in _declared(kind):
        value = getattr(item, name)
        if type(value) not in plain and not _is_of(value, hint):
            raise ValueError(f"{name} cannot be {repr(value)[:_SHOWN_CHARACTERS]}")
    return item


@cache
def _declared(kind: Any) -> list[tuple[str, Any, frozenset[type]]]:
    """Of each field its name and type, and the plain types that need no closer look."""
    hints = get_type_hints(kind)
    return [(f.name, hints[f.name], _plain(hints[f.name])) for f in fields(kind)]


def _plain(hint: Any) -> frozenset[type]:
    if isinstance(hint, UnionType):
        return frozenset[type]().union(*(_plain(one) for one in get_args(hint)))
    if hint is float or hint is int:
        return frozenset({int, float})
    return frozenset({hint}) & {bool, str, NoneType}


def _is_of(value: object, hint: Any) -> bool:
    if isinstance(hint, UnionType):
        return any(_is_of(value, one) for one in get_args(hint))
    origin = get_origin(hint)
    if origin is tuple:
        return isinstance(value, tuple) and all(_is_of(one, get_args(hint)[0]) for one in value)
    if origin is not None:
        return isinstance(value, Mapping) and all(
            _is_of(one, get_args(hint)[1]) for one in value.values()
        )
    if hint is float or hint is int:
        return isinstance(value, int | float) and not isinstance(value, bool)
    if hint is datetime:
        return isinstance(value, datetime) and value.tzinfo is not None
    return isinstance(value, hint)
