"""What a Modbus TCP link counts, against peers that answer, refuse, garble, or say nothing."""

from __future__ import annotations

import asyncio

import pytest

from edgeflash.config.register_map import Table
from edgeflash.link_figures import LinkFigures
from edgeflash.links.connection import ModbusConnection
from edgeflash.links.diagnostics import LinkDiagnostics
from edgeflash.links.errors import LinkError
from tests.integration.links.peers import HOST, Request, Script, scripted


async def counted(
    script: Script, reads: int, retries: int = 0, timeout_s: float = 5.0
) -> LinkFigures:
    """Figures after so many reads, each on a connection of its own when the last one failed."""
    notes = LinkDiagnostics()
    async with scripted(script) as peer:
        connection: ModbusConnection | None = None
        for _ in range(reads):
            if connection is None:
                connection = ModbusConnection(
                    HOST, peer.port, 1, timeout_s, retries, diagnostics=notes
                )
                await connection.open()
            try:
                await connection.read(Table.INPUT, 10, 2)
            except LinkError as error:
                if not error.fault.answered:
                    connection.close()
                    connection = None
        if connection is not None:
            connection.close()
    return notes.figures(0.0)


async def test_answers_and_refusals() -> None:
    """Two answers, then refusals of two kinds; every one has its round trip."""
    replies = iter((None, 6, None, 2, 6))

    async def script(request: Request) -> bytes:
        code = next(replies)
        return request.reply([1, 2]) if code is None else request.refuse(code)

    figures = await counted(script, 5)
    assert (figures.requests, figures.answers, figures.round_trips) == (5, 5, 5)
    assert figures.refusals == ((2, 1), (6, 2))
    assert (figures.timeouts, figures.garbled, figures.reconnects) == (0, 0, 0)


async def test_garbled_answers() -> None:
    """Bytes that are not Modbus, and an answer that is too short: both garbled, both reconnect."""
    replies = iter((b"no Modbus at all", b"", None))

    async def script(request: Request) -> bytes:
        spoilt = next(replies)
        if spoilt is None:
            return request.reply([1, 2])
        return spoilt or request.reply([1])

    figures = await counted(script, 3)
    assert (figures.requests, figures.answers) == (3, 2), "the short one is whole, and no use"
    assert (figures.garbled, figures.reconnects, figures.timeouts) == (2, 2, 0)


@pytest.mark.parametrize("retries", [0, 2])
async def test_silence(retries: int) -> None:
    """Every sending that nobody answers is a timeout; those after the first are retries."""

    async def script(_: Request) -> bytes:
        await asyncio.Event().wait()
        return b""

    figures = await counted(script, 2, retries=retries, timeout_s=0.1)
    assert (figures.requests, figures.answers) == (2, 0)
    assert figures.timeouts == 2 * (1 + retries)
    assert figures.retries == 2 * retries


async def test_an_answer_to_a_repeat_has_no_round_trip() -> None:
    """Nothing tells which sending it answers, so its time would be a guess."""
    silent = iter((True, False))

    async def script(request: Request) -> bytes:
        return b"" if next(silent, False) else request.reply([1, 2])

    figures = await counted(script, 1, retries=1, timeout_s=2.0)
    assert (figures.requests, figures.answers) == (1, 1)
    assert figures.retries == figures.timeouts == 1
    assert figures.round_trips == 0
