"""Our link reads a device made with libmodbus, in every encoding and order.

Peer: serve_registers.c. The words it holds are put together here from struct's big-endian bytes,
and for one float from a table of IEEE 754 bytes, so that our decoder is on one side only.
"""

from __future__ import annotations

import asyncio
import struct
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from edgeflash.config.load import load_map
from edgeflash.config.register_map import Order, RegisterMap
from edgeflash.links import ModbusLink
from edgeflash.model import CycleBody, Phase, RecentResult, Role, Scan, TraceSource
from edgeflash.publication import LinkState
from edgeflash.service import SYSTEM_CLOCK
from tests.peers.running import HERE, Peer, compiled, running
from tests.unit.outlets import builders
from tests.waiting import until

pytestmark = pytest.mark.peer("gcc", "libmodbus")

# 140.5 as IEEE 754 single is 43 0C 80 00.
FLASH_POINT_C = 140.5
FLASH_POINT_WORDS = {
    Order.ABCD: (0x430C, 0x8000),
    Order.CDAB: (0x8000, 0x430C),
    Order.BADC: (0x0C43, 0x0080),
    Order.DCBA: (0x0080, 0x0C43),
}
RESULT_TIME = datetime(2031, 4, 5, 6, 7, 8, tzinfo=UTC)
RESULT_EPOCH_S = 1933135628  # date -u -d 2031-04-05T06:07:08 +%s
TRACE_POINTS = 20


def register_map(order: Order) -> RegisterMap:
    """device_map.toml, checked as a site's map is, in one of the orders."""
    written = load_map(HERE / "device_map.toml").model_dump(mode="json", exclude_none=True)
    written["map"]["order"] = order
    return RegisterMap.model_validate(written)


def words(code: str, value: float | int, order: Order) -> list[int]:
    """The registers of one number, by the definition of the four orders on its big-endian bytes."""
    data = struct.pack(f">{code}", value)
    pairs = [data[i : i + 2] for i in range(0, len(data), 2)]
    if len(pairs) > 1 and order in (Order.CDAB, Order.DCBA):
        pairs.reverse()
    if len(pairs) > 1 and order in (Order.BADC, Order.DCBA):
        pairs = [pair[::-1] for pair in pairs]
    return [int.from_bytes(pair, "big") for pair in pairs]


def contents(order: Order) -> list[tuple[str, int, list[int]]]:
    """Everything the device holds: table, first address, words."""
    input_places: list[tuple[int, list[int]]] = [
        (0, list(FLASH_POINT_WORDS[order])),
        (2, words("I", 70_000, order)),
        (4, words("I", RESULT_EPOCH_S, order)),
        (6, [0xFF85]),  # −123 in two's complement
        (7, words("d", -12.25, order)),
        (11, [0x1013]),
        (12, words("f", 6.5, order)),
        (14, words("I", 0x00123456, order)),
        (16, words("i", -123_456, order)),
        (18, words("h", -9999, order)),
        (19, words("q", -1_234_567_890_123, order)),
        (23, words("Q", 2**63 + 5, order)),
        (27, [5]),
        (100, words("I", 70_000, order)),
        (102, [TRACE_POINTS - 5]),
        (103, [250]),
    ]
    for i in range(TRACE_POINTS):
        input_places += [(104 + 2 * i, words("f", 140.0 + 9 * i, order)), (144 + i, [100 * i])]
    for place, (number, minute) in enumerate(((70_000, 7), (69_998, 57), (69_999, 2))):
        hour = 5 if minute == 57 else 6
        start = 200 + 10 * place
        input_places += [
            (start, words("I", number, order)),
            (start + 2, [2031, 4, 5, hour, minute, 8]),
            (start + 8, words("f", 140.5 - (70_000 - number), order)),
        ]
    return [
        *(("input", address, held) for address, held in input_places),
        ("holding", 10, words("f", 5.4, order)),
        ("holding", 12, [1]),
        ("holding", 40, [0x7461, 0x6E6B, 0x2037, 0]),  # "tank 7" in ASCII, NUL filled
        ("discrete", 9, [1]),
        ("coil", 17, [1]),
    ]


@pytest.fixture(scope="module")
def serve_registers(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The libmodbus device."""
    return compiled("serve_registers.c", tmp_path_factory.mktemp("libmodbus"))


def hold(device: Peer, table: str, address: int, held: list[int]) -> None:
    """Sets words in the device."""
    for offset, word in enumerate(held):
        device.say(f"{table} {address + offset} 0x{word:04X}")


class Listener:
    """Keeps what a link says."""

    def __init__(self) -> None:
        self.scans: list[Scan] = []
        self.states: list[tuple[LinkState, str]] = []

    async def on_scan(self, scan: Scan) -> None:
        self.scans.append(scan)

    def on_state(self, state: LinkState, why: str) -> None:
        self.states.append((state, why))

    @property
    def bodies(self) -> list[CycleBody]:
        """The finished cycles, in order of arrival."""
        return [scan.body for scan in self.scans if scan.body is not None]


@asynccontextmanager
async def linked(device: Peer, mapped: RegisterMap) -> AsyncIterator[Listener]:
    """A link that polls the device until the end of the block."""
    device.say("serve")
    port = int(await device.hear("port "))
    analyzer = builders.analyzer(host="127.0.0.1", port=port, poll_s=0.02, timeout_s=10.0)
    listener = Listener()
    link = ModbusLink(analyzer, mapped, None, SYSTEM_CLOCK)
    task = asyncio.create_task(link.run(listener.on_scan, listener.on_state))
    try:
        yield listener
    finally:
        task.cancel()
        await asyncio.wait([task], timeout=10.0)
        assert task.cancelled()


@pytest.mark.parametrize("order", Order)
async def test_every_encoding_in_every_order(order: Order, serve_registers: Path) -> None:
    """The values of a finished cycle, in inside units, its trace, and the ring before it."""
    async with running([serve_registers]) as device:
        for table, address, held in contents(order):
            hold(device, table, address, held)
        async with linked(device, register_map(order)) as listener:
            await until(lambda: listener.bodies, timeout_s=20.0)
            scan = listener.scans[0]
    body = scan.body
    assert body is not None and not body.torn
    assert body.cycle_number == 70_000
    values = body.values
    assert values[Role.FLASH_POINT] == FLASH_POINT_C
    assert values[Role.CYCLE_NUMBER] == 70_000
    assert values[Role.RESULT_TIME] == RESULT_TIME
    assert values[Role.SAMPLE_TEMPERATURE] == pytest.approx(-12.3, abs=1e-12)
    assert values[Role.CELL_PRESSURE] == pytest.approx(-1.225, abs=1e-12)  # 1 mbar = 0.1 kPa
    assert values[Role.BAROMETRIC_PRESSURE] == pytest.approx(101.3, abs=1e-9)
    assert values[Role.PEAK_PRESSURE] == pytest.approx(6.5 * 6.894757, rel=1e-6)  # NIST SP 811
    assert values[Role.SPARK_COUNT] == 123_456
    assert values[Role.SAMPLE_FLOW] == pytest.approx(-1234.56 * 1000 / 60)
    assert values[Role.START_TEMPERATURE] is None
    assert values[Role.TRANSDUCER_ZERO] == pytest.approx(-1_234_567.890123)
    assert values[Role.AIR_FLOW] == pytest.approx(9.223372036854776)  # 2^63 + 5, unsigned
    assert values[Role.ALIVE] is True
    assert values[Role.STREAM] == "tank 7"
    assert values[Role.HEATING_RATE] == pytest.approx(3.0, rel=1e-6)  # 5.4 °F/min, as float32
    assert values[Role.IGNITION_SEEN] is True
    assert values[Role.PHASE] is Phase.PURGE
    assert values[Role.FAULT_BITS] == ("heater_fault",)

    trace = body.trace
    assert trace is not None and trace.source is TraceSource.BLOCK
    count = TRACE_POINTS - 5
    assert list(trace.time_s) == pytest.approx([0.25 * i for i in range(count)])
    # 140 °F is 60 °C and 9 °F are 5 °C, by definition of the scale.
    assert list(trace.temperature_c) == pytest.approx([60.0 + 5 * i for i in range(count)])
    assert list(trace.pressure_kpa) == pytest.approx([float(i) for i in range(count)])

    times = [RESULT_TIME - timedelta(minutes=ago) for ago in (10, 5, 0)]
    assert scan.recent == (
        RecentResult(69_998, 138.5, times[0]),
        RecentResult(69_999, 139.5, times[1]),
        RecentResult(70_000, 140.5, times[2]),
    )
    assert [state for state, _ in listener.states] == [LinkState.CONNECTING, LinkState.UP]


async def test_the_next_cycle_is_delivered_once(serve_registers: Path) -> None:
    """When the device counts on, one body with the new value comes, and not the old one again."""
    order = Order.CDAB
    async with running([serve_registers]) as device:
        for table, address, held in contents(order):
            hold(device, table, address, held)
        async with linked(device, register_map(order)) as listener:
            await until(lambda: listener.bodies, timeout_s=20.0)
            seen = len(listener.scans)
            await until(lambda: len(listener.scans) >= seen + 5, timeout_s=20.0)
            assert len(listener.bodies) == 1
            # As a device does: the value first, its number last. In this order the changing low
            # word of the number is one single register, so no half of it can be seen.
            hold(device, "input", 0, words("f", 61.5, order))
            hold(device, "input", 100, words("I", 70_001, order))
            hold(device, "input", 2, words("I", 70_001, order))
            await until(lambda: len(listener.bodies) == 2, timeout_s=20.0)
            seen = len(listener.scans)
            await until(lambda: len(listener.scans) >= seen + 5, timeout_s=20.0)
    assert [body.cycle_number for body in listener.bodies] == [70_000, 70_001]
    assert listener.bodies[1].values[Role.FLASH_POINT] == 61.5


async def test_an_address_the_device_lacks_is_a_misconfiguration(serve_registers: Path) -> None:
    """libmodbus answers "illegal data address"; the link names the role and gives no value."""
    mapped = register_map(Order.ABCD).model_dump(mode="json", exclude_none=True)
    mapped["roles"]["peak_pressure"]["address"] = 4999
    async with running([serve_registers]) as device:
        for table, address, held in contents(Order.ABCD):
            hold(device, table, address, held)
        async with linked(device, RegisterMap.model_validate(mapped)) as listener:
            await until(
                lambda: any(state is LinkState.MISCONFIGURED for state, _ in listener.states),
                timeout_s=20.0,
            )
    _, why = listener.states[-1]
    assert "4999" in why
    assert "peak_pressure" in why
    assert listener.bodies == []
