"""The seam between the steps of a poll and whatever answers them."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from datetime import datetime
from typing import Any, Protocol, TypeVar

from edgeflash.config.register_map import Table
from edgeflash.links.errors import LinkError
from edgeflash.links.groups import Steps
from edgeflash.links.reading import MapReading, ReadingState, scan_steps
from edgeflash.model import Scan

T = TypeVar("T")


class RegisterSource(Protocol):
    """Something registers can be read from: a connection, or an image in memory."""

    async def read(self, table: Table, address: int, count: int) -> list[int]:
        """`count` words (bits as 0 and 1) from the zero-based address. Raises LinkError."""
        ...


async def read_scan(
    source: RegisterSource,
    reading: MapReading,
    state: ReadingState,
    taken_at: datetime,
    taken_mono_s: float,
) -> tuple[Scan, ReadingState]:
    """One poll of the source: the scan and the next state. Raises LinkError; the state stands.

    The steps are told of a request that failed, for what a scan can do without.
    """
    steps = scan_steps(reading, state, taken_at, taken_mono_s)
    return await played(steps, lambda block: source.read(block.table, block.address, block.count))


async def played(steps: Steps[T], answer: Callable[[Any], Awaitable[Any]]) -> T:
    """What the steps make of the answers. A LinkError of an answer is thrown into the steps."""
    try:
        wanted = next(steps)
        while True:
            try:
                answered = await answer(wanted)
            except LinkError as error:
                wanted = steps.throw(error)
            else:
                wanted = steps.send(answered)
    except StopIteration as done:
        result: T = done.value
        return result
