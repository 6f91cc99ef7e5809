"""The point list against the image and the catalogue it describes."""

from __future__ import annotations

import csv
import io
import json
import struct

import pytest

from edgeflash.config.register_map import Order
from edgeflash.config.site import Product
from edgeflash.inputs import InputStore
from edgeflash.outlets import as_csv, as_json, as_markdown, quality_rows, rows
from edgeflash.outlets.modbus_image import empty_image, with_views
from edgeflash.outlets.modbus_inputs import InputRegisters
from edgeflash.points import CATALOGUE
from edgeflash.trust import Quality, Trust
from tests.unit.outlets.builders import INPUTS, accepted_view, analyzer, modbus, opcua, site

PLANT = site(
    analyzer("fp-101", 1, range_low_c=30.0, range_high_c=90.0),
    analyzer("fp-205", 4),
    opcua_server=opcua(port=4840),
    modbus_servers=(
        modbus(port=5020, temperature_unit="degF", pressure_unit="psi"),
        modbus(port=5021, order="cdab"),
    ),
)


def _row(analyzer_id: str, point: str) -> dict[str, str]:
    table = list(csv.DictReader(io.StringIO(as_csv(rows(PLANT)))))
    (found,) = [r for r in table if (r["analyzer"], r["point"]) == (analyzer_id, point)]
    return found


def test_one_row_for_each_point_of_each_analyzer() -> None:
    """In the order of the site file and the catalogue."""
    names = [(row.analyzer, row.point) for row in rows(PLANT)]
    assert names == [(a, p.name) for a in ("fp-101", "fp-205") for p in CATALOGUE]


def test_a_row_says_all_a_controls_engineer_needs() -> None:
    """Worked by hand: analyzer 4 starts at 3 × 200 = 600; 30..90 °C is 86..194 °F."""
    row = _row("fp-205", "peak_kpa")
    assert row["opcua_node_id"] == "nsu=urn:edgeflash:points;s=fp-205.peak_kpa"
    assert row["opcua_path"] == "Objects/Edgeflash/fp-205/IgnitionPeak"
    assert (row["opcua_type"], row["opcua_data_type"]) == ("AnalogUnitRangeType", "Double")
    assert (row["opcua_unit"], row["opcua_low"], row["opcua_high"]) == ("kPa", "0.0", "1000.0")
    assert (row["modbus_address"], row["registers"]) == ("634", "2")
    assert (row["input_register"], row["holding_register"]) == ("300635", "400635")
    assert row["discrete_input"] == ""
    assert (row["modbus_1_unit"], row["modbus_1_order"]) == ("psi", "abcd")
    assert (row["modbus_2_unit"], row["modbus_2_order"]) == ("kPa", "cdab")
    flash = _row("fp-101", "flash_point_c")
    assert (flash["opcua_instrument_low"], flash["opcua_instrument_high"]) == ("30.0", "90.0")
    assert (flash["modbus_1_unit"], flash["modbus_1_low"]) == ("°F", "-58.0")
    assert (flash["modbus_1_instrument_low"], flash["modbus_1_instrument_high"]) == (
        "86.0",
        "194.0",
    )
    assert flash["modbus_address"] == "0"
    assert flash["holding_register"] == "400001"


def test_codes_flags_and_texts() -> None:
    """Codes list their meanings; a flag has a discrete input; a text has no order."""
    assert _row("fp-101", "verdict")["codes"] == "0=none; 1=accepted; 2=doubtful; 3=rejected"
    assert _row("fp-101", "verdict")["opcua_data_type"] == "UInt32"
    flag = _row("fp-205", "possible_low_flash")
    assert (flag["modbus_address"], flag["discrete_input"]) == ("605", "100606")
    text = _row("fp-101", "reason_text")
    assert (text["registers"], text["modbus_2_order"]) == ("16", "")


@pytest.mark.parametrize("place", [0, 1])
def test_the_listed_addresses_hold_the_values(place: int) -> None:
    """Reading the image where the list says gives what the view shows, in the listed unit."""
    server = PLANT.file.modbus[place]
    numbers = {a.id: a.number for a in PLANT.file.analyzers}
    view = accepted_view("fp-205", value_c=50.0, cycle_number=77)
    image = with_views(empty_image(numbers.values(), server.order), [view], numbers, server)
    places = {r.point: r for r in rows(PLANT) if r.analyzer == "fp-205"}

    def words(point: str) -> bytes:
        row = places[point]
        assert row.modbus_address is not None
        raw = image.registers(row.modbus_address, row.registers)
        assert raw is not None
        return raw[2:] + raw[:2] if row.modbus[place].order == "cdab" else raw

    assert struct.unpack(">f", words("flash_point_c"))[0] == (122.0 if place == 0 else 50.0)
    assert struct.unpack(">I", words("cycle_number"))[0] == 77


def test_no_two_points_share_an_address() -> None:
    """Over all analyzers, no register belongs to two rows."""
    taken: set[int] = set()
    for row in rows(PLANT):
        assert row.modbus_address is not None
        own = set(range(row.modbus_address, row.modbus_address + row.registers))
        assert not taken & own
        taken |= own


def test_the_quality_table_is_complete() -> None:
    """Every quality once, with its hexadecimal code, in the order of the Modbus numbers."""
    table = quality_rows()
    assert {row.opcua_name for row in table} == {q.value.opcua_name for q in Quality}
    numbers = [row.modbus for row in table]
    assert numbers == sorted(numbers)
    by_name = {row.opcua_name: row for row in table}
    held = by_name["UncertainLastUsableValue"]
    assert (held.opcua_code, held.modbus, held.trust) == ("0x40900000", 1, "uncertain")


def test_csv_is_one_flat_table() -> None:
    """One header, the same number of cells in each line, no quality table."""
    lines = list(csv.reader(io.StringIO(as_csv(rows(PLANT)))))
    assert {len(line) for line in lines} == {len(lines[0])}
    assert len(lines) == 1 + 2 * len(CATALOGUE)
    assert len(set(lines[0])) == len(lines[0])


def test_json_holds_rows_and_qualities() -> None:
    """It reads back as the rows."""
    read = json.loads(as_json(rows(PLANT)))
    assert len(read["points"]) == 2 * len(CATALOGUE)
    assert read["points"][0]["modbus"][0]["unit"] == "°F"
    assert len(read["qualities"]) == len(Quality)


def test_markdown_tables_are_whole() -> None:
    """Each table's lines have as many cells as its header; both outlets and the qualities show."""
    text = as_markdown(rows(PLANT))
    for block in text.split("\n\n"):
        if block.startswith("|"):
            cells = {line.replace("\\|", "").count("|") for line in block.splitlines()}
            assert len(cells) == 1, block
    assert "### OPC UA (127.0.0.1:4840)" in text
    assert "### Modbus 2 (127.0.0.1:5021)" in text
    assert "| 11 | BadNoCommunication | 0x80310000 | bad |" in text
    assert "## Reading by OPC UA" in text
    assert "exception 02" in text


def test_outlets_that_are_not_there_have_no_columns() -> None:
    """A site with Modbus only lists no OPC UA, and the other way round."""
    only_modbus = site(analyzer(), modbus_servers=(modbus(),))
    only_opcua = site(analyzer(), opcua_server=opcua())
    header_modbus = as_csv(rows(only_modbus)).splitlines()[0]
    header_opcua = as_csv(rows(only_opcua)).splitlines()[0]
    assert "opcua" not in header_modbus
    assert "modbus_1_unit" in header_modbus
    assert "modbus" not in header_opcua
    assert "opcua_node_id" in header_opcua
    assert "OPC UA (" not in as_markdown(rows(only_modbus))
    assert as_markdown(rows(only_opcua)).count("### ") == 1
    assert "Reading by OPC UA" not in as_markdown(rows(only_modbus))
    assert "Reading by Modbus" not in as_markdown(rows(only_opcua))


WITH_INPUTS = site(
    analyzer("fp-101", 1),
    opcua_server=opcua(port=4840),
    modbus_servers=(
        modbus(port=5020, order="cdab", accept_inputs=True),
        modbus(port=5021),
    ),
    inputs=INPUTS,
)


def _input_row(point: str) -> dict[str, str]:
    table = csv.DictReader(io.StringIO(as_csv(rows(WITH_INPUTS))))
    (found,) = [r for r in table if (r["analyzer"], r["point"]) == ("inputs", point)]
    return found


def test_inputs_follow_the_points_with_their_direction() -> None:
    """Worked by hand: input 2 begins at 50 000 + 4. Points are read, constants too."""
    value, quality, age = (_input_row(f"share-a{part}") for part in ("", ".quality", ".age_s"))
    assert (value["direction"], quality["direction"], age["direction"]) == (
        "write",
        "write",
        "read",
    )
    assert [r["modbus_address"] for r in (value, quality, age)] == ["50004", "50006", "50007"]
    assert value["holding_register"] == "450005"
    assert (value["modbus_type"], value["registers"]) == ("float32", "2")
    assert (value["modbus_1_order"], value["modbus_2_order"]) == ("cdab", "abcd")
    assert (value["modbus_1_direction"], value["modbus_2_direction"]) == ("write", "read")
    assert value["opcua_direction"] == "read"
    assert (value["opcua_unit"], value["modbus_1_unit"]) == ("%", "%")
    assert value["opcua_node_id"] == "nsu=urn:edgeflash:points;s=inputs.share-a"
    assert value["opcua_path"] == "Objects/Edgeflash/Inputs/share-a"
    assert quality["codes"] == "0=good; 1=uncertain; 2=bad"
    assert quality["opcua_node_id"] == ""
    good = _input_row("share-a.is_good")
    assert (good["direction"], good["modbus_address"]) == ("read", "")
    assert good["opcua_node_id"] == "nsu=urn:edgeflash:points;s=inputs.share-a.is_good"
    constant = [r for r in rows(WITH_INPUTS) if r.point.startswith("share-b")]
    assert {r.direction for r in constant} == {"read"}
    assert "share-b.age_s" not in {r.point for r in constant}
    assert {r.direction for r in rows(WITH_INPUTS) if r.analyzer == "fp-101"} == {"read"}


def test_the_range_of_an_input_is_in_its_own_unit() -> None:
    """As the control system writes it, whatever unit the outlet shows points in."""
    row = _input_row("t10")
    assert (row["opcua_unit"], row["opcua_low"], row["opcua_high"]) == ("°C", "100.0", "300.0")


def test_inputs_in_markdown_and_json() -> None:
    """Whole tables, both outlets, directions in both; no address that is not there."""
    text = as_markdown(rows(WITH_INPUTS))
    for block in text.split("\n\n"):
        if block.startswith("|"):
            cells = {line.replace("\\|", "").count("|") for line in block.splitlines()}
            assert len(cells) == 1, block
    assert "None" not in text
    inputs = text.split("## inputs\n")[1].split("\n## ")[0]
    assert "| `t10` | write | any | 50000 | 350001 | 450001 |" in inputs
    assert "| `t10` | read | `nsu=urn:edgeflash:points;s=inputs.t10` |" in inputs
    read = json.loads(as_json(rows(WITH_INPUTS)))
    (t10,) = [r for r in read["points"] if (r["analyzer"], r["point"]) == ("inputs", "t10")]
    assert (t10["direction"], t10["modbus"][0]["direction"]) == ("write", "write")


def test_no_row_without_a_place() -> None:
    """Modbus only: what OPC UA alone has is left out. OPC UA only: the quality register is."""
    only_modbus = rows(site(analyzer(), modbus_servers=(modbus(),), inputs=INPUTS))
    only_opcua = rows(site(analyzer(), opcua_server=opcua(), inputs=INPUTS))
    assert "t10.is_good" not in {r.point for r in only_modbus}
    assert "t10.quality" not in {r.point for r in only_opcua}
    assert {"t10", "t10.age_s"} <= {r.point for r in only_modbus} & {r.point for r in only_opcua}


def test_the_listed_input_addresses_hold_the_values() -> None:
    """Reading where the list says gives what was written."""
    store = InputStore(INPUTS)
    store.write("share-a", 25.0, Trust.UNCERTAIN, 0.0, "opcua 192.0.2.9")
    registers = InputRegisters(store, Order.ABCD, False, lambda: 9.0)
    places = {r.point: r for r in rows(WITH_INPUTS) if r.analyzer == "inputs"}
    found = []
    for part in ("", ".quality", ".age_s"):
        row = places[f"share-a{part}"]
        assert row.modbus_address is not None
        found.append(registers.read(row.modbus_address, row.registers))
    assert found == [struct.pack(">f", 25.0), b"\x00\x01", b"\x00\x09"]


@pytest.mark.parametrize(("strict", "fails"), [(True, "at or below"), (False, "below")])
def test_a_limit_that_itself_fails_says_so(strict: bool, fails: str) -> None:
    """`strict_minimum`: a value equal to the limit fails too, and the list must not hide it."""
    product = Product(minimum_c=55.0, strict_minimum=strict)
    plant = site(analyzer("fp-101", 1, product="gas-oil"), opcua_server=opcua(port=4840))
    file = plant.file.model_copy(update={"products": {"gas-oil": product}})
    listed = rows(plant.model_copy(update={"file": file}))
    (flash,) = [row for row in listed if row.point == "flash_point_c"]
    assert flash.opcua is not None
    assert flash.opcua.alarm_limits == f"{fails} 55 °C (gas-oil)"
