"""A bare Modbus TCP client for the tests: raw frames over a stream."""

from __future__ import annotations

import asyncio
import struct
from types import TracebackType


def request(transaction: int, function: int, first: int, second: int, unit: int = 1) -> bytes:
    """A frame whose PDU is a function and two 16-bit numbers."""
    return frame(transaction, struct.pack(">BHH", function, first, second), unit)


def frame(transaction: int, pdu: bytes, unit: int = 1) -> bytes:
    """A frame around a PDU."""
    return struct.pack(">HHHB", transaction, 0, len(pdu) + 1, unit) + pdu


class Wire:
    """An open connection. Every wait has a deadline of 5 s."""

    def __init__(self, port: int, host: str = "127.0.0.1") -> None:
        self._host, self._port = host, port

    async def __aenter__(self) -> Wire:
        self.reader, self.writer = await asyncio.open_connection(self._host, self._port)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None
    ) -> None:
        self.writer.close()

    def send(self, data: bytes) -> None:
        """Sends bytes as they are."""
        self.writer.write(data)

    async def answer(self) -> tuple[int, bytes]:
        """Transaction and PDU of the next answer."""
        async with asyncio.timeout(5.0):
            head = await self.reader.readexactly(7)
            transaction, protocol, length, _ = struct.unpack(">HHHB", head)
            assert protocol == 0
            return transaction, await self.reader.readexactly(length - 1)

    async def ask(self, function: int, first: int, second: int) -> bytes:
        """The PDU that answers one request."""
        self.send(request(0x1234, function, first, second))
        transaction, pdu = await self.answer()
        assert transaction == 0x1234
        return pdu

    async def is_closed(self) -> bool:
        """True once the server has closed; fails when it has not within 5 s or sends data."""
        async with asyncio.timeout(5.0):
            try:
                return await self.reader.read(1) == b""
            except ConnectionError:
                return True
