"""The physical side of a line: a serial device, or a TCP connection. It only moves bytes."""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import os
import termios
from abc import ABC, abstractmethod
from collections.abc import Callable
from pathlib import Path

import serial

from edgeflash.config.site import Line
from edgeflash.links.errors import LinkError, LinkFault

MOST_BYTES = 1024
"""Bytes kept of what a line says: the longest reply, an echo, and much that does not belong."""

READ_BYTES = 4096

PARITIES = {"even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD, "none": serial.PARITY_NONE}


class LinePort(ABC):
    """One open port. Use an object for one opening only.

    received: what came since it was last cleared, MOST_BYTES at most. fault: why the port is lost;
    empty while it is not.
    """

    def __init__(self, mono_s: Callable[[], float]) -> None:
        self._mono_s = mono_s
        self.received = bytearray()
        self.is_overfull = False
        self.fault = ""
        self.heard_s = mono_s()
        """When a byte last came or the port was opened, on the monotonic clock."""
        self.changed = asyncio.Event()

    def clear(self, rest: bytes = b"") -> None:
        """Forgets what came so far, but for the rest."""
        self.received[:] = rest
        self.is_overfull = False

    def _take(self, data: bytes) -> None:
        room = MOST_BYTES - len(self.received)
        self.is_overfull = self.is_overfull or len(data) > room
        self.received += data[:room]
        self.heard_s = self._mono_s()
        self.changed.set()

    def _lose(self, why: str) -> None:
        if not self.fault:
            self.fault = why
        self.changed.set()

    @abstractmethod
    async def open(self) -> None:
        """Opens it. Raises LinkError NOT_CONNECTED."""

    @abstractmethod
    def write(self, data: bytes) -> None:
        """Sends a request. When that fails, the port is lost."""

    @abstractmethod
    def close(self) -> None:
        """Closes it at once."""


class SerialPort(LinePort):
    """A serial device of this machine, opened for us alone."""

    def __init__(self, line: Line, mono_s: Callable[[], float]) -> None:
        super().__init__(mono_s)
        assert line.device is not None
        self._line, self._device = line, line.device
        self._serial: serial.Serial | None = None

    async def open(self) -> None:
        """Opens and sets up the device. Raises LinkError NOT_CONNECTED."""
        line, opened = self._line, self._set_up()
        try:
            opened.open()
            fcntl.ioctl(opened.fileno(), termios.TIOCEXCL)
        except termios.error as error:
            why = f"{self._device} refuses these settings: {line.baud} baud, parity {line.parity}"
            raise LinkError(LinkFault.NOT_CONNECTED, why) from error
        except (OSError, ValueError) as error:
            opened.close()
            raise LinkError(LinkFault.NOT_CONNECTED, self._not_opened(error)) from error
        self._serial = opened
        os.set_blocking(opened.fileno(), False)
        asyncio.get_running_loop().add_reader(opened.fileno(), self._read)

    def _set_up(self) -> serial.Serial:
        line, made = self._line, serial.Serial()
        made.port, made.baudrate, made.stopbits = self._device, line.baud, line.stop_bits
        # A pseudo terminal has no parity, and refuses a change that would be of parity alone.
        is_pseudo = Path(self._device).resolve().is_relative_to("/dev/pts")
        made.parity = serial.PARITY_NONE if is_pseudo else PARITIES[line.parity]
        made.timeout = 0
        made.exclusive = True
        return made

    def _not_opened(self, error: Exception) -> str:
        number = getattr(error, "errno", None)
        if isinstance(error, BlockingIOError) or "exclusively lock" in str(error):
            why = "another program has it open"
        else:
            why = os.strerror(number).lower() if number else str(error)
        return f"{self._device} cannot be opened: {why}"

    def _read(self) -> None:
        assert self._serial is not None
        try:
            data = os.read(self._serial.fileno(), READ_BYTES)
        except BlockingIOError:
            return
        except OSError as error:
            self._vanish(os.strerror(error.errno or 0).lower())
            return
        if data:
            self._take(data)
        else:
            self._vanish("it was unplugged or hung up")

    def _vanish(self, why: str) -> None:
        """A device that is gone stays readable for ever: nobody must look again."""
        assert self._serial is not None
        asyncio.get_running_loop().remove_reader(self._serial.fileno())
        self._lose(f"{self._device} is gone: {why}")

    def write(self, data: bytes) -> None:
        """Sends a request. A frame is far shorter than the device's own queue."""
        assert self._serial is not None
        try:
            written = os.write(self._serial.fileno(), data)
        except OSError as error:
            self._lose(f"{self._device} takes nothing: {os.strerror(error.errno or 0).lower()}")
            return
        if written < len(data):
            self._lose(f"{self._device} took {written} of {len(data)} bytes")

    def close(self) -> None:
        """Closes the device, and waits for nothing still to be sent."""
        opened, self._serial = self._serial, None
        if opened is None:
            return
        asyncio.get_running_loop().remove_reader(opened.fileno())
        with contextlib.suppress(OSError, termios.error):
            termios.tcflush(opened.fileno(), termios.TCIOFLUSH)
        with contextlib.suppress(OSError):
            fcntl.ioctl(opened.fileno(), termios.TIOCNXCL)
        with contextlib.suppress(OSError):
            opened.close()


class _Receiver(asyncio.Protocol):
    """Hands a connection's events on."""

    def __init__(self, take: Callable[[bytes], None], lose: Callable[[str], None]) -> None:
        self._take, self._lose = take, lose

    def data_received(self, data: bytes) -> None:
        self._take(data)

    def connection_lost(self, exc: Exception | None) -> None:
        self._lose("" if exc is None else str(exc))


class TcpPort(LinePort):
    """A TCP connection to a serial server or a Modbus gateway."""

    def __init__(self, line: Line, mono_s: Callable[[], float]) -> None:
        super().__init__(mono_s)
        assert line.host is not None
        self._host, self._port, self._timeout_s = line.host, line.port, line.timeout_s
        self._transport: asyncio.Transport | None = None

    @property
    def _peer(self) -> str:
        return f"{self._host}:{self._port}"

    async def open(self) -> None:
        """Connects. Raises LinkError NOT_CONNECTED."""
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.timeout(self._timeout_s):
                self._transport, _ = await loop.create_connection(
                    lambda: _Receiver(self._take, self._end), self._host, self._port
                )
        except TimeoutError as error:
            why = f"no connection to {self._peer}: nothing answers ({self._timeout_s:g} s)"
            raise LinkError(LinkFault.NOT_CONNECTED, why) from error
        except OSError as error:
            why = f"no connection to {self._peer}: refused or unreachable"
            raise LinkError(LinkFault.NOT_CONNECTED, why) from error

    def _end(self, why: str) -> None:
        self._lose(f"{self._peer} closed the connection" + (f": {why}" if why else ""))

    def write(self, data: bytes) -> None:
        """Sends a request."""
        if self._transport is not None:
            self._transport.write(data)

    def close(self) -> None:
        """Drops the connection with whatever is still to be sent."""
        transport, self._transport = self._transport, None
        if transport is not None:
            transport.abort()


def port_of(line: Line, mono_s: Callable[[], float]) -> LinePort:
    """A port that is not open yet, of the line's kind."""
    return TcpPort(line, mono_s) if line.device is None else SerialPort(line, mono_s)
