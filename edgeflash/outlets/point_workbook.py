"""The controls engineer's point list as a workbook: one sheet for all, one for each outlet.

Every table has filters and a header that stays. made_at is written into the file's properties, so
the same site file at the same time gives the same bytes.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import xlsxwriter

from edgeflash.outlets.modbus_layout import ORDERS
from edgeflash.outlets.point_list import MODBUS_NOTES, OPCUA_NOTES
from edgeflash.outlets.point_rows import OutletPlace, PointRow, modbus_numbers, quality_rows

Cell = str | float | int | None

_OF_EVERY = ("Analyzer", "Point", "Description", "Direction")
_OF_PLACE = ("Unit", "Low", "High", "Instrument low", "Instrument high", "Alarm limits")
_OF_OPCUA = ("Node", "Path", "Type", "Value")
_OF_MODBUS = (
    *("Address (from 0)", "Input register (fn 4)", "Holding register (fn 3)"),
    *("Discrete input (fn 2)", "Registers", "Type", "Order", "Unit identifier"),
)
_OF_INTEGERS = (
    *("int16 address", "int16 step", "int32 address", "int32 step", "Seconds address"),
    *("Time parts address", *(f"Address in {order}" for order in ORDERS)),
)
_WIDTHS = {"Description": 60, "Node": 52, "Path": 48, "Type": 26, "Codes": 40, "Meaning": 60}
_LONGEST_SHEET_NAME = 31
"""Characters that the file format allows in the name of a sheet."""


def as_xlsx(table: Sequence[PointRow], made_at: datetime) -> bytes:
    """The bytes of the workbook. made_at: UTC."""
    buffer = io.BytesIO()
    # Texts come from site files: none of them may become a formula or a link.
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(buffer, options) as book:
        book.set_properties({"title": "Point list", "created": made_at.replace(tzinfo=None)})
        _sheet(book, "All points", _every_header(), [_every(row) for row in table])
        if any(row.opcua is not None for row in table):
            header = (*_OF_EVERY, *_OF_OPCUA, *_OF_PLACE, "Codes")
            _sheet(book, "OPC UA", header, [_opcua(row) for row in table if row.opcua])
        for place in range(max((len(row.modbus) for row in table), default=0)):
            of_modbus = (*_OF_EVERY, *_OF_MODBUS, *_OF_PLACE, "Codes", *_OF_INTEGERS)
            rows = [_modbus(row, place) for row in table if place < len(row.modbus)]
            _sheet(book, f"Modbus {place + 1}", of_modbus, rows)
        _sheet(
            book,
            "Quality",
            ("Modbus", "OPC UA", "Code", "Trust", "Meaning"),
            [(q.modbus, q.opcua_name, q.opcua_code, q.trust, q.meaning) for q in quality_rows()],
        )
        _notes(book)
    return buffer.getvalue()


def _every_header() -> tuple[str, ...]:
    return (*_OF_EVERY, "Value", "Codes", "Node", "Modbus address (from 0)", "Alarm limits")


def _every(row: PointRow) -> tuple[Cell, ...]:
    places = [p for p in (row.opcua, *row.modbus) if p is not None]
    return (
        *_about(row),
        row.type,
        "; ".join(row.codes),
        row.opcua_node_id if row.opcua else "",
        row.modbus_address if row.modbus else None,
        places[0].alarm_limits if places else "",
    )


def _about(row: PointRow) -> tuple[Cell, ...]:
    return (row.analyzer, row.point, row.description, row.direction)


def _opcua(row: PointRow) -> tuple[Cell, ...]:
    assert row.opcua is not None
    return (
        *(row.analyzer, row.point, row.description, row.opcua.direction),
        *(row.opcua_node_id, row.opcua_path, row.opcua_type, row.opcua_data_type),
        *_place(row.opcua),
        "; ".join(row.codes),
    )


def _modbus(row: PointRow, place: int) -> tuple[Cell, ...]:
    at = row.modbus[place]
    numbers = modbus_numbers(row, at)
    where: tuple[Cell, ...] = (None, None, None, None)
    if numbers is not None:
        where = (numbers.address, numbers.input_register, numbers.holding_register)
        where = (*where, numbers.discrete_input)
    return (
        *(row.analyzer, row.point, row.description, at.direction),
        *where,
        *(row.registers, row.modbus_type, at.order, numbers.unit if numbers else ""),
        *_place(at),
        "; ".join(row.codes),
        *_integers(at),
    )


def _integers(at: OutletPlace) -> tuple[Cell, ...]:
    """Where the point is as an integer, its steps, and where it is in each order."""
    one = at.integer
    in_order = tuple(at.in_order.get(order) for order in ORDERS)
    if one is None:
        return (None,) * 6 + in_order
    step16 = None if one.int16 is None else one.step16
    step32 = None if one.int32 is None else one.step32
    return (one.int16, step16, one.int32, step32, one.seconds, one.parts, *in_order)


def _place(place: OutletPlace) -> tuple[Cell, ...]:
    return (
        *(place.unit, place.low, place.high, place.instrument_low, place.instrument_high),
        place.alarm_limits,
    )


def _sheet(book: Any, name: str, header: Sequence[str], rows: Sequence[Sequence[Cell]]) -> None:
    sheet = book.add_worksheet(name[:_LONGEST_SHEET_NAME])
    bold = book.add_format({"bold": True, "bottom": 1})
    for column, title in enumerate(header):
        sheet.write_string(0, column, title, bold)
        widest = max((len(str(r[column])) for r in rows if r[column] is not None), default=0)
        sheet.set_column(column, column, min(max(len(title), widest) + 2, _WIDTHS.get(title, 26)))
    for place, row in enumerate(rows, start=1):
        for column, cell in enumerate(row):
            if isinstance(cell, str) and cell:
                sheet.write_string(place, column, cell)
            elif isinstance(cell, int | float):
                sheet.write_number(place, column, cell)
    sheet.freeze_panes(1, 2)
    sheet.autofilter(0, 0, max(len(rows), 1), len(header) - 1)


def _notes(book: Any) -> None:
    sheet = book.add_worksheet("Notes")
    sheet.set_column(0, 0, 110)
    lines = [*OPCUA_NOTES.splitlines(), "", *MODBUS_NOTES.splitlines()]
    for place, line in enumerate(lines):
        sheet.write_string(place, 0, line)
