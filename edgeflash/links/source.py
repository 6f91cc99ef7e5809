"""The seam between the steps of a poll and whatever answers them."""

from __future__ import annotations

from datetime import datetime
from typing import Protocol

from edgeflash.config.register_map import Table
from edgeflash.links.errors import LinkError
from edgeflash.links.reading import MapReading, ReadingState, scan_steps
from edgeflash.model import Scan


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
    try:
        block = next(steps)
        while True:
            try:
                words = await source.read(block.table, block.address, block.count)
            except LinkError as error:
                block = steps.throw(error)
            else:
                block = steps.send(words)
    except StopIteration as done:
        result: tuple[Scan, ReadingState] = done.value
        return result
