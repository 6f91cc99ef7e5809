"""What a mapped control system would notice of another site file."""

from __future__ import annotations

from dataclasses import replace

from edgeflash.config.site import Site
from edgeflash.outlets import rows
from edgeflash.outlets.point_changes import ChangeKind, PointChange, point_changes
from edgeflash.points import CATALOGUE
from tests.unit.outlets.builders import INPUTS, analyzer, modbus, opcua, site


def _plant(*analyzers: tuple[str, int], **more: object) -> Site:
    servers = more.pop("modbus", (modbus(port=5020),))
    return site(
        *(analyzer(name, number) for name, number in analyzers),
        opcua_server=opcua(port=4840),
        modbus_servers=servers,  # type: ignore[arg-type]
        **more,  # type: ignore[arg-type]
    )


def _changes(before: Site, after: Site) -> list[PointChange]:
    return point_changes(rows(before), rows(after))


BEFORE = _plant(("fp-101", 1), ("fp-205", 4))


def test_the_same_site_file_changes_nothing() -> None:
    """No difference without a cause."""
    assert _changes(BEFORE, BEFORE) == []


def test_another_analyzer_and_another_order_move_nothing() -> None:
    """The promise: node ids and addresses depend on id and number only."""
    after = _plant(("fp-300", 2), ("fp-205", 4), ("fp-101", 1))
    changes = _changes(BEFORE, after)
    assert {c.kind for c in changes} == {ChangeKind.ADDED}
    assert {c.analyzer for c in changes} == {"fp-300"}
    assert len(changes) == len(CATALOGUE)
    assert not any(c.breaks for c in changes)


def test_another_number_moves_every_register_and_no_node() -> None:
    """By hand: number 5 starts at 800, number 4 at 600."""
    changes = _changes(BEFORE, _plant(("fp-101", 1), ("fp-205", 5)))
    assert {c.what for c in changes} == {"Modbus address", "discrete input"}
    assert all(c.breaks and c.kind is ChangeKind.MOVED for c in changes)
    (flash,) = [c for c in changes if c.point == "flash_point_c"]
    assert (flash.before, flash.after) == ("600", "800")


def test_another_id_is_another_analyzer() -> None:
    """Every point under the old id is gone, which breaks; under the new one it is added."""
    changes = _changes(BEFORE, _plant(("fp-101", 1), ("fp-206", 4)))
    gone = [c for c in changes if c.kind is ChangeKind.GONE]
    assert {c.analyzer for c in gone} == {"fp-205"}
    assert all(c.breaks for c in gone)
    assert len(gone) == len(CATALOGUE)


def test_another_kind_of_unit_moves_what_it_moves() -> None:
    """With a unit for each analyzer, its unit and every address of the second server move."""
    servers = (modbus(port=5020), modbus(port=5021))
    before = _plant(("fp-101", 4), modbus=servers)
    units = (modbus(port=5020), modbus(port=5021, unit_ids="per_analyzer"))
    changes = _changes(before, _plant(("fp-101", 4), modbus=units))
    assert {c.what for c in changes} == {"Modbus 2 unit identifier", "Modbus 2 address"}
    first = next(c for c in changes if c.point == "quality" and c.what == "Modbus 2 address")
    assert (first.before, first.after) == ("602", "2")


def test_another_unit_or_order_changes_what_is_read() -> None:
    """The address is the same and the number another: the worst of all."""
    after = _plant(
        ("fp-101", 1),
        ("fp-205", 4),
        modbus=(modbus(port=5020, order="dcba", temperature_unit="degF"),),
    )
    changes = _changes(BEFORE, after)
    assert {c.what for c in changes} == {"Modbus 1 unit", "Modbus 1 order"}
    assert all(c.breaks for c in changes)
    units = [c for c in changes if c.point == "flash_point_c" and c.what.endswith("unit")]
    assert {(c.before, c.after) for c in units} == {("°C", "°F")}


def test_a_moved_endpoint_and_a_lost_outlet_break() -> None:
    """A server on another port, or none, answers nobody's mapping."""
    moved = _changes(BEFORE, _plant(("fp-101", 1), ("fp-205", 4), modbus=(modbus(port=5021),)))
    assert {(c.kind, c.what) for c in moved} == {(ChangeKind.MOVED, "endpoint")}
    lost = _changes(BEFORE, _plant(("fp-101", 1), ("fp-205", 4), modbus=()))
    assert {(c.kind, c.what) for c in lost} == {(ChangeKind.GONE, "Modbus 1")}
    assert all(c.breaks for c in [*moved, *lost])


def test_an_input_that_is_not_written_any_more_breaks() -> None:
    """The control system's writes would be refused."""
    accepting = (modbus(port=5020, accept_inputs=True),)
    before = _plant(("fp-101", 1), modbus=accepting, inputs=INPUTS)
    after = _plant(("fp-101", 1), inputs=INPUTS)
    changes = _changes(before, after)
    assert {c.what for c in changes} == {"Modbus 1 direction"}
    assert all(c.breaks for c in changes)


def test_more_codes_at_the_end_break_nothing_and_others_do() -> None:
    """A code keeps its meaning; a control system shows a new one as a number."""
    (row, *_) = [r for r in rows(BEFORE) if r.point == "verdict"]
    more = replace(row, codes=(*row.codes, "9=new"))
    other = replace(row, codes=("0=other", *row.codes[1:]))
    assert point_changes([row], [more]) == []
    assert [c.what for c in point_changes([row], [other])] == ["codes"]


def test_another_wording_is_told_and_breaks_nothing() -> None:
    """A description is for people."""
    (row, *_) = rows(BEFORE)
    (change,) = point_changes([row], [replace(row, description="in other words")])
    assert (change.kind, change.breaks) == (ChangeKind.REWORDED, False)
