"""A dataclass of scalars as an object of its fields for JSON, and back, checked. Pure.

JSON has no times, tuples or NaN: those are tagged objects with one key.

Nearly every item of a class has values of the same types in the same fields. Which types came is
remembered: for those there is nothing to tag and nothing to look at again, and both ways are then
a few calls for a whole item.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from enum import Enum
from operator import attrgetter, itemgetter
from types import NoneType
from typing import Any, Generic, TypeVar

import numpy as np

from edgeflash.errors import StorageError
from edgeflash.journal.declared import as_declared, declarations_of
from edgeflash.model import Phase

T = TypeVar("T")

# Types of one item's values. A result's figures are there or not in a few ways only; what goes
# beyond is done the long way round.
_MOST_SHAPES = 256

_Shape = tuple[type, ...]
_PLAIN_TYPES = frozenset({NoneType, bool, int, str, float})

AS_IT_IS = _PLAIN_TYPES - {float}
"""Types of values that JSON has as they are; a float too, but for NaN and the infinities."""

_A_TIME = datetime(1970, 1, 1, tzinfo=UTC)


class UnstorableResultError(StorageError):
    """A result holds something the journal has no form for; a fault of whoever made it."""


class Fields(Generic[T]):
    """The way of one dataclass of several scalars into JSON and back. For any thread.

    names: of an enum field the members by their values.
    """

    def __init__(self, kind: Callable[..., T], **members: Mapping[str, Any]) -> None:
        self._kind = kind
        self._declared = declarations_of(kind)
        self._names = tuple(d.name for d in self._declared)
        self._members = [(self._names.index(name), by) for name, by in members.items()]
        self._of_item: Callable[[Any], tuple[Any, ...]] = attrgetter(*self._names)
        self._of_tree: Callable[[Any], tuple[Any, ...]] = itemgetter(*self._names)
        self._written: dict[_Shape, tuple[Callable[[Any], Any] | None, tuple[int, ...]]] = {}
        self._read: dict[_Shape, None] = {}

    def tree(self, item: T) -> dict[str, Any]:
        """The item as an object of its fields. Raises UnstorableResultError."""
        values = self._of_item(item)
        known = self._written.get(tuple(map(type, values)))
        if known is None:
            return self._tagged(values)
        reals, tagged = known
        # Of finite numbers only is the sum finite; where it overflows, each is looked at.
        if reals is not None and not math.isfinite(sum(reals(values))):
            return self._tagged(values)
        tree = dict(zip(self._names, values, strict=True))
        for place in tagged:
            tree[self._names[place]] = plain(values[place])
        return tree

    def item(self, tree: Mapping[str, Any]) -> T:
        """The item; a field that came later keeps its default, an unknown one is passed over.

        Raises ValueError, KeyError, TypeError or AttributeError for damage.
        """
        try:
            values = list(self._of_tree(tree))
        except KeyError:
            return self._checked({name: tree[name] for name in self._names if name in tree})
        for place, by_value in self._members:
            values[place] = by_value[values[place]]
        shape = tuple(map(type, values))
        if dict in shape:
            for place, kind in enumerate(shape):
                if kind is dict:
                    values[place] = value_of(values[place])
                    if type(values[place]) is datetime and values[place].tzinfo is None:
                        return self._checked(tree)
            shape = tuple(map(type, values))
        if shape not in self._read:
            as_declared(item := self._kind(*values))
            if len(self._read) < _MOST_SHAPES and self._needs_no_look(shape):
                self._read[shape] = None
            return item
        return self._kind(*values)

    def _tagged(self, values: tuple[Any, ...]) -> dict[str, Any]:
        tree = {name: plain(value) for name, value in zip(self._names, values, strict=True)}
        shape = tuple(map(type, values))
        if len(self._written) < _MOST_SHAPES and all(
            t in _PLAIN_TYPES or issubclass(t, Enum | datetime) for t in shape
        ):
            reals = [place for place, t in enumerate(shape) if t is float]
            tagged = tuple(place for place, t in enumerate(shape) if t not in _PLAIN_TYPES)
            # Twice the first: of one place alone an itemgetter gives no tuple.
            self._written[shape] = (itemgetter(*reals, reals[0]) if reals else None, tagged)
        return tree

    def _checked(self, tree: Mapping[str, Any]) -> T:
        values = {name: value_of(value) for name, value in tree.items() if name in self._names}
        for place, by_value in self._members:
            if (name := self._names[place]) in values:
                values[name] = by_value[values[name]]
        return as_declared(self._kind(**values))

    def _needs_no_look(self, shape: _Shape) -> bool:
        """A time has been found to have its zone by then."""
        return all(
            t in d.plain or (t is datetime and d.is_right(_A_TIME))
            for t, d in zip(shape, self._declared, strict=True)
        )


def plain(value: Any) -> Any:
    """A scalar in JSON's own types, tagged where JSON has none for it."""
    if type(value) is float:
        return value if math.isfinite(value) else {"float": repr(value)}
    if type(value) in AS_IT_IS:
        return value
    if isinstance(value, np.generic):
        value = value.item()
    match value:
        case None | bool():
            return value
        case Phase():
            return {"phase": value.value}
        case Enum():
            return value.value
        case int() | str():
            return value
        case float():
            return value if math.isfinite(value) else {"float": repr(value)}
        case datetime():
            if value.tzinfo is None:
                raise UnstorableResultError(f"the time {value.isoformat()} lacks its timezone")
            return {"time": value.astimezone(UTC).isoformat()}
        case tuple():
            return {"texts": [str(text) for text in value]}
    raise UnstorableResultError(f"a value of type {type(value).__name__} has no stored form")


def value_of(plain: Any) -> Any:
    """The scalar that `plain` was given."""
    if not isinstance(plain, dict):
        return plain
    match plain:
        case {"phase": str(name)}:
            return Phase(name)
        case {"float": str(text)}:
            return float(text)
        case {"time": str(text)}:
            return datetime.fromisoformat(text)
        case {"texts": list(texts)}:
            return tuple(texts)
    raise ValueError(f"unknown tag {sorted(plain)}")
