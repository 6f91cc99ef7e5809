"""A link that reads a server of the test's, and what it has seen; a proxy between the two."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from edgeflash.config import load_map
from edgeflash.config.site import Analyzer
from edgeflash.links import LinkKeys, Surroundings, link_for
from edgeflash.model import CycleBody, Scan
from edgeflash.publication import LinkState
from edgeflash.service import SYSTEM_CLOCK
from tests.waiting import until

# Generous: a server of a second or two must not fail a test for a busy machine.
PATIENCE_S = 60.0
OPEN = {"security_policy": "none", "security_mode": "none"}


@dataclass(slots=True)
class Seen:
    """What a link has handed over."""

    scans: list[Scan] = field(default_factory=list)
    states: list[tuple[LinkState, str]] = field(default_factory=list)

    @property
    def state(self) -> LinkState:
        """The state shown last."""
        return self.states[-1][0]

    @property
    def why(self) -> str:
        """The sentence shown last."""
        return self.states[-1][1]

    @property
    def bodies(self) -> list[CycleBody]:
        """Every finished cycle, in its order."""
        return [scan.body for scan in self.scans if scan.body is not None]

    @property
    def numbers(self) -> list[int]:
        """Their numbers."""
        return [body.cycle_number for body in self.bodies]

    async def state_is(self, state: LinkState) -> str:
        """Waits for a state; its sentence."""
        await until(lambda: self.states and self.state is state, PATIENCE_S)
        return self.why

    async def cycle_comes(self, number: int) -> CycleBody:
        """Waits for a cycle."""
        await until(lambda: number in self.numbers, PATIENCE_S)
        return next(body for body in self.bodies if body.cycle_number == number)

    async def next_scan(self) -> Scan:
        """Waits for a scan that is not begun yet."""
        count = len(self.scans) + 1  # the one that may be under way does not count
        await until(lambda: len(self.scans) > count, PATIENCE_S)
        return self.scans[-1]


@asynccontextmanager
async def reading(url: str, map_file: Path, state_dir: Path, **opcua: Any) -> AsyncIterator[Seen]:
    """A link at work, with what it has seen. Fails when the link itself fails."""
    settings = {
        "id": "cup-1",
        "number": 1,
        "map": "given",
        "opcua": {"url": url, "publishing_interval_s": 0.1, **(opcua or OPEN)},
        "analyzer_corrects_barometer": False,
        "poll_s": 0.05,
        "timeout_s": 2.0,
        "backoff_first_s": 0.05,
        "backoff_max_s": 0.5,
    }
    keys = LinkKeys(state_dir, state_dir, "windmill quay")
    analyzer = Analyzer.model_validate(settings)
    link = link_for(analyzer, load_map(map_file), None, SYSTEM_CLOCK, Surroundings(keys))
    seen = Seen()

    async def keep(scan: Scan) -> None:
        seen.scans.append(scan)

    task = asyncio.create_task(link.run(keep, lambda *state: seen.states.append(state)))
    try:
        yield seen
        assert not task.done(), task
    finally:
        task.cancel()
        await asyncio.wait([task])


class Proxy:
    """Forwards bytes to a port, until it is told to keep them: then nobody is told anything."""

    def __init__(self, port: int) -> None:
        self._target = port
        self._open = asyncio.Event()
        self._open.set()
        self._writers: list[asyncio.StreamWriter] = []
        self._server: asyncio.Server | None = None
        self.connections = 0

    async def start(self) -> int:
        """Listens; the port."""
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        port: int = self._server.sockets[0].getsockname()[1]
        return port

    def hold(self) -> None:
        """Keeps every byte from now on; connections stay open and new ones are taken."""
        self._open.clear()

    def release(self) -> None:
        """Forwards again, what was kept first."""
        self._open.set()

    async def stop(self) -> None:
        """Drops everything."""
        self._open.set()
        if self._server is not None:
            self._server.close()
        for writer in self._writers:
            writer.transport.abort()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        self._writers.append(writer)
        try:
            far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self._target)
        except OSError:
            writer.close()
            return
        self._writers.append(far_writer)
        await asyncio.gather(
            self._pass(reader, far_writer), self._pass(far_reader, writer), return_exceptions=True
        )

    async def _pass(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while data := await reader.read(65536):
                await self._open.wait()
                writer.write(data)
                await writer.drain()
        finally:
            writer.close()
