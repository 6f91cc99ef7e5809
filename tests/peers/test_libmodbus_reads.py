"""An independent Modbus master reads what an OPC UA client reads.

Peers: libmodbus (read_registers.c, which puts the bytes of all four orders together by hand) and
mbpoll. The other side of each comparison comes through an OPC UA client, for the same views, and
for one float as the bytes that IEEE 754 gives it.
"""

from __future__ import annotations

import math
import struct
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from asyncua.client.client import Client

from edgeflash.config.register_map import Order
from edgeflash.model import Verdict
from edgeflash.outlets import ModbusOutlet
from edgeflash.outlets.opcua import OpcUaOutlet
from edgeflash.outlets.opcua_names import NAMESPACE_URI
from edgeflash.points import BLOCK_REGISTERS, CATALOGUE, PointType
from edgeflash.publication import View
from tests.peers.running import compiled, output_of
from tests.unit.outlets import builders

ANALYZERS = (builders.analyzer(), builders.analyzer("fp-203", number=3))
LAST_REGISTER = max(point.register + point.registers for point in CATALOGUE)
NO_NUMBER = {PointType.INT: 2**32 - 1, PointType.CODE: 2**16 - 1, PointType.FLAG: 2**16 - 1}

# 62.5 has two zero bytes; 123.456 tells all four orders apart. 42 F6 E9 79: IEEE 754 single.
VALUE_C = 123.456
VALUE_REGISTERS = {
    Order.ABCD: (0x42F6, 0xE979),
    Order.CDAB: (0xE979, 0x42F6),
    Order.BADC: (0xF642, 0x79E9),
    Order.DCBA: (0x79E9, 0xF642),
}


@pytest.fixture(scope="module")
def read_registers(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The libmodbus master."""
    return compiled("read_registers.c", tmp_path_factory.mktemp("libmodbus"))


@asynccontextmanager
async def outlets(
    views: tuple[View, ...], units: dict[str, str]
) -> AsyncIterator[tuple[dict[Order, ModbusOutlet], OpcUaOutlet]]:
    """A Modbus outlet for each order and an OPC UA outlet, all showing the same views."""
    modbus = {
        order: ModbusOutlet(builders.modbus(order=order, **units), ANALYZERS) for order in Order
    }
    opcua = OpcUaOutlet(builders.opcua(**units), ANALYZERS, "Invented Bend")
    every: list[ModbusOutlet | OpcUaOutlet] = [*modbus.values(), opcua]
    async with AsyncExitStack() as stack:
        for outlet in every:
            await outlet.start()
            stack.push_async_callback(outlet.stop)
            await outlet.publish(views)
        yield modbus, opcua


async def read_by_opcua(endpoint: str, analyzer: str) -> dict[str, object]:
    """Every point's value by name, None where the server gives none."""
    async with Client(endpoint) as client:
        index = await client.get_namespace_index(NAMESPACE_URI)
        nodes = [client.get_node(f"ns={index};s={analyzer}.{point.name}") for point in CATALOGUE]
        answers = [await node.read_data_value(raise_on_bad_status=False) for node in nodes]
        return {
            point.name: None if answer.Value is None else answer.Value.Value
            for point, answer in zip(CATALOGUE, answers, strict=True)
        }


def as_float32(value: float) -> float:
    """The nearest value that four bytes can carry."""
    return float(struct.unpack(">f", struct.pack(">f", value))[0])


def expected_in_registers(type_: PointType, value: object) -> object:
    """An OPC UA value as registers of the point's type carry it."""
    match type_, value:
        case PointType.FLOAT, None:
            return math.nan
        case PointType.FLOAT, float():
            return as_float32(value)
        case PointType.TIME, None:
            return 2**64 - 1
        case PointType.TIME, datetime():
            return (value.replace(tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(
                microseconds=1
            )
        case PointType.TEXT, _:
            text = value if isinstance(value, str) else ""
            return text.encode()[:32].decode("utf-8", "ignore")
        case ((PointType.INT | PointType.CODE | PointType.FLAG), None):
            return NO_NUMBER[type_]
        case ((PointType.INT | PointType.CODE | PointType.FLAG), int()):
            return int(value)
    raise AssertionError(f"{value!r} is no {type_}")


def parsed(type_: PointType, text: str) -> object:
    """A value as read_registers prints it."""
    match type_:
        case PointType.FLOAT:
            return as_float32(float(text))
        case PointType.TEXT:
            return text
    return int(text)


def same(left: object, right: object) -> bool:
    """Equal, or neither a number."""
    if isinstance(left, float) and isinstance(right, float) and math.isnan(left):
        return math.isnan(right)
    return left == right


VIEWS = {
    "good": (builders.accepted_view("fp-203", VALUE_C), {}),
    "good, american units": (
        builders.accepted_view("fp-203", VALUE_C),
        {"temperature_unit": "degF", "pressure_unit": "psi"},
    ),
    "doubtful": (
        builders.view_of(
            builders.standing_of(builders.result("fp-203", verdict=Verdict.DOUBTFUL), name="fp-203")
        ),
        {},
    ),
    "bad": (builders.view_of(builders.standing_of(name="fp-203")), {}),
}


@pytest.mark.peer("gcc", "libmodbus")
@pytest.mark.parametrize("kind", VIEWS)
async def test_libmodbus_and_opcua_read_the_same(kind: str, read_registers: Path) -> None:
    """Every point, in every order: the same number, or no number on both sides."""
    view, units = VIEWS[kind]
    wanted = [f"{point.register}:{point.type}" for point in CATALOGUE]
    async with outlets((view,), units) as (modbus, opcua):
        by_name = await read_by_opcua(opcua.endpoint, "fp-203")
        printed = {}
        for order, outlet in modbus.items():
            block = [str(2 * BLOCK_REGISTERS), str(LAST_REGISTER)]
            where = ["127.0.0.1", str(outlet.port), order, *block]
            printed[order] = await output_of(read_registers, *where, *wanted)
    assert (by_name["flash_point_c"] is None) == (kind == "bad")
    for order in Order:
        *lines, written = printed[order].splitlines()
        # libmodbus' text for exception 01, so it understood the refusal.
        assert written == "write Illegal function"
        compare(order, lines, by_name)


def compare(order: Order, lines: list[str], by_name: dict[str, object]) -> None:
    """Holds every printed line against the value read by OPC UA."""
    read: dict[tuple[str, int], str] = {}
    for line in lines:
        table, offset, _, text = line.split(" ", 3)
        read[table, int(offset)] = text
    for point in CATALOGUE:
        expected = expected_in_registers(point.type, by_name[point.name])
        if point.bits and by_name[point.name] is None:
            # No value: as the catalogue says, bit by bit, so that an alarm never looks clear.
            expected = sum(1 << bit.place for bit in point.bits if bit.unknown)
        for table in ("input", "holding"):
            actual = parsed(point.type, read[table, point.register])
            assert same(actual, expected), (order, point.name, table, actual, expected)
        if point.type is PointType.FLAG:
            bits = {read["discrete", point.register], read["coil", point.register]}
            assert bits == {str(int(by_name[point.name] is not False))}


@pytest.mark.peer("mbpoll")
@pytest.mark.parametrize("order", Order)
async def test_mbpoll_reads_the_registers_in_their_order(order: Order) -> None:
    """The two registers of one float, as hexadecimal words, from a second program."""
    views = (builders.accepted_view("fp-203", VALUE_C),)
    modbus = ModbusOutlet(builders.modbus(order=order), ANALYZERS)
    await modbus.start()
    try:
        await modbus.publish(views)
        # -0: zero-based; -t 3:hex: input registers; -1: poll once; -o: seconds to wait.
        how = ["-m", "tcp", "-0", "-t", "3:hex", "-1", "-o", "10", "-p", str(modbus.port)]
        what = ["-r", str(2 * BLOCK_REGISTERS), "-c", "2"]
        printed = await output_of("mbpoll", *how, *what, "127.0.0.1")
    finally:
        await modbus.stop()
    words = [line.split()[-1] for line in printed.splitlines() if line.startswith("[")]
    assert words == [f"0x{word:04X}" for word in VALUE_REGISTERS[order]]


@pytest.mark.peer("mbpoll")
@pytest.mark.parametrize(("order", "more"), [(Order.ABCD, ["-B"]), (Order.CDAB, [])])
async def test_mbpoll_reads_the_float(order: Order, more: list[str]) -> None:
    """mbpoll's own float, in the two orders it knows."""
    modbus = ModbusOutlet(builders.modbus(order=order), ANALYZERS)
    await modbus.start()
    try:
        await modbus.publish((builders.accepted_view("fp-203", VALUE_C),))
        how = ["-m", "tcp", "-0", "-t", "4:float", "-1", "-o", "10", "-p", str(modbus.port), *more]
        printed = await output_of(
            "mbpoll", *how, "-r", str(2 * BLOCK_REGISTERS), "-c", "1", "127.0.0.1"
        )
    finally:
        await modbus.stop()
    (value,) = [line.split()[-1] for line in printed.splitlines() if line.startswith("[")]
    assert float(value) == pytest.approx(VALUE_C, rel=1e-5)  # it prints six figures
