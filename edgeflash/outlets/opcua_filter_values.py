"""Values and truth in an event filter: true, false, or null for what is not known. Pure.

Source: OPC 10000-4, 7.7.3 and the truth tables there (from memory). Numbers compare with numbers,
texts with texts (a LocalizedText by its text), times with times; without a common type nothing is
equal, greater or less.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from asyncua import ua

Truth = bool | None


def value_of(variant: ua.Variant | None) -> Any:
    """The value to compare; None for null."""
    value = None if variant is None else variant.Value
    if isinstance(value, ua.LocalizedText):
        return value.Text
    if isinstance(value, ua.StatusCode):
        return int(value.value)
    if isinstance(value, datetime) and value.tzinfo is None:
        return value.replace(tzinfo=UTC)
    return value


def truth_of(value: Any) -> Truth:
    """A Boolean as truth; everything else is null."""
    return value if isinstance(value, bool) else None


def both(*found: Truth) -> Truth:
    """AND: false when one is false, else null when one is null."""
    if any(one is False for one in found):
        return False
    return None if None in found else True


def either(*found: Truth) -> Truth:
    """OR: true when one is true, else null when one is null."""
    if any(one is True for one in found):
        return True
    return None if None in found else False


def equal(one: Any, other: Any) -> Truth:
    """Whether two values are equal; null when one is null, False without a common type."""
    if one is None or other is None:
        return None
    if not _comparable(one, other):
        return False
    return bool(one == other)


def ordered(one: Any, other: Any, holds: Callable[[int], bool]) -> Truth:
    """Whether the sign of one - other is as wanted; null when one is null."""
    if one is None or other is None:
        return None
    if isinstance(one, bool) or not _comparable(one, other):
        return False
    if not isinstance(one, int | float | str | datetime | bytes):
        return False
    if any(isinstance(value, float) and math.isnan(value) for value in (one, other)):
        return False
    return holds((one > other) - (one < other))


def _comparable(one: Any, other: Any) -> bool:
    """True for values of one kind. A bool is no number."""
    if isinstance(one, bool) or isinstance(other, bool):
        return isinstance(one, bool) and isinstance(other, bool)
    if isinstance(one, int | float):
        return isinstance(other, int | float)
    for kind in (str, datetime, bytes, ua.NodeId):
        if isinstance(one, kind):
            return isinstance(other, kind)
    return type(one) is type(other)
