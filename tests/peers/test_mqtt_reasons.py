"""What a broker says of its reasons, heard word for word by a raw peer of the tests' own.

The packets are written by hand after MQTT 5.0 (OASIS Standard, 2019): 3.2 CONNACK, 3.4 PUBACK,
3.14 DISCONNECT; a Reason String (3.2.2.3.9, 0x1F) is for people, and may be in each.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from edgeflash.journal import Journal
from tests.peers.broker import WAIT_S
from tests.peers.mqtt_outlets import append, entry, outlet_of, results, serving
from tests.unit.outlets.builders import accepted_view
from tests.waiting import until

SERVER_KEEP_ALIVE, REASON_STRING, MAXIMUM_QOS = 0x13, 0x1F, 0x24
FROM_SERVERS = bytes.fromhex("20 30 32 34 40 50 62 70 90 b0 d0 e0 f0")
"""First bytes of packets that a server may send (2.1.2)."""

CONNACK, PUBLISH, PUBACK, DISCONNECT = 0x20, 0x30, 0x40, 0xE0


def text(words: str) -> bytes:
    """A Reason String as a property."""
    data = words.encode()
    return bytes([REASON_STRING]) + len(data).to_bytes(2, "big") + data


def number(value: int) -> bytes:
    """A Variable Byte Integer (1.5.5)."""
    data = bytearray()
    while value > 127:
        data.append(value & 127 | 128)
        value >>= 7
    return bytes([*data, value])


def packet(kind: int, fixed: bytes, properties: bytes) -> bytes:
    """A packet with properties."""
    body = fixed + number(len(properties)) + properties
    return bytes([kind]) + number(len(body)) + body


async def read_packet(reader: asyncio.StreamReader) -> tuple[int, bytes]:
    """The next packet: its first byte, and what follows its length (1.5.5)."""
    kind = (await reader.readexactly(1))[0]
    length = shift = 0
    while True:
        byte = (await reader.readexactly(1))[0]
        length |= (byte & 127) << shift
        shift += 7
        if byte < 128:
            return kind, await reader.readexactly(length)


@asynccontextmanager
async def raw_broker(connack: bytes, puback: tuple[int, bytes] | None = None) -> AsyncIterator[int]:
    """Answers every connection so; then every message, with this reason and these properties, or
    the first with a DISCONNECT. Gives its port."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            await read_packet(reader)
            writer.write(connack)
            while True:
                kind, body = await read_packet(reader)
                if kind & 0xF0 != PUBLISH:
                    continue
                if puback is None:
                    writer.write(packet(DISCONNECT, b"\x98", text("closed for the night")))
                    break
                at = 2 + int.from_bytes(body[:2], "big")
                reason, properties = puback
                writer.write(packet(PUBACK, body[at : at + 2] + bytes([reason]), properties))
        except asyncio.IncompleteReadError:
            pass
        finally:
            writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal.open(tmp_path / "journal.sqlite3") as opened:
        yield opened


async def test_why_it_does_not_take_us(tmp_path: Path, journal: Journal) -> None:
    """CONNACK 0x97, Quota exceeded, with words."""
    connack = packet(CONNACK, b"\x00\x97", text("two gateways are licensed"))
    async with (
        raw_broker(connack) as port,
        serving(outlet_of(entry(port), journal, tmp_path)) as outlet,
    ):
        await until(lambda: "two gateways are licensed" in outlet.figures.fault, WAIT_S)
        assert "Quota exceeded" in outlet.figures.fault


async def test_why_it_goes(tmp_path: Path, journal: Journal) -> None:
    """DISCONNECT 0x98, Administrative action, with words."""
    async with (
        raw_broker(packet(CONNACK, b"\x00\x00", b"")) as port,
        serving(outlet_of(entry(port), journal, tmp_path)) as outlet,
    ):
        await until(lambda: "closed for the night" in outlet.figures.fault, WAIT_S)


async def test_why_it_does_not_take_a_message(tmp_path: Path, journal: Journal) -> None:
    """PUBACK 0x87, Not authorized, with words; what is owed stays owed."""
    await append(journal, results(1, 2))
    answer = (0x87, text("only the laboratory may write here"))
    async with (
        raw_broker(packet(CONNACK, b"\x00\x00", b""), answer) as port,
        serving(outlet_of(entry(port), journal, tmp_path)) as outlet,
    ):
        await until(lambda: "only the laboratory may" in outlet.figures.fault, WAIT_S)
        assert journal.pending("mqtt:panel") == 2


async def test_words_without_end_are_cut(tmp_path: Path, journal: Journal) -> None:
    """65,535 bytes are allowed, and any characters; what we keep goes into logs and diagnostics."""
    answer = (0x87, text("no\n" + "x" * 5000))
    async with (
        raw_broker(packet(CONNACK, b"\x00\x00", b""), answer) as port,
        serving(outlet_of(entry(port), journal, tmp_path)) as outlet,
    ):
        await until(lambda: "xxx" in outlet.figures.fault, WAIT_S)
        assert "no xxx" in outlet.figures.fault
        assert len(outlet.figures.fault) < 400


async def test_how_often_it_wants_a_sign_of_life(tmp_path: Path, journal: Journal) -> None:
    """CONNACK with a Server Keep Alive (3.2.2.3.14): it must be kept instead of our own."""
    properties = bytes([SERVER_KEEP_ALIVE]) + (7).to_bytes(2, "big")
    connack = packet(CONNACK, b"\x00\x00", properties)
    async with (
        raw_broker(connack, (0x00, b"")) as port,
        serving(outlet_of(entry(port, keepalive_s=3600), journal, tmp_path)) as outlet,
    ):
        await until(lambda: outlet.figures.sent > 0, WAIT_S)
        session = outlet._connection._session
        assert session is not None
        assert session._client._client._keepalive == 7


async def test_a_broker_that_can_promise_nothing(tmp_path: Path, journal: Journal) -> None:
    """CONNACK with Maximum QoS 0 (3.2.2.3.4): QoS 1 must not be sent then, so nothing is."""
    connack = packet(CONNACK, b"\x00\x00", bytes([MAXIMUM_QOS, 0]))
    await append(journal, results(1, 2))
    async with (
        raw_broker(connack, (0x00, b"")) as port,
        serving(outlet_of(entry(port), journal, tmp_path)) as outlet,
    ):
        await until(lambda: "QoS" in outlet.figures.fault, WAIT_S)
        assert outlet.figures.sent == 0
        assert journal.pending("mqtt:panel") == 2


@pytest.mark.parametrize("begin", [b"", packet(CONNACK, b"\x00\x00", b"")])
async def test_a_peer_that_talks_nonsense(tmp_path: Path, journal: Journal, begin: bytes) -> None:
    """Bytes at random instead of a broker's answer, or after it: given up at once, not after
    timeout_s, and tried again; nothing of the gateway ends, and nothing is taken for delivered."""
    rng = random.Random(20)
    connections = 0
    await append(journal, results(1, 2))

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal connections
        connections += 1
        try:
            await read_packet(reader)
            kind = rng.choice(FROM_SERVERS)
            writer.write(begin + bytes([kind]) + number(rng.randrange(60)) + rng.randbytes(200))
            writer.write_eof()
            await reader.read()
        except (OSError, asyncio.IncompleteReadError):
            pass
        finally:
            writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    one = entry(server.sockets[0].getsockname()[1], timeout_s=100, backoff_max_s=0.1)
    try:
        async with serving(outlet_of(one, journal, tmp_path)) as outlet:
            await until(lambda: connections >= 60, WAIT_S)
            await outlet.publish([accepted_view()])  # it raises what ended the outlet
            assert journal.pending("mqtt:panel") == 2
    finally:
        server.close()
