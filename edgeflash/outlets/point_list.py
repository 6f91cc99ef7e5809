"""The controls engineer's point list as CSV, Markdown and JSON. Pure.

CSV is one flat table; Markdown and JSON carry the quality table as well.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from dataclasses import asdict

from edgeflash.config.site import Site
from edgeflash.outlets.input_rows import input_rows
from edgeflash.outlets.modbus_layout import ORDERS
from edgeflash.outlets.point_rows import (
    OutletPlace,
    PointRow,
    QualityRow,
    analyzer_rows,
    modbus_numbers,
    quality_rows,
)

__all__ = [
    "OutletPlace",
    "PointRow",
    "QualityRow",
    "as_csv",
    "as_json",
    "as_markdown",
    "quality_rows",
    "rows",
]


MODBUS_NOTES = """\
Functions 3 and 4 read the same registers, 1 and 2 the same bits; a flag's bit has its register's
address, and the bits of a word begin at the discrete input given for it. Every unit identifier is
answered, unless a unit is given. Only what has the direction "write" can be written, by functions 6
and 16; where a client may write nothing, both are refused (exception 01). Registers without a point
read 0; addresses of analyzers and inputs that are not configured are refused (exception 02).

Write an input's value alone, its quality alone, or both in one request; a value alone comes as
good. Half a value, the age and several inputs in one request are refused (exception 02).

Read a value and its quality in one request: one answer never mixes two instants. Without a value a
float is NaN, integers, codes, flags and times are all ones, text is empty, a flag's bit is 1, and a
word of bits shows each alarm as standing. A scaled int16 reads 8000 and an int32 80000000
hexadecimal when there is no value or it does not fit. Order says how the bytes A (highest) to D of
a 32-bit value are sent: abcd, cdab (registers reversed), badc (bytes of each register swapped),
dcba (both); times of 64 bits follow the same rule. Single registers and text have no order. Known
values to find the order with stand from 65000 on."""

OPCUA_NOTES = """\
A bad status carries no value. Some points have no time of their own (age, heartbeat, counts, link
state and the like): their source time is when the value last changed."""


def rows(site: Site) -> list[PointRow]:
    """Every point of every analyzer, then every input, in the order of the site file."""
    return [*analyzer_rows(site), *input_rows(site)]


def as_csv(table: Sequence[PointRow]) -> str:
    """One flat table with a header (RFC 4180). Each outlet has its own columns."""
    text = io.StringIO()
    records = [_flat(row) for row in table]
    writer = csv.DictWriter(text, fieldnames=list(records[0]) if records else [])
    writer.writeheader()
    writer.writerows(records)
    return text.getvalue()


def _flat(row: PointRow) -> dict[str, str | int | float | None]:
    record: dict[str, str | int | float | None] = {
        "analyzer": row.analyzer,
        "point": row.point,
        "description": row.description,
        "direction": row.direction,
        "type": row.type,
        "codes": "; ".join(row.codes),
    }
    if row.opcua is not None:
        record |= {
            "opcua_node_id": row.opcua_node_id,
            "opcua_path": row.opcua_path,
            "opcua_type": row.opcua_type,
            "opcua_data_type": row.opcua_data_type,
        }
        record |= _flat_place("opcua", row.opcua)
    if row.modbus:
        record |= {
            "modbus_type": row.modbus_type,
            "modbus_address": row.modbus_address,
            "registers": row.registers,
            "input_register": row.input_register,
            "holding_register": row.holding_register,
            "discrete_input": row.discrete_input,
        }
    for place, shown_at in enumerate(row.modbus, start=1):
        record |= _flat_place(f"modbus_{place}", shown_at)
        record[f"modbus_{place}_order"] = shown_at.order
        record |= _flat_addresses(f"modbus_{place}", shown_at)
    return record


def _flat_place(prefix: str, place: OutletPlace) -> dict[str, str | int | float | None]:
    return {
        f"{prefix}_unit": place.unit,
        f"{prefix}_direction": place.direction,
        f"{prefix}_low": place.low,
        f"{prefix}_high": place.high,
        f"{prefix}_instrument_low": place.instrument_low,
        f"{prefix}_instrument_high": place.instrument_high,
        f"{prefix}_alarm_limits": place.alarm_limits,
    }


def _flat_addresses(prefix: str, place: OutletPlace) -> dict[str, str | int | float | None]:
    """Where this one server has the point, also as an integer and in each order."""
    integer = place.integer
    return {
        f"{prefix}_unit_id": "any" if place.unit_id is None else place.unit_id,
        f"{prefix}_address": place.address,
        f"{prefix}_int16_address": integer.int16 if integer else None,
        f"{prefix}_int16_step": integer.step16 if integer and integer.int16 is not None else None,
        f"{prefix}_int32_address": integer.int32 if integer else None,
        f"{prefix}_int32_step": integer.step32 if integer and integer.int32 is not None else None,
        f"{prefix}_seconds_address": integer.seconds if integer else None,
        f"{prefix}_time_parts_address": integer.parts if integer else None,
        **{f"{prefix}_{order}_address": place.in_order.get(order) for order in ORDERS},
    }


def as_json(table: Sequence[PointRow]) -> str:
    """An object with `points` and `qualities`."""
    return json.dumps(
        {
            "points": [asdict(row) for row in table],
            "qualities": [asdict(row) for row in quality_rows()],
        },
        ensure_ascii=False,
        indent=2,
    )


def as_markdown(table: Sequence[PointRow]) -> str:
    """A table for each analyzer and outlet, then codes, qualities and what to know for reading."""
    parts = ["# Point list"]
    for analyzer in dict.fromkeys(row.analyzer for row in table):
        own = [row for row in table if row.analyzer == analyzer]
        parts.append(f"## {analyzer}")
        parts.append(_table(("Point", "Meaning"), [(f"`{r.point}`", r.description) for r in own]))
        if own[0].opcua is not None:
            parts += [f"### {own[0].opcua.outlet}", _opcua_table(own)]
        for place, outlet in enumerate(own[0].modbus):
            parts += [f"### {outlet.outlet}", _modbus_table(own, place)]
    coded = {row.point: row.codes for row in table if row.codes}
    if coded:
        parts.append("## Codes")
        parts.append(
            _table(("Point", "Codes"), [(f"`{p}`", ", ".join(c)) for p, c in coded.items()])
        )
    parts += ["## Quality", _quality_table()]
    if any(row.opcua is not None for row in table):
        parts += ["## Reading by OPC UA", OPCUA_NOTES]
    if any(row.modbus for row in table):
        parts += ["## Reading by Modbus", MODBUS_NOTES]
    return "\n\n".join(parts) + "\n"


def _opcua_table(own: Sequence[PointRow]) -> str:
    header = (
        *("Point", "Direction", "Node", "Path", "Type", "Value", "Unit", "Range"),
        *("Instrument range", "Alarm limits"),
    )
    return _table(
        header,
        [
            (
                f"`{r.point}`",
                r.opcua.direction,
                f"`{r.opcua_node_id}`",
                f"`{r.opcua_path}`",
                r.opcua_type,
                r.opcua_data_type,
                r.opcua.unit,
                _range(r.opcua.low, r.opcua.high),
                _range(r.opcua.instrument_low, r.opcua.instrument_high),
                r.opcua.alarm_limits,
            )
            for r in own
            if r.opcua is not None
        ],
    )


def _modbus_table(own: Sequence[PointRow], place: int) -> str:
    header = (
        *("Point", "Direction", "Unit identifier", "Address (from 0)", "Input register"),
        *("Holding register", "Discrete input", "Registers", "Type", "Order", "Unit", "Range"),
        *("Instrument range", "Alarm limits", "int16, int32: address × step"),
    )
    return _table(
        header,
        [
            (
                f"`{r.point}`",
                r.modbus[place].direction,
                *_modbus_cells(r, r.modbus[place]),
                str(r.registers),
                r.modbus_type,
                r.modbus[place].order,
                r.modbus[place].unit,
                _range(r.modbus[place].low, r.modbus[place].high),
                _range(r.modbus[place].instrument_low, r.modbus[place].instrument_high),
                r.modbus[place].alarm_limits,
                _integer_cell(r.modbus[place]),
            )
            for r in own
            if r.modbus
        ],
    )


def _modbus_cells(row: PointRow, place: OutletPlace) -> tuple[str, ...]:
    """Unit, address, input, holding and discrete register on one server."""
    at = modbus_numbers(row, place)
    if at is None:
        return ("", "", "", "", "")
    numbers = (at.address, at.input_register, at.holding_register, at.discrete_input)
    return (at.unit, *("" if number is None else str(number) for number in numbers))


def _integer_cell(place: OutletPlace) -> str:
    """Where the integers of a point are, with their steps."""
    integer = place.integer
    if integer is None:
        return ""
    if integer.seconds is not None:
        return f"seconds {integer.seconds}, parts {integer.parts}"
    return f"{integer.int16} × {integer.step16:g}, {integer.int32} × {integer.step32:g}"


def _quality_table() -> str:
    return _table(
        ("Modbus", "OPC UA", "Code", "Trust", "Meaning"),
        [(str(q.modbus), q.opcua_name, q.opcua_code, q.trust, q.meaning) for q in quality_rows()],
    )


def _range(low: float | None, high: float | None) -> str:
    return "" if low is None or high is None else f"{low:g} to {high:g}"


def _table(header: Sequence[str], body: Sequence[Sequence[str]]) -> str:
    lines = [header, ["---"] * len(header), *body]
    return "\n".join(f"| {' | '.join(_cell(cell) for cell in line)} |" for line in lines)


def _cell(text: str) -> str:
    """Text that cannot break out of its table cell."""
    return text.replace("|", "\\|").replace("\n", " ")
