"""Reads every point by the point list alone, over OPC UA and over Modbus, and compares the two.

Run as a program by test_points_agree.py, so that `--add` can append one point to the catalogue
before anything is made from it: that one edit must be enough. Prints JSON: rows compared, and what
differs.
"""

from __future__ import annotations

import asyncio
import json
import math
import struct
import sys
from dataclasses import replace
from datetime import UTC, datetime

import edgeflash.points as points
from edgeflash.service.logs import configure

ADDED = "added_for_the_test_c"


def _add_a_point() -> None:
    """One more Point at the end, at a register that is free: the one edit."""
    taken = {r for p in points.CATALOGUE for r in range(p.register, p.register + p.registers)}
    free = next(r for r in range(130, 160) if not {r, r + 1} & taken)
    (like,) = (p for p in points.CATALOGUE if p.name == "reported_c")
    added = replace(
        like, name=ADDED, title="AddedForTheTest", description="An added point.", register=free
    )
    points.CATALOGUE = (*points.CATALOGUE, added)


def _decoded(kind: str, order: str, raw: bytes) -> object:
    """A value from its registers, by the words of the list alone. None: it says "no value"."""
    words = [raw[i : i + 2] for i in range(0, len(raw), 2)]
    if order in ("cdab", "dcba"):
        words.reverse()
    if order in ("badc", "dcba"):
        words = [w[::-1] for w in words]
    data = b"".join(words)
    if kind.startswith("float32"):
        (number,) = struct.unpack(">f", data)
        return None if math.isnan(number) else number
    if "UTF-8" in kind:
        return raw.rstrip(b"\0").decode()
    if data == b"\xff" * len(data):
        return None
    number = int.from_bytes(data, "big")
    if "microseconds" in kind:
        return datetime.fromtimestamp(number / 1e6, UTC)
    return bool(number) if "0 or 1" in kind else number


def _same(kind: str, modbus: object, opcua: object) -> bool:
    if modbus is None or opcua is None:
        return modbus is opcua or (modbus == "" and opcua is None)
    if isinstance(modbus, float) and isinstance(opcua, float):
        return math.isclose(modbus, opcua, rel_tol=2**-22)
    if isinstance(modbus, str) and isinstance(opcua, str):
        return opcua.encode()[:32].decode("utf-8", "ignore") == modbus
    if isinstance(modbus, datetime) and isinstance(opcua, datetime):
        return abs((modbus - opcua).total_seconds()) < 1e-5
    return modbus == opcua


async def _compared() -> dict[str, object]:
    from asyncua import Client

    from edgeflash.alarms.catalogue import ALARMS
    from edgeflash.inputs import InputStore
    from edgeflash.model import AlarmState
    from edgeflash.outlets import ModbusOutlet, OpcUaOutlet, as_json, rows
    from tests.integration.outlets.wire import Wire
    from tests.unit.outlets import builders

    analyzers = (builders.analyzer("fp-101", 1), builders.analyzer("fp-205", 4))
    store = InputStore(builders.INPUTS, set())
    units = {"temperature_unit": "degF", "pressure_unit": "psi"}
    server = builders.modbus(order="cdab", **units)
    opcua_server = builders.opcua(**units)
    site = builders.site(
        *analyzers,
        opcua_server=opcua_server,
        modbus_servers=(server,),
        inputs=builders.INPUTS,
    )
    listed = json.loads(as_json(rows(site)))["points"]
    opcua = OpcUaOutlet(opcua_server, analyzers, "Invented Bend", store)
    modbus = ModbusOutlet(server, analyzers, inputs=store)
    await opcua.start()
    await modbus.start()
    differ: list[str] = []
    count = 0
    try:
        calm = {alarm.name: AlarmState.NORMAL for alarm in ALARMS}
        views = [
            replace(view, standing=replace(view.standing, alarms=calm))
            for view in (
                builders.accepted_view("fp-101"),
                builders.accepted_view("fp-205", 71.25, 18),
            )
        ]
        await opcua.publish(views)
        await modbus.publish(views)
        async with Client(opcua.endpoint) as client, Wire(modbus.port) as wire:
            for row in listed:
                if row["modbus_address"] is None or not row["opcua_node_id"]:
                    continue
                count += 1
                differ += await _row_differs(row, client, wire)
    finally:
        await modbus.stop()
        await opcua.stop()
    return {"compared": count, "differ": differ, "points": sorted({r["point"] for r in listed})}


async def _row_differs(row: dict, client: object, wire: object) -> list[str]:  # type: ignore[type-arg]
    """What the address space or the registers say otherwise than the list."""
    name = f"{row['analyzer']}.{row['point']}"
    told, place = [], row["modbus"][0]
    node = await _node(client, row["opcua_node_id"])
    value = await node.read_data_value(raise_on_bad_status=False)
    seen = (
        value.Value.Value if value.StatusCode.is_good() or value.StatusCode.is_uncertain() else None
    )
    if isinstance(seen, datetime) and seen.tzinfo is None:
        seen = seen.replace(tzinfo=UTC)
    pdu = await wire.ask(4, row["modbus_address"], row["registers"])  # type: ignore[attr-defined]
    holding = await wire.ask(3, row["holding_register"] - 400_001, row["registers"])  # type: ignore[attr-defined]
    if pdu[1:] != holding[1:]:
        told.append(f"{name}: input and holding registers differ")
    got = _decoded(row["modbus_type"], place["order"], pdu[2:])
    if not _same(row["modbus_type"], got, seen):
        told.append(f"{name}: Modbus {got!r}, OPC UA {seen!r}")
    kind = (await client.get_node(await node.read_data_type()).read_browse_name()).Name  # type: ignore[attr-defined]
    if kind != row["opcua_data_type"]:
        told.append(f"{name}: data type {kind}, listed {row['opcua_data_type']}")
    path = await node.get_path(as_string=True)
    if [p.split(":", 1)[-1] for p in path[1:]] != row["opcua_path"].split("/"):
        told.append(f"{name}: path {path}, listed {row['opcua_path']}")
    properties = {(await p.read_browse_name()).Name: p for p in await node.get_properties()}
    if row["opcua_type"].startswith("Analog") and row["opcua"]["unit"]:
        unit = await properties["EngineeringUnits"].read_value()
        if unit.DisplayName.Text != row["opcua"]["unit"]:
            told.append(f"{name}: unit {unit.DisplayName.Text}, listed {row['opcua']['unit']}")
    if row["opcua"]["low"] is not None:
        span = await properties["EURange"].read_value()
        listed = (row["opcua"]["low"], row["opcua"]["high"])
        if not all(
            math.isclose(a, b, abs_tol=1e-6)
            for a, b in zip((span.Low, span.High), listed, strict=True)
        ):
            told.append(f"{name}: range {span}, listed {listed}")
    return told


async def _node(client: object, text: str):  # type: ignore[no-untyped-def]
    """The node of a NodeId with its namespace URI, as a client of the standard resolves it."""
    uri, _, identifier = text.removeprefix("nsu=").partition(";s=")
    index = await client.get_namespace_index(uri)  # type: ignore[attr-defined]
    return client.get_node(f"ns={index};s={identifier}")  # type: ignore[attr-defined]


def _documents() -> list[str]:
    """Pages and files that are made from the catalogue and tell of the added point."""
    from edgeflash.history.schema import TableName, schema
    from edgeflash.outlets.modbus_page import modbus_page
    from edgeflash.outlets.page import points_page

    texts = {
        "points page": points_page(),
        "Modbus page": modbus_page(),
        "history": " ".join(schema(TableName.RESULTS).names),
    }
    return [name for name, text in texts.items() if ADDED in text]


if __name__ == "__main__":
    if "--add" in sys.argv:
        _add_a_point()
    configure(json=True, level="CRITICAL")
    told = asyncio.run(_compared())
    if "--add" in sys.argv:
        told["told_in"] = _documents()
    print(json.dumps(told))
