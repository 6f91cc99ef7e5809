"""The JSON Schema of what an MQTT outlet publishes, made from the declarations. Pure.

To refresh the file: `python -m edgeflash.outlets.mqtt_schema > docs/mqtt.schema.json`.

JSON Schema draft 2020-12. A schema of an earlier version accepts the documents of a later one,
which only adds members.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from typing import Any, TypeVar

from edgeflash.outlets.history_rows import HISTORIC
from edgeflash.outlets.mqtt_members import MOMENT, Member, or_null
from edgeflash.outlets.mqtt_now import STATE, STATE_POINTS, STATUS
from edgeflash.outlets.mqtt_records import EVENT, RESULT, RESULT_POINTS
from edgeflash.outlets.values import LARGEST_CODE, LARGEST_FLOAT32, LARGEST_INT, OutletUnits
from edgeflash.points import CATALOGUE, Point, PointType
from edgeflash.trust import Quality, Trust
from edgeflash.units import Quantity

DRAFT = "https://json-schema.org/draft/2020-12/schema"

EVERY_UNIT = tuple(
    OutletUnits(temperature, pressure)
    for temperature in ("degC", "degF")
    for pressure in ("kPa", "psi", "mbar")
)
"""All that a site may choose."""

_TYPES: dict[PointType, dict[str, Any]] = {
    PointType.FLOAT: {"type": "number", "minimum": -LARGEST_FLOAT32, "maximum": LARGEST_FLOAT32},
    PointType.INT: {"type": "integer", "minimum": 0, "maximum": LARGEST_INT},
    PointType.CODE: {"type": "integer", "minimum": 0, "maximum": LARGEST_CODE},
    PointType.FLAG: {"type": "boolean"},
    PointType.TIME: dict(MOMENT),
    PointType.TEXT: {"type": "string"},
}

Of = TypeVar("Of")


def json_schema(units: Sequence[OutletUnits] = EVERY_UNIT) -> dict[str, Any]:
    """One schema for every document; each says what it is in its member `schema`.

    units: of the outlets whose documents it is for.
    """
    return {
        "$schema": DRAFT,
        "$comment": "Made by python -m edgeflash.outlets.mqtt_schema; do not edit by hand.",
        "title": "edgeflash over MQTT",
        "description": "States, results, events and status as published in plain JSON.",
        "oneOf": [{"$ref": f"#/$defs/{name}"} for name in ("state", "result", "event", "status")],
        "$defs": {
            "state": _object("What is shown of an analyzer now; retained.", STATE),
            "result": _object("One judged cycle.", RESULT),
            "event": _object("One line of the event record.", EVENT),
            "status": _object("Whether the gateway is connected; retained.", STATUS),
            STATE_POINTS: _points(CATALOGUE, units),
            RESULT_POINTS: _points(HISTORIC, units),
            "value": _value(),
        },
    }


def schema_text(units: Sequence[OutletUnits] = EVERY_UNIT) -> str:
    """The schema as a file holds it."""
    return json.dumps(json_schema(units), ensure_ascii=False, indent=2) + "\n"


def _object(description: str, members: tuple[Member[Of], ...]) -> dict[str, Any]:
    return {
        "description": description,
        "type": "object",
        "properties": {m.name: {"description": m.description, **m.schema} for m in members},
        "required": [m.name for m in members],
    }


def _points(points: Sequence[Point], units: Sequence[OutletUnits]) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": {p.title: _point(p, units) for p in points},
        "required": [p.title for p in points],
    }


def _point(point: Point, units: Sequence[OutletUnits]) -> dict[str, Any]:
    """The schema of one point's value. What is common to all stands in `value`."""
    kind = dict(_TYPES[point.type])
    if point.texts:
        kind["maximum"] = len(point.texts) - 1
    more: dict[str, Any] = {"value": or_null(kind)}
    if point.quantity is not Quantity.NONE:
        labels = {unit.label: None for u in units if (unit := u.of(point)) is not None}
        more["unit"] = {"enum": list(labels)}
    if point.bits:
        names = {"enum": [bit.name for bit in point.bits]}
        more["bits"] = or_null({"type": "array", "items": names, "uniqueItems": True})
    elif point.texts or point.meanings:
        texts = point.texts or tuple(m.name for m in point.meanings)
        more["text"] = {"enum": [*texts, None]}
    return {
        "description": point.description,
        "allOf": [{"$ref": "#/$defs/value"}],
        "properties": more,
        "required": list(more),
    }


def _value() -> dict[str, Any]:
    """What every value has. There is a number exactly where the quality is not bad."""
    qualities = {
        trust: [q.value.opcua_name for q in Quality if q.trust is trust] for trust in Trust
    }
    return {
        "type": "object",
        "properties": {
            "quality": {"enum": [name for names in qualities.values() for name in names]},
            "trust": {"enum": [trust.value for trust in Trust]},
            "time": MOMENT,
        },
        "required": ["value", "quality", "trust", "time"],
        "oneOf": [
            {
                "properties": {
                    "trust": {"const": trust.value},
                    "quality": {"enum": names},
                    "value": {"type": "null"} if trust is Trust.BAD else {"not": {"type": "null"}},
                }
            }
            for trust, names in qualities.items()
        ],
    }


if __name__ == "__main__":
    sys.stdout.write(schema_text())
