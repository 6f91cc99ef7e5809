"""What a control system notices when one site file takes the place of another. Pure.

A control system is mapped once: a point that is gone, has moved, or means something else under
the same address is a breaking change; a new point is none.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from edgeflash.outlets.point_rows import OutletPlace, PointRow


class ChangeKind(StrEnum):
    """What became of a point. All but `added` and `reworded` break a mapping."""

    ADDED = "added"
    REWORDED = "reworded"
    GONE = "gone"
    MOVED = "moved"
    CHANGED = "changed"


@dataclass(frozen=True, slots=True)
class PointChange:
    """One difference. what: the property; before, after: its values, empty where there is none."""

    analyzer: str
    point: str
    kind: ChangeKind
    what: str
    before: str
    after: str

    @property
    def breaks(self) -> bool:
        """Whether a mapping made before reads or writes something else now, or nothing."""
        return self.kind not in (ChangeKind.ADDED, ChangeKind.REWORDED)


_MOVES_OPCUA = (("OPC UA node", "opcua_node_id"), ("OPC UA path", "opcua_path"))
_MEANS_OPCUA = (("OPC UA type", "opcua_type"), ("OPC UA data type", "opcua_data_type"))
_MEANS_MODBUS = (("Modbus type", "modbus_type"), ("registers", "registers"))


def point_changes(before: Sequence[PointRow], after: Sequence[PointRow]) -> list[PointChange]:
    """Every difference, in the order of the new list, what is gone last.

    Modbus servers are compared in the order of the site file.
    """
    old = {(row.analyzer, row.point): row for row in before}
    new = {(row.analyzer, row.point): row for row in after}
    found: list[PointChange] = []
    for key, row in new.items():
        was = old.get(key)
        if was is None:
            found.append(PointChange(*key, ChangeKind.ADDED, "point", "", _where(row)))
        else:
            found += _of_row(was, row)
    for key, row in old.items():
        if key not in new:
            found.append(PointChange(*key, ChangeKind.GONE, "point", _where(row), ""))
    return found


def _where(row: PointRow) -> str:
    places = [row.opcua_node_id] if row.opcua is not None else []
    if row.modbus and row.modbus_address is not None:
        places.append(f"Modbus {row.modbus_address}")
    return ", ".join(places)


def _of_row(was: PointRow, now: PointRow) -> list[PointChange]:
    found: list[PointChange] = []

    def compare(kind: ChangeKind, what: str, before: object, after: object) -> None:
        if before != after:
            found.append(
                PointChange(now.analyzer, now.point, kind, what, _text(before), _text(after))
            )

    compare(ChangeKind.REWORDED, "description", was.description, now.description)
    if was.codes != now.codes[: len(was.codes)]:
        compare(ChangeKind.CHANGED, "codes", was.codes, now.codes)
    if was.opcua is not None and now.opcua is not None:
        for what, name in _MOVES_OPCUA:
            compare(ChangeKind.MOVED, what, getattr(was, name), getattr(now, name))
        for what, name in _MEANS_OPCUA:
            compare(ChangeKind.CHANGED, what, getattr(was, name), getattr(now, name))
    if was.modbus and now.modbus:
        compare(ChangeKind.MOVED, "Modbus address", was.modbus_address, now.modbus_address)
        compare(ChangeKind.MOVED, "discrete input", was.discrete_input, now.discrete_input)
        for what, name in _MEANS_MODBUS:
            compare(ChangeKind.CHANGED, what, getattr(was, name), getattr(now, name))
    found += _of_places(was, now)
    return found


def _of_places(was: PointRow, now: PointRow) -> list[PointChange]:
    """Differences of what each outlet makes of the point."""
    pairs: list[tuple[str, OutletPlace | None, OutletPlace | None]] = [
        ("OPC UA", was.opcua, now.opcua)
    ]
    for place in range(max(len(was.modbus), len(now.modbus))):
        before = was.modbus[place] if place < len(was.modbus) else None
        after = now.modbus[place] if place < len(now.modbus) else None
        pairs.append((f"Modbus {place + 1}", before, after))
    found = []
    for name, before, after in pairs:
        key = (now.analyzer, now.point)
        if before is None or after is None:
            if before is not None:
                found.append(PointChange(*key, ChangeKind.GONE, name, before.outlet, ""))
            elif after is not None:
                found.append(PointChange(*key, ChangeKind.ADDED, name, "", after.outlet))
            continue
        for what in ("unit", "order", "direction"):
            old, new = getattr(before, what), getattr(after, what)
            if old != new:
                found.append(PointChange(*key, ChangeKind.CHANGED, f"{name} {what}", old, new))
        for what, old, new in _moves_of_place(before, after):
            # What the first server's address tells is told once.
            if (what, old, new) != ("address", was.modbus_address, now.modbus_address):
                moved = (f"{name} {what}", _text(old), _text(new))
                found.append(PointChange(*key, ChangeKind.MOVED, *moved))
        if before.outlet != after.outlet:
            found.append(
                PointChange(*key, ChangeKind.MOVED, "endpoint", before.outlet, after.outlet)
            )
    return found


def _moves_of_place(
    before: OutletPlace, after: OutletPlace
) -> Iterator[tuple[str, object, object]]:
    """What moved on one Modbus server. Where the whole block has moved, that says it all."""
    if before.unit_id != after.unit_id:
        yield "unit identifier", before.unit_id, after.unit_id
    if before.address != after.address:
        yield "address", before.address, after.address
        return
    integers = [one.integer and replace(one.integer, unit="") for one in (before, after)]
    if integers[0] != integers[1]:
        yield "integers", integers[0], integers[1]
    if before.in_order != after.in_order:
        yield "addresses by order", before.in_order, after.in_order


def _text(value: object) -> str:
    if value is None:
        return ""
    return ", ".join(value) if isinstance(value, tuple) else str(value)
