"""Several units behind one Modbus TCP gateway: one connection, and late replies told by number."""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

from edgeflash.config.register_map import Table
from edgeflash.config.site import Line as LineSettings
from edgeflash.links.diagnostics import LinkDiagnostics
from edgeflash.links.errors import LinkError, LinkFault
from edgeflash.links.line import Line
from edgeflash.links.line_unit import LineUnit
from edgeflash.service import SYSTEM_CLOCK
from tests.integration.links.peers import HOST, Peer, Request, Script, scripted
from tests.waiting import until

WAIT_S = 30.0
UNITS = (1, 2, 3)


def held(unit: int, address: int, count: int) -> list[int]:
    """What a unit holds: words that name unit and register."""
    return [unit << 12 | at for at in range(address, address + count)]


def properly(request: Request) -> bytes:
    """The right answer."""
    return request.reply(held(request.unit, request.address, request.count))


class Gateway:
    """The units of a line behind the peer."""

    def __init__(self, peer: Peer, line: Line) -> None:
        self.peer = peer
        self.notes = {unit: LinkDiagnostics() for unit in (*UNITS, 9)}
        self.units: dict[int, LineUnit] = {u: line.unit(u, n) for u, n in self.notes.items()}

    async def read(self, unit: int, address: int) -> None:
        """A read that must give the right words when it gives any."""
        words = await self.units[unit].read(Table.HOLDING, address, 2)
        assert words == held(unit, address, 2)

    async def read_again(self, unit: int, address: int) -> None:
        """Until a right value comes."""
        async with asyncio.timeout(WAIT_S):
            while True:
                try:
                    await self.read(unit, address)
                except LinkError:
                    await asyncio.sleep(0.01)
                    continue
                return


@asynccontextmanager
async def gateway(
    script: Script, timeout_s: float = 5.0, *, byte_by_byte: bool = False
) -> AsyncIterator[Gateway]:
    """A line with framing "tcp" at work."""
    async with scripted(script, byte_by_byte=byte_by_byte) as peer:
        settings = LineSettings(
            id="north", host=HOST, port=peer.port, framing="tcp", timeout_s=timeout_s, retries=0
        )
        line = Line(settings, SYSTEM_CLOCK)
        task = asyncio.create_task(line.run())
        try:
            made = Gateway(peer, line)
            await made.units[1].open()
            yield made
            assert not task.done()
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


@pytest.mark.parametrize("byte_by_byte", [False, True])
async def test_units_share_one_connection(byte_by_byte: bool) -> None:
    """A gateway allows few connections: one is enough; and one request is under way at a time."""
    busy = 0

    async def script(request: Request) -> bytes:
        nonlocal busy
        busy += 1
        assert busy == 1
        await asyncio.sleep(0)
        busy -= 1
        return properly(request)

    async with gateway(script, byte_by_byte=byte_by_byte) as far:
        for address in range(0, 50, 10):
            await asyncio.gather(*(far.read(unit, address) for unit in UNITS))
        assert far.peer.connections == 1
        assert [r.unit for r in far.peer.requests[:3]] == [1, 2, 3]


async def test_a_unit_the_gateway_cannot_reach() -> None:
    """Exception 11 is that unit's alone."""

    async def script(request: Request) -> bytes:
        return request.refuse(11) if request.unit == 9 else properly(request)

    async with gateway(script) as far:
        with pytest.raises(LinkError) as caught:
            await far.read(9, 0)
        assert caught.value.fault is LinkFault.BEHIND_GATEWAY
        await far.read(1, 0)
        assert far.notes[9].figures(0.0).refusals == ((11, 1),)


async def test_late_replies_are_told_by_number() -> None:
    """Replies up to two requests late: each value read is of the register asked for, and the late
    ones are counted. The connection stays: nothing was out of step."""
    rng = random.Random(3)

    async def script(request: Request) -> bytes:
        await asyncio.sleep(rng.choice([0.0, 0.0, 0.0, 0.15]))
        return properly(request)

    async with gateway(script, timeout_s=0.1) as far:

        async def ask(unit: int) -> None:
            for address in range(15):
                await far.read_again(unit, 10 * address)

        async with asyncio.timeout(4 * WAIT_S):
            await asyncio.gather(*(ask(unit) for unit in UNITS))
        assert sum(far.notes[unit].figures(0.0).late for unit in UNITS) > 0


async def test_one_units_rubbish_is_no_failure_of_the_others() -> None:
    """The connection is renewed under them: their reads wait, and give right words."""

    async def script(request: Request) -> bytes:
        return b"HTTP/1.1 400 Bad Request\r\n\r\n" if request.unit == 9 else properly(request)

    async with gateway(script) as far:
        for address in range(10):
            bad = asyncio.create_task(far.read(9, address))
            for unit in UNITS:
                await far.read(unit, address)  # raises nothing
            await asyncio.wait([bad])
            assert isinstance(bad.exception(), LinkError)
        assert far.peer.connections > 5


async def test_an_idle_connection_that_is_closed_is_no_failure() -> None:
    """Some gateways close what has been quiet: the next read comes on a new connection."""

    async def script(request: Request) -> bytes:
        return properly(request)

    async with gateway(script) as far:
        for address in range(5):
            await far.read(1, address)
            connections = far.peer.connections
            far.peer.drop()
            await until(lambda before=connections: far.peer.connections > before, WAIT_S)
            assert not far.units[2].is_lost
            await far.read(2, address)


@pytest.mark.parametrize("spoilt", ["rubbish", "another unit", "too short"])
async def test_a_connection_out_of_step_is_renewed(spoilt: str) -> None:
    """What a numbered reply cannot be: no value, a new connection, right values again."""
    is_spoiling = True

    async def script(request: Request) -> bytes:
        if not is_spoiling:
            return properly(request)
        match spoilt:
            case "rubbish":
                return b"HTTP/1.1 400 Bad Request\r\n\r\n"
            case "another unit":
                right = properly(request)
                return right[:6] + b"\x07" + right[7:]
        return request.reply([1])

    async with gateway(script) as far:
        with pytest.raises(LinkError) as caught:
            await far.read(1, 0)
        assert not caught.value.fault.answered
        is_spoiling = False
        await far.read_again(1, 7)
        assert far.peer.connections == 2
        assert far.notes[1].figures(0.0).garbled == 1
