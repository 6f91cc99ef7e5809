"""What documents in plain JSON are made of: members, and values with their trust. Pure.

From a Member follow its place in the document, in the JSON Schema and on the page.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Generic, TypeVar

from edgeflash.outlets.values import OutletUnits, Shown
from edgeflash.points import Point, PointScalar

JSON_TYPE = "application/json"

Schema = Mapping[str, Any]
Of = TypeVar("Of")


@dataclass(frozen=True, slots=True)
class Member(Generic[Of]):
    """One member of a document. schema: of its value, in JSON Schema."""

    name: str
    description: str
    schema: Schema
    get: Callable[[Of], Any]


def const(value: str) -> Schema:
    """Exactly this text."""
    return {"const": value}


def or_null(schema: Schema) -> Schema:
    """That, or nothing."""
    return {"anyOf": [schema, {"type": "null"}]}


TEXT: Schema = {"type": "string"}
NAME: Schema = {"type": "string", "minLength": 1}
WHOLE: Schema = {"type": "integer"}
COUNT: Schema = {"type": "integer", "minimum": 0}
REAL: Schema = {"type": "number"}
FLAG: Schema = {"type": "boolean"}
MOMENT: Schema = {"type": "string", "format": "date-time"}


def document(members: tuple[Member[Of], ...], facts: Of) -> bytes:
    """The document as it is published: JSON in UTF-8, without NaN."""
    tree = {member.name: member.get(facts) for member in members}
    text = json.dumps(tree, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    # Half a surrogate pair, which a device's text may hold, has no UTF-8.
    return text.encode("utf-8", "replace")


def value_document(point: Point, value: Shown, units: OutletUnits) -> dict[str, Any]:
    """One value with what belongs to it: unit, quality, trust and time."""
    unit = units.of(point)
    told: dict[str, Any] = {
        "value": moment(value.value) if isinstance(value.value, datetime) else value.value,
        "quality": value.quality.value.opcua_name,
        "trust": value.quality.trust.value,
        "time": moment(value.source_time),
    }
    if unit is not None:
        told["unit"] = unit.label
    if point.bits:
        word = value.value
        told["bits"] = (
            [bit.name for bit in point.bits if word >> bit.place & 1]
            if isinstance(word, int)
            else None
        )
    elif point.texts or point.meanings:
        told["text"] = _text_of(point, value.value)
    return told


def moment(at: datetime) -> str:
    """A time as RFC 3339 wants it, in UTC to the microsecond."""
    return at.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def finite(number: float | None) -> float | None:
    """The number, or None where JSON has none for it."""
    return number if number is not None and math.isfinite(number) else None


def _text_of(point: Point, value: PointScalar) -> str | None:
    """What a code means; None without a value."""
    if not isinstance(value, int):
        return None
    if point.texts:
        return point.texts[value] if value < len(point.texts) else None
    return next((m.name for m in point.meanings if m.code == value), None)
