"""One analyzer's place on a shared line, and its requests that wait for their turn there."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Protocol

from edgeflash.config.register_map import Table
from edgeflash.links.diagnostics import LinkDiagnostics
from edgeflash.links.errors import LinkError
from edgeflash.links.read_request import ReadRequest


class SharedLine(Protocol):
    """What a unit needs of its line."""

    id: str

    @property
    def is_open(self) -> bool:
        """True while requests can be sent."""

    async def opened(self) -> None:
        """Returns when the line is open. Raises LinkError when it cannot be opened."""

    async def read(self, unit: LineUnit, request: ReadRequest) -> list[int]:
        """The words of one request in its turn. Raises LinkError."""
        ...


class LineUnit:
    """One unit of a line, with the face of a connection: open, read, close."""

    def __init__(
        self,
        line: SharedLine,
        unit_id: int,
        diagnostics: LinkDiagnostics,
        on_answer: Callable[[], None],
    ) -> None:
        self._line, self._unit_id = line, unit_id
        self.diagnostics, self.on_answer = diagnostics, on_answer

    @property
    def peer(self) -> str:
        """Line and unit, for sentences."""
        return f"line {self._line.id} unit {self._unit_id}"

    async def open(self) -> None:
        """Returns once the line is open. Raises LinkError when it cannot be opened."""
        await self._line.opened()

    def close(self) -> None:
        """Nothing: the line stays open for the others."""

    @property
    def is_lost(self) -> bool:
        """True while the line is not open."""
        return not self._line.is_open

    async def read(self, table: Table, address: int, count: int) -> list[int]:
        """`count` words (bits as 0 and 1) from the zero-based address. Raises LinkError."""
        return await self._line.read(self, ReadRequest(self._unit_id, table, address, count))


class Job:
    """A request that waits for its turn. Every unit has one at a time.

    attempts: how often it may be sent. since_s: since when it waits.
    """

    __slots__ = ("attempts", "future", "request", "sent", "since_s", "unit")

    def __init__(self, request: ReadRequest, unit: LineUnit, since_s: float, attempts: int) -> None:
        self.request, self.unit, self.since_s, self.attempts = request, unit, since_s, attempts
        self.sent = 0
        self.future: asyncio.Future[list[int]] = asyncio.get_running_loop().create_future()

    def fail(self, error: LinkError) -> None:
        """Tells who waits; nothing, when nobody does any more."""
        if not self.future.done():
            self.future.set_exception(error)
