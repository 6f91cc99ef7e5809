"""A bucket for a test: the S3-compatible server, and a proxy that breaks what goes through it."""

from __future__ import annotations

import asyncio
import contextlib
import random
import urllib.request
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass

from tests.peers.programs import python_of
from tests.peers.running import HERE, running

BUCKET = "depot-history"

KEYS = {
    "AWS_ACCESS_KEY_ID": "made-up",
    "AWS_SECRET_ACCESS_KEY": "made-up",
    "AWS_REGION": "eu-north-1",
    "AWS_EC2_METADATA_DISABLED": "true",
    "AWS_CONFIG_FILE": "/dev/null",
    "AWS_SHARED_CREDENTIALS_FILE": "/dev/null",
}
"""For the environment of who speaks to it; nothing of the machine's own is used."""

_BUSY = b"HTTP/1.1 503 Slow Down\r\nContent-Length: 0\r\nConnection: close\r\n\r\n"
_CHUNK = 4096


@asynccontextmanager
async def bucket() -> AsyncIterator[int]:
    """The port of a server with an empty bucket."""
    async with running([python_of("s3-server"), HERE / "s3_server.py"]) as server:
        port = int(await server.hear("listening "))
        made = urllib.request.Request(f"http://127.0.0.1:{port}/{BUCKET}", method="PUT")
        await asyncio.to_thread(lambda: urllib.request.urlopen(made).close())
        yield port


@dataclass
class Faults:
    """What a proxy does to its connections; shares of them, by chance.

    busy: answered 503. cut_there, cut_back: cut after some bytes, on the way there or back; after
    the latter the server has done what it was asked, and the asker does not know.
    kill_after: bytes in both directions, upon which `kill` is called and all is cut; None: never.
    """

    busy: float = 0.0
    cut_there: float = 0.0
    cut_back: float = 0.0
    kill_after: int | None = None
    kill: Callable[[], None] = lambda: None


@asynccontextmanager
async def proxy(port: int, faults: Faults, rng: random.Random) -> AsyncIterator[int]:
    """The port of a proxy before the server."""
    passed = 0
    open_now: set[asyncio.Task[None]] = set()

    async def pump(
        source: asyncio.StreamReader, sink: asyncio.StreamWriter, left: int | None
    ) -> None:
        nonlocal passed
        while data := await source.read(_CHUNK):
            passed += len(data)
            if faults.kill_after is not None and passed >= faults.kill_after:
                faults.kill()
                return
            if left is not None:
                left -= len(data)
                if left < 0:
                    return
            sink.write(data)
            await sink.drain()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        open_now.add(task)
        chance = rng.random()
        server_writer = None
        try:
            if chance < faults.busy:
                await reader.read(_CHUNK)
                writer.write(_BUSY)
                await writer.drain()
                return
            chance -= faults.busy
            there = rng.randrange(40_000) if chance < faults.cut_there else None
            chance -= faults.cut_there
            back = rng.randrange(6_000) if 0 <= chance < faults.cut_back else None
            server_reader, server_writer = await asyncio.open_connection("127.0.0.1", port)
            both = [
                asyncio.create_task(pump(reader, server_writer, there)),
                asyncio.create_task(pump(server_reader, writer, back)),
            ]
            try:
                await asyncio.wait(both, return_when=asyncio.FIRST_COMPLETED)
            finally:
                for one in both:
                    one.cancel()
                await asyncio.gather(*both, return_exceptions=True)
        except (OSError, asyncio.CancelledError):
            pass
        finally:
            open_now.discard(task)
            for end in (writer, server_writer):
                if end is not None:
                    with contextlib.suppress(OSError):
                        end.transport.abort()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        for task in list(open_now):
            task.cancel()
        await asyncio.gather(*open_now, return_exceptions=True)
