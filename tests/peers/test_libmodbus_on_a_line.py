"""Our line reads two slaves made with libmodbus RTU, while a bus between them misbehaves.

Peer: serve_serial.c, once for each slave. Every register names its slave, table and address, so a
value under another tag shows.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack, asynccontextmanager
from pathlib import Path

import pytest

from edgeflash.config.register_map import Table
from edgeflash.config.site import Line as LineSettings
from edgeflash.links.diagnostics import LinkDiagnostics
from edgeflash.links.errors import LinkError, LinkFault
from edgeflash.links.line import Line
from edgeflash.links.line_unit import LineUnit
from edgeflash.service import SYSTEM_CLOCK
from tests.peers.running import Peer, compiled, running
from tests.peers.serial_bus import Pieces, SerialBus, whole

pytestmark = pytest.mark.peer("gcc", "libmodbus")

UNITS = (3, 7)
WAIT_S = 60.0
TIMEOUT_S, LATE_S = 0.3, 0.6


@pytest.fixture(scope="module")
def serve_serial(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The libmodbus slave."""
    return compiled("serve_serial.c", tmp_path_factory.mktemp("libmodbus"))


def held(unit: int, table: Table, address: int) -> int:
    """What serve_serial.c holds at a place."""
    match table:
        case Table.HOLDING:
            return unit << 12 | address
        case Table.INPUT:
            return ~(unit << 12 | address) & 0xFFFF
        case Table.COIL:
            return int(address % (unit + 1) == 0)
        case Table.DISCRETE:
            return int(address % (unit + 2) == 0)


class OnTheLine:
    """The bus, and the units that read over it."""

    def __init__(self, bus: SerialBus, line: Line, slaves: list[Peer]) -> None:
        self.bus, self.slaves = bus, slaves
        self.notes = {unit: LinkDiagnostics() for unit in UNITS}
        self.units: dict[int, LineUnit] = {u: line.unit(u, n) for u, n in self.notes.items()}
        self.values = 0

    async def read(self, unit: int, table: Table, address: int, count: int) -> None:
        """A read whose words must be those asked for; raises LinkError when there are none."""
        words = await self.units[unit].read(table, address, count)
        assert words == [held(unit, table, at) for at in range(address, address + count)]
        self.values += 1

    async def read_again(self, unit: int) -> None:
        """Until a right value comes: whatever was done to the line before, it must."""
        async with asyncio.timeout(WAIT_S):
            while True:
                try:
                    await self.read(unit, Table.HOLDING, 222, 2)
                except LinkError:
                    await asyncio.sleep(0.01)
                    continue
                return


@asynccontextmanager
async def two_slaves(program: Path) -> AsyncIterator[OnTheLine]:
    """Two slave processes, the bus, our line."""
    bus = SerialBus(len(UNITS))
    async with AsyncExitStack() as stack:
        stack.push_async_callback(bus.close)
        slaves = []
        for unit, device in zip(UNITS, bus.slaves, strict=True):
            slave = await stack.enter_async_context(running([program, device, str(unit)]))
            await slave.hear("ready")
            slaves.append(slave)
        settings = LineSettings(
            id="bus", device=bus.master, timeout_s=TIMEOUT_S, late_s=LATE_S, retries=0
        )
        line = Line(settings, SYSTEM_CLOCK)
        task = asyncio.create_task(line.run())
        try:
            made = OnTheLine(bus, line, slaves)
            await made.units[UNITS[0]].open()
            yield made
            assert not task.done()
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


async def test_every_table_of_both_slaves(serve_serial: Path) -> None:
    """All four read functions, the longest reads, and a refusal, from two slaves at once."""
    async with two_slaves(serve_serial) as line:

        async def read_all(unit: int) -> None:
            await line.read_again(unit)
            for table, count in (
                (Table.HOLDING, 125),
                (Table.INPUT, 125),
                (Table.COIL, 2000),
                (Table.DISCRETE, 1999),
                (Table.HOLDING, 1),
                (Table.COIL, 1),
            ):
                await _patiently(lambda table=table, count=count: line.read(unit, table, 17, count))
            with pytest.raises(LinkError) as caught:
                await _patiently(lambda: line.read(unit, Table.INPUT, 3999, 2))
            assert caught.value.fault is LinkFault.ILLEGAL_ADDRESS

        await asyncio.gather(*(read_all(unit) for unit in UNITS))
        assert line.values >= 14
        for unit in UNITS:
            assert line.notes[unit].figures(0.0).refusals == ((2, 1),)


async def _patiently(read: Callable[[], object]) -> None:
    """Again when nothing came: on a busy machine a time limit may pass."""
    async with asyncio.timeout(WAIT_S):
        while True:
            try:
                await read()  # type: ignore[misc]
            except LinkError as error:
                if error.fault is LinkFault.NO_RESPONSE:
                    await asyncio.sleep(0.01)
                    continue
                raise
            return


def noise_before(reply: bytes) -> Pieces:
    return [(0.0, b"\x00\xff\x00"), (0.01, reply)]


def noise_after(reply: bytes) -> Pieces:
    return [(0.0, reply), (0.0, b"\xff\x00\x55")]


def truncated(reply: bytes) -> Pieces:
    return [(0.0, reply[: len(reply) // 2])]


def headless(reply: bytes) -> Pieces:
    return [(0.0, reply[2:])]


def bit_flipped(reply: bytes) -> Pieces:
    return [(0.0, reply[:4] + bytes([reply[4] ^ 0x10]) + reply[5:])]


def late(reply: bytes) -> Pieces:
    return [(TIMEOUT_S + 0.7 * LATE_S, reply)]


def just_late(reply: bytes) -> Pieces:
    return [(TIMEOUT_S + 0.02, reply)]


def half_late(reply: bytes) -> Pieces:
    return [(0.0, reply[:5]), (TIMEOUT_S + 0.1, reply[5:])]


def dribbled(reply: bytes) -> Pieces:
    return [(0.002, bytes([byte])) for byte in reply]


def doubled(reply: bytes) -> Pieces:
    return [(0.0, reply + reply)]


def swallowed(_: bytes) -> Pieces:
    return []


INJECTIONS = (
    noise_before,
    noise_after,
    truncated,
    headless,
    bit_flipped,
    late,
    just_late,
    half_late,
    dribbled,
    doubled,
    swallowed,
)


@pytest.mark.parametrize("injection", INJECTIONS, ids=lambda one: one.__name__)
async def test_right_values_after_each_injection(
    serve_serial: Path, injection: Callable[[bytes], Pieces]
) -> None:
    """One reply is spoilt; that read gives the right words or none, and both slaves read on.

    The requests before and after have the same shape and other addresses.
    """
    async with two_slaves(serve_serial) as line:
        for unit in UNITS:
            await line.read_again(unit)
        for round_ in range(3):
            spoilt = UNITS[round_ % 2]
            line.bus.spoil = injection
            replies = line.bus.replies
            async with asyncio.timeout(WAIT_S):
                while line.bus.replies == replies:  # a slow slave may have been too late for it
                    try:
                        await line.read(spoilt, Table.HOLDING, 111 + round_, 2)
                    except LinkError as error:
                        assert not error.fault.answered
            line.bus.spoil = whole
            await asyncio.gather(*(line.read_again(unit) for unit in UNITS))


@pytest.mark.slow
async def test_a_bus_that_never_stops_misbehaving(serve_serial: Path) -> None:
    """A long run of every injection at random: each word that is read is right; many are read."""
    rng = random.Random(11)
    async with two_slaves(serve_serial) as line:

        def spoil(reply: bytes) -> Pieces:
            return rng.choice((whole, *INJECTIONS))(reply)

        line.bus.spoil = spoil

        async def ask(unit: int) -> int:
            good = 0
            for address in range(40):
                table = (Table.HOLDING, Table.INPUT)[address % 2]
                try:
                    await line.read(unit, table, 30 * address, 2)
                    good += 1
                except LinkError as error:
                    assert not error.fault.answered
            return good

        async with asyncio.timeout(4 * WAIT_S):
            good = await asyncio.gather(*(ask(unit) for unit in UNITS))
        figures = [line.notes[unit].figures(0.0) for unit in UNITS]
    assert min(good) >= 5
    assert all(f.timeouts > 0 and f.garbled > 0 for f in figures)
    assert sum(f.late for f in figures) > 0
