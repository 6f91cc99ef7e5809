"""Far sides for a link: a proper device (pymodbus server) and a scripted peer."""

from __future__ import annotations

import asyncio
import struct
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from time import monotonic
from typing import TypeAlias

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from tests.ports import free_port
from tests.unit.links.image import AnalyzerImage

HOST = "127.0.0.1"


class Device:
    """An analyzer's registers behind a pymodbus server, at one port through restarts.

    refusal: called with address and count; an exception code refuses the request.
    """

    def __init__(self, image: AnalyzerImage) -> None:
        self.image = image
        self.port = free_port()
        self.refusal: Callable[[int, int], ExcCodes | None] = lambda _address, _count: None
        self.requests: list[tuple[float, int, int]] = []
        self.connections = 0
        self._server: ModbusTcpServer | None = None

    async def start(self) -> None:
        """Listen."""
        registers = [SimData(0, count=4000, values=0, datatype=DataType.REGISTERS)]
        self._server = ModbusTcpServer(
            SimDevice(id=1, simdata=registers, action=self._serve),
            address=(HOST, self.port),
            trace_connect=self._count,
        )
        await self._server.serve_forever(background=True)

    async def stop(self) -> None:
        """Close the port and every connection."""
        if self._server is not None:
            await self._server.shutdown()
            self._server = None

    def drop_connections(self) -> None:
        """Close every connection, go on listening."""
        assert self._server is not None
        for connection in list(self._server.active_connections.values()):
            connection.close()

    def _count(self, is_up: bool) -> None:
        self.connections += is_up

    async def _serve(
        self,
        _function: int,
        start: int,
        address: int,
        count: int,
        current: list[int],
        _values: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        self.requests.append((monotonic(), address, count))
        code = self.refusal(address, count)
        if code is not None:
            return code
        self.image.before_read(len(self.requests) - 1)
        words = [self.image.words.get(a, 0) for a in range(address, address + count)]
        current[address - start : address - start + count] = words
        return None


@asynccontextmanager
async def device(image: AnalyzerImage) -> AsyncIterator[Device]:
    """A running device."""
    made = Device(image)
    await made.start()
    try:
        yield made
    finally:
        await made.stop()


@dataclass(frozen=True, slots=True)
class Request:
    """One read request as it came."""

    transaction: int
    unit: int
    function: int
    address: int
    count: int

    def reply(self, words: list[int]) -> bytes:
        """The proper answer frame for register tables."""
        data = struct.pack(f">{len(words)}H", *words)
        return self.frame(bytes([self.function, len(data)]) + data)

    def refuse(self, code: int) -> bytes:
        """An exception answer."""
        return self.frame(bytes([self.function | 0x80, code]))

    def frame(self, pdu: bytes) -> bytes:
        """Any PDU in the frame that belongs to this request."""
        return struct.pack(">HHHB", self.transaction, 0, len(pdu) + 1, self.unit) + pdu


class HangupError(Exception):
    """Raised by a script: close the connection now."""


Script: TypeAlias = Callable[[Request], Awaitable[bytes]]


@dataclass
class Peer:
    """A listening peer that answers each request with what the script gives.

    drop: closes every connection.
    """

    port: int = 0
    connections: int = 0
    requests: list[Request] = field(default_factory=list)
    drop: Callable[[], None] = lambda: None


@asynccontextmanager
async def scripted(script: Script, *, byte_by_byte: bool = False) -> AsyncIterator[Peer]:
    """A peer under full control, byte by byte.

    Like a device with a queue it hears every request at once and answers them one by one.
    """
    peer = Peer()
    tasks: set[asyncio.Task[None]] = set()
    transports: list[asyncio.WriteTransport] = []

    def drop() -> None:
        for transport in transports:
            transport.abort()

    peer.drop = drop

    async def listen(reader: asyncio.StreamReader, heard: asyncio.Queue[Request | None]) -> None:
        try:
            while True:
                transaction, _, length, unit = struct.unpack(">HHHB", await reader.readexactly(7))
                function, address, count = struct.unpack(
                    ">BHH", await reader.readexactly(length - 1)
                )
                request = Request(transaction, unit, function, address, count)
                peer.requests.append(request)
                heard.put_nowait(request)
        except (asyncio.IncompleteReadError, ConnectionError):
            heard.put_nowait(None)

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        peer.connections += 1
        heard: asyncio.Queue[Request | None] = asyncio.Queue()
        listener = asyncio.create_task(listen(reader, heard))
        try:
            while (request := await heard.get()) is not None:
                frames = await script(request)
                for part in [bytes([b]) for b in frames] if byte_by_byte else [frames]:
                    writer.write(part)
                    await writer.drain()
                    await asyncio.sleep(0)
        except (ConnectionError, HangupError):
            pass
        finally:
            listener.cancel()
            await asyncio.gather(listener, return_exceptions=True)
            writer.transport.abort()

    def accept(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        transports.append(writer.transport)
        task = asyncio.get_running_loop().create_task(talk(reader, writer))
        tasks.add(task)
        task.add_done_callback(tasks.discard)

    server = await asyncio.start_server(accept, HOST, 0)
    peer.port = server.sockets[0].getsockname()[1]
    try:
        yield peer
    finally:
        server.close()
        for task in list(tasks):
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        for transport in transports:  # a task that never began has closed nothing
            transport.abort()
        await server.wait_closed()


def image_words(image: AnalyzerImage, request: Request) -> list[int]:
    """What the image holds at a request's addresses."""
    return [image.words.get(a, 0) for a in range(request.address, request.address + request.count)]


async def never(_: Request) -> bytes:
    """A script: take the request and say nothing, ever."""
    await asyncio.Event().wait()
    return b""
