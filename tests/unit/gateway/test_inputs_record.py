"""What the event record says of the product's number: every value, who wrote it, by which way."""

from __future__ import annotations

from datetime import UTC, datetime
from math import nan

from edgeflash.config.site import Input
from edgeflash.gateway.inputs import entry_of
from edgeflash.inputs import LATEST_KEPT, InputStore
from edgeflash.model import EventEntry, EventKind
from edgeflash.trust import Trust

AT = datetime(2031, 4, 5, 6, 7, 8, tzinfo=UTC)


def store() -> InputStore:
    """Two inputs, of which one gives the product's number."""
    declared = (Input(id="grade", number=1), Input(id="lab-flash", number=2, unit="degC"))
    return InputStore(declared, {"grade"})


def told(one: InputStore) -> list[EventEntry]:
    """The lines of one look."""
    entries = (entry_of(change, AT) for change in one.changes(10.0))
    return [entry for entry in entries if entry is not None]


def test_each_value_is_told_with_who_wrote_it() -> None:
    """Also there and back between two looks, and a value taken away."""
    one = store()
    one.write("grade", 2.0, Trust.GOOD, 0.0, "modbus 192.0.2.9")
    one.write("lab-flash", 61.0, Trust.GOOD, 0.0, "modbus 192.0.2.9")
    kind, text = EventKind.INPUT_WRITTEN, "the product's number: "
    assert told(one) == [
        EventEntry(AT, kind, via="modbus 192.0.2.9", subject="grade", text=f"{text}none → 2")
    ]
    one.write("grade", 3.0, Trust.GOOD, 1.0, "opcua 192.0.2.7 mara")
    one.write("grade", 2.0, Trust.GOOD, 1.1, "opcua 192.0.2.7 mara")
    (line,) = told(one)
    assert (line.who, line.via, line.text) == ("mara", "opcua 192.0.2.7", f"{text}2 → 3 → 2")
    one.write("grade", nan, Trust.BAD, 2.0, "modbus 192.0.2.9")
    assert [line.text for line in told(one)] == [f"{text}2 → none"]
    one.write("grade", nan, Trust.BAD, 3.0, "modbus 192.0.2.9")
    assert told(one) == []


def test_a_flood_is_one_line_that_counts() -> None:
    """However often it is written between two looks."""
    one = store()
    for number in range(1000):
        one.write("grade", float(number), Trust.GOOD, 1.0, "modbus 192.0.2.9")
    (line,) = told(one)
    assert f"none → ({1000 - LATEST_KEPT} more) → 990 → " in line.text
    assert line.text.endswith("→ 999")
