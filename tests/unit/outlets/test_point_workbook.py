"""The workbook, as openpyxl reads it: an independent reader of ISO/IEC 29500 files."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from pathlib import Path

import pytest
from openpyxl import load_workbook
from openpyxl.worksheet.worksheet import Worksheet

from edgeflash.config.site import Product
from edgeflash.outlets import rows
from edgeflash.outlets.point_workbook import as_xlsx
from edgeflash.points import CATALOGUE
from edgeflash.trust import Quality
from tests.unit.outlets.builders import INPUTS, analyzer, modbus, opcua, site

MADE_AT = datetime(2031, 4, 5, 6, 7, 8, tzinfo=UTC)
PLANT = site(
    analyzer("fp-101", 1, product="lamp-oil", range_low_c=30.0, range_high_c=90.0),
    analyzer("fp-205", 4, description="=1+1"),
    opcua_server=opcua(port=4840),
    modbus_servers=(modbus(port=5020, temperature_unit="degF"), modbus(port=5021, order="cdab")),
    inputs=INPUTS,
)
PLANT = PLANT.model_copy(
    update={
        "file": PLANT.file.model_copy(update={"products": {"lamp-oil": Product(minimum_c=40.0)}})
    }
)


def _sheets() -> dict[str, Worksheet]:
    book = load_workbook(io.BytesIO(as_xlsx(rows(PLANT), MADE_AT)))
    return {sheet.title: sheet for sheet in book.worksheets}


def _table(sheet: Worksheet) -> list[dict[str, object]]:
    header, *body = sheet.iter_rows(values_only=True)
    return [dict(zip((str(h) for h in header), line, strict=True)) for line in body]


def test_one_sheet_for_each_outlet_and_filters_on_every_table() -> None:
    """The filter spans the whole table and its header stays while scrolling."""
    sheets = _sheets()
    assert list(sheets) == ["All points", "OPC UA", "Modbus 1", "Modbus 2", "Quality", "Notes"]
    for name in list(sheets)[:-1]:
        assert sheets[name].auto_filter.ref == sheets[name].dimensions
        assert sheets[name].freeze_panes == "C2"


def test_every_row_of_the_list_stands_in_every_sheet_it_belongs_to() -> None:
    """Nothing is left out and nothing is invented."""
    listed, sheets = rows(PLANT), _sheets()
    for name, own in (
        ("All points", listed),
        ("OPC UA", [r for r in listed if r.opcua]),
        ("Modbus 1", [r for r in listed if r.modbus]),
        ("Modbus 2", [r for r in listed if r.modbus]),
    ):
        told = [(line["Analyzer"], line["Point"]) for line in _table(sheets[name])]
        assert told == [(r.analyzer, r.point) for r in own]
    assert len([r for r in listed if r.analyzer == "fp-101"]) == len(CATALOGUE)


def test_figures_are_numbers_in_the_outlets_own_unit() -> None:
    """By hand: 30..90 °C is 86..194 °F, 40 °C is 104 °F; analyzer 4 starts at 600."""
    sheets = _sheets()
    (flash,) = [
        line
        for line in _table(sheets["Modbus 1"])
        if (line["Analyzer"], line["Point"]) == ("fp-101", "flash_point_c")
    ]
    assert (flash["Unit"], flash["Instrument low"], flash["Instrument high"]) == ("°F", 86, 194)
    assert flash["Alarm limits"] == "below 104 °F (lamp-oil)"
    (peak,) = [
        line
        for line in _table(sheets["Modbus 2"])
        if (line["Analyzer"], line["Point"]) == ("fp-205", "peak_kpa")
    ]
    assert (peak["Address (from 0)"], peak["Input register (fn 4)"]) == (634, 300_635)
    assert (peak["Holding register (fn 3)"], peak["Order"]) == (400_635, "cdab")


def test_the_quality_table_is_whole() -> None:
    """One row for each quality, with the number each outlet gives it."""
    table = {line["OPC UA"]: line["Modbus"] for line in _table(_sheets()["Quality"])}
    assert table == {q.value.opcua_name: q.value.modbus for q in Quality}


def test_a_text_never_becomes_a_formula(tmp_path: Path) -> None:
    """An input described as "=1+1" is that text (CWE-1236: neutralisation of formula elements)."""
    plant = PLANT.model_copy(
        update={
            "file": PLANT.file.model_copy(
                update={"inputs": (INPUTS[0].model_copy(update={"description": "=1+1"}),)}
            )
        }
    )
    book = load_workbook(io.BytesIO(as_xlsx(rows(plant), MADE_AT)))
    cells = [c for line in book["All points"].iter_rows() for c in line if c.value == "=1+1"]
    assert [c.data_type for c in cells] == ["s"]


@pytest.mark.parametrize("servers", [0, 1])
def test_a_site_without_outlets_still_gives_a_workbook(servers: int) -> None:
    """Sheets follow the outlets that there are."""
    plant = site(analyzer(), modbus_servers=(modbus(),) * servers)
    book = load_workbook(io.BytesIO(as_xlsx(rows(plant), MADE_AT)))
    assert ("Modbus 1" in book.sheetnames) == bool(servers)
    assert "OPC UA" not in book.sheetnames
