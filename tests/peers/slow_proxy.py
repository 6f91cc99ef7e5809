"""A TCP proxy that makes a network bad: slow, silent, or cut."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager


class Proxy:
    """Passes bytes on, `bytes_per_s` at most and `delay_s` later each way.

    silent: bytes go nowhere, and nobody is told. deaf: those that come back go nowhere, the others
    arrive. port: where it listens.
    """

    def __init__(self, to_port: int) -> None:
        self._to_port = to_port
        self._writers: set[asyncio.StreamWriter] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        self.port = 0
        self.delay_s = 0.0
        self.bytes_per_s = 1e9
        self.silent = False
        self.deaf = False
        self.connections = 0

    async def accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One connection, both ways."""
        self.connections += 1
        there, back = await asyncio.open_connection("127.0.0.1", self._to_port)
        self._writers |= {writer, back}
        for is_back, pair in enumerate(((reader, back), (there, writer))):
            task = asyncio.create_task(self._pass(*pair, is_back=bool(is_back)))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    async def _pass(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, *, is_back: bool
    ) -> None:
        try:
            while data := await reader.read(2048):
                await asyncio.sleep(self.delay_s + len(data) / self.bytes_per_s)
                if not self.silent and not (is_back and self.deaf):
                    writer.write(data)
                    await writer.drain()
        except OSError:
            pass
        finally:
            if not self.silent:
                writer.close()

    def cut(self) -> None:
        """Resets every connection."""
        for writer in self._writers:
            writer.transport.abort()
        self._writers.clear()

    async def end(self) -> None:
        """Ends every connection and all that works for it."""
        self.cut()
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)


@asynccontextmanager
async def proxy(to_port: int) -> AsyncIterator[Proxy]:
    """A proxy on a free port of loopback."""
    made = Proxy(to_port)
    server = await asyncio.start_server(made.accept, "127.0.0.1", 0)
    made.port = server.sockets[0].getsockname()[1]
    try:
        yield made
    finally:
        server.close()
        await made.end()
