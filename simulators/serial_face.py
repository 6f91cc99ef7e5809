"""Analyzers as slaves of one simulated serial line: behind a pseudo terminal, or behind a serial
server that passes RTU frames on over TCP. Reads only.

The line can be made bad: `say` is told each request and gives what is really put on the line,
piece by piece, each after a pause.
"""

from __future__ import annotations

import asyncio
import os
import struct
import tty
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from pymodbus.framer import FramerRTU

from simulators.errors import UnmappedAddressError
from simulators.modbus_server import HOST, TABLE_OF_FUNCTION

REQUEST_BYTES = 8
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS = 1, 2
MOST_HEARD = 100_000


class Readable(Protocol):
    """Where a slave's registers are."""

    def read(self, table: str, address: int, count: int) -> Sequence[int]:
        """The words. Raises UnmappedAddressError."""


@dataclass(frozen=True, slots=True)
class Heard:
    """A request of the master to one slave, and the slave's proper answer to it."""

    unit: int
    function: int
    address: int
    count: int
    answer: bytes


Pieces = Sequence[tuple[float, bytes]]


def properly(heard: Heard) -> Pieces:
    """The answer, whole and at once."""
    return [(0.0, heard.answer)]


def framed(body: bytes) -> bytes:
    """Unit and PDU with their checksum."""
    return body + FramerRTU.compute_CRC(body).to_bytes(2, "big")


class SerialFace:
    """Slaves by unit number on one line. echo: the line hands the master its own bytes back.

    Ends with close(). heard: the requests to any unit, present or not. is_dropping: every new
    connection is closed at once.
    """

    def __init__(self, slaves: Mapping[int, Readable], *, echo: bool = False) -> None:
        self.slaves = dict(slaves)
        self.echo = echo
        self.say: Callable[[Heard], Pieces] = properly
        self.heard: list[Heard] = []
        self._bytes = b""
        self._tasks: set[asyncio.Task[None]] = set()
        self._server: asyncio.Server | None = None
        self._writers: set[asyncio.StreamWriter] = set()
        self._master: int | None = None
        self._slave: int | None = None
        self.connections = 0
        self.is_dropping = False

    # ------------------------------------------------------------------------ the two ways in

    def open_terminal(self, link: Path) -> None:
        """Makes a pseudo terminal and a symbolic link to it, like a USB adapter's fixed name."""
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        asyncio.get_running_loop().add_reader(self._master, self._from_terminal)
        link.unlink(missing_ok=True)
        link.symlink_to(os.ttyname(self._slave))

    def unplug_terminal(self, link: Path) -> None:
        """Takes the terminal away, as when an adapter is pulled out."""
        link.unlink(missing_ok=True)
        self._close_terminal()

    async def listen(self, port: int = 0) -> int:
        """Listens as a serial server does; returns the port."""
        self._server = await asyncio.start_server(self._talk, HOST, port)
        found: int = self._server.sockets[0].getsockname()[1]
        return found

    def drop_connections(self) -> None:
        """Closes every connection, and goes on listening."""
        for writer in self._writers:
            writer.transport.abort()

    async def close(self) -> None:
        """Ends everything."""
        self._close_terminal()
        if self._server is not None:
            self._server.close()
        self.drop_connections()
        tasks = list(self._tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        if self._server is not None:
            await self._server.wait_closed()

    def _close_terminal(self) -> None:
        if self._master is not None and self._slave is not None:
            asyncio.get_running_loop().remove_reader(self._master)
            os.close(self._master)
            os.close(self._slave)
        self._master = self._slave = None

    def _from_terminal(self) -> None:
        assert self._master is not None
        self._take(os.read(self._master, 4096))

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        self._writers.add(writer)
        if self.is_dropping:
            self.drop_connections()
        try:
            while data := await reader.read(4096):
                self._take(data)
        except ConnectionError:
            pass
        finally:
            self._writers.discard(writer)
            writer.transport.abort()

    # ------------------------------------------------------------------------------- the line

    def put(self, data: bytes) -> None:
        """Puts bytes on the line now, asked for or not."""
        if self._master is not None:
            os.write(self._master, data)
        for writer in self._writers:
            writer.write(data)

    def _take(self, data: bytes) -> None:
        if self.echo:
            self.put(data)
        self._bytes += data
        while len(self._bytes) >= REQUEST_BYTES:
            frame = self._bytes[:REQUEST_BYTES]
            if framed(frame[:-2]) != frame:
                self._bytes = self._bytes[1:]
                continue
            self._bytes = self._bytes[REQUEST_BYTES:]
            self._hear(frame)

    def _hear(self, frame: bytes) -> None:
        unit, function, address, count = struct.unpack(">BBHH", frame[:-2])
        heard = Heard(unit, function, address, count, self._answer(unit, function, address, count))
        self.heard.append(heard)
        del self.heard[:-MOST_HEARD]
        if unit in self.slaves:
            task = asyncio.get_running_loop().create_task(self._speak(self.say(heard)))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    async def _speak(self, pieces: Pieces) -> None:
        for pause_s, data in pieces:
            if pause_s:
                await asyncio.sleep(pause_s)
            self.put(data)

    def _answer(self, unit: int, function: int, address: int, count: int) -> bytes:
        slave = self.slaves.get(unit)
        if slave is None:
            return b""
        table = TABLE_OF_FUNCTION.get(function)
        if table is None:
            return framed(bytes([unit, function | 0x80, ILLEGAL_FUNCTION]))
        try:
            words = slave.read(table, address, count)
        except UnmappedAddressError:
            return framed(bytes([unit, function | 0x80, ILLEGAL_ADDRESS]))
        data = struct.pack(f">{count}H", *words)
        return framed(bytes([unit, function, len(data)]) + data)
