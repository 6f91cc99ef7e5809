"""Reads a range of an unknown Modbus device, again and again. Only ever reads."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from time import time

from edgeflash.config.register_map import Table
from edgeflash.links.errors import LinkError, LinkFault
from edgeflash.links.source import RegisterSource
from edgeflash.peek.ranking import Looks

MOST_AT_ONCE = 125
"""Registers of one request (Modbus application protocol V1.1b3, 6.3)."""

Span = tuple[int, int]
"""Zero-based first address and the one after the last."""


async def readable_spans(
    source: RegisterSource, table: Table, first: int, count: int
) -> tuple[Span, ...]:
    """The parts of a range that the device has; a refused part is tried in halves.

    Raises LinkError when the device does not answer, or does not have the table at all.
    """
    found: list[Span] = []
    waiting = [
        (start, min(start + MOST_AT_ONCE, first + count))
        for start in range(first, first + count, MOST_AT_ONCE)
    ]
    while waiting:
        start, end = waiting.pop(0)
        try:
            await source.read(table, start, end - start)
        except LinkError as error:
            if error.fault is not LinkFault.ILLEGAL_ADDRESS:
                raise
            if end - start > 1:
                middle = (start + end) // 2
                waiting[:0] = [(start, middle), (middle, end)]
            continue
        if found and found[-1][1] == start and end - found[-1][0] <= MOST_AT_ONCE:
            found[-1] = (found[-1][0], end)
        else:
            found.append((start, end))
    return tuple(found)


async def looks_at(
    source: RegisterSource, table: Table, spans: tuple[Span, ...], looks: int, every_s: float
) -> AsyncIterator[tuple[Looks, ...]]:
    """After each look, all that has been seen so far of each span. Raises LinkError."""
    loop = asyncio.get_running_loop()
    words: list[list[tuple[int, ...]]] = [[] for _ in spans]
    times: list[float] = []
    next_s = loop.time()
    for _ in range(looks):
        await asyncio.sleep(max(0.0, next_s - loop.time()))
        next_s += every_s
        times.append(time())
        for place, (start, end) in enumerate(spans):
            words[place].append(tuple(await source.read(table, start, end - start)))
        yield tuple(
            Looks(start, tuple(words[place]), tuple(times))
            for place, (start, _) in enumerate(spans)
        )
