"""A broker's side of MQTT 5.0 that answers each message as a test wants; written from the standard.

Only what one publisher with QoS 0 and 1 needs: CONNECT, PUBLISH, PINGREQ, DISCONNECT.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any

SUCCESS = 0x00
Rule = Callable[[str, Any], int]
"""The reason code for a topic and a document."""


@dataclass
class RefusingBroker:
    """rule: what it answers; taken, offered: topic and document of each message, in order."""

    rule: Rule
    port: int = 0
    taken: list[tuple[str, Any]] = field(default_factory=list)
    offered: list[tuple[str, Any]] = field(default_factory=list)
    _open: set[asyncio.StreamWriter] = field(default_factory=set)

    def results(self, *, of_all: bool = False) -> list[int]:
        """Cycle numbers of the results that were taken, or of all that were offered."""
        kept = self.offered if of_all else self.taken
        return [document["cycle_number"] for topic, document in kept if topic.endswith("results")]

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One connection, to its end."""
        self._open.add(writer)
        try:
            while True:
                kind, body = await _packet(reader)
                match kind >> 4:
                    case 1:  # CONNACK: no session, success, no properties (3.2)
                        writer.write(b"\x20\x03\x00\x00\x00")
                    case 3:
                        writer.write(self._published(kind, body))
                    case 12:
                        writer.write(b"\xd0\x00")
                    case 14:
                        return
                await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError):
            return
        finally:
            self._open.discard(writer)
            writer.close()

    def _published(self, kind: int, body: bytes) -> bytes:
        qos, end = kind >> 1 & 3, 2 + int.from_bytes(body[:2])
        topic, at = body[2:end].decode("utf-8"), end + (2 if qos else 0)
        identifier = body[end:at]
        length, at = _varint(body, at)
        payload = body[at + length :]
        message = (topic, json.loads(payload) if payload else None)
        self.offered.append(message)
        code = self.rule(*message)
        if code < 0x80:
            self.taken.append(message)
        # PUBACK with reason code and without properties (3.4)
        return b"\x40\x04" + identifier + bytes((code, 0)) if qos else b""

    def drop(self) -> None:
        """Ends all connections without a word."""
        for writer in self._open:
            writer.transport.abort()


@asynccontextmanager
async def refusing_broker(rule: Rule) -> AsyncIterator[RefusingBroker]:
    """Serves on a port of loopback."""
    broker = RefusingBroker(rule)
    server = await asyncio.start_server(broker.serve, "127.0.0.1", 0)
    broker.port = server.sockets[0].getsockname()[1]
    try:
        yield broker
    finally:
        server.close()
        broker.drop()


async def _packet(reader: asyncio.StreamReader) -> tuple[int, bytes]:
    kind = (await reader.readexactly(1))[0]
    length = shift = 0
    while True:
        byte = (await reader.readexactly(1))[0]
        length |= (byte & 0x7F) << shift
        shift += 7
        if not byte & 0x80:
            return kind, await reader.readexactly(length)


def _varint(data: bytes, at: int) -> tuple[int, int]:
    value = shift = 0
    while True:
        byte = data[at]
        at += 1
        value |= (byte & 0x7F) << shift
        shift += 7
        if not byte & 0x80:
            return value, at
