"""Our reading of an analyzer under spoiled replies: the right words, or a LinkError.

A peer on a real socket answers each request with a good reply that was spoiled: bytes changed, cut
off, added, heads and counts that lie, replies to another request, several replies. Modbus TCP has
no checksum (messaging guide V1.0b, 3.1.3; from memory), so a whole reply with other data in it is a
reply: the words must then be the data of a frame that fits the request, as a second look at the
bytes finds it. Then the words are decoded, in every encoding and order, and held against struct.
EDGEFLASH_FRAMES gives it more replies, EDGEFLASH_SEED others.
"""

from __future__ import annotations

import asyncio
import math
import os
import random
import struct
from collections import Counter
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field

from edgeflash.config.register_map import Encoding, Order, RolePlace, Table
from edgeflash.links.connection import ModbusConnection
from edgeflash.links.encodings import decode
from edgeflash.links.errors import DecodeError, LinkError
from edgeflash.model import Role

REPLIES = int(os.environ.get("EDGEFLASH_FRAMES", "20000")) // 4
SEED = int(os.environ.get("EDGEFLASH_SEED", "20310405"))
AT_ONCE = 32
UNIT = 7
CLOSE_AFTER_S = 0.01
"""How long the peer waits with closing after a spoiled reply: a reply that fits is taken first."""

TIMEOUT_S = 30.0
FUNCTIONS = {Table.COIL: 1, Table.DISCRETE: 2, Table.HOLDING: 3, Table.INPUT: 4}


@dataclass
class Exchange:
    """One request as it came, and the bytes that were sent for it."""

    request: bytes = b""
    sent: bytes = b""


@dataclass
class Peer:
    """An analyzer that spoils its replies. said: the last exchange by the client's port."""

    chance: random.Random
    said: dict[int, Exchange] = field(default_factory=dict)
    port: int = 0
    running: set[asyncio.Task[None]] = field(default_factory=set)

    def start(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Takes a connection."""
        task = asyncio.create_task(self.serve(reader, writer))
        self.running.add(task)
        task.add_done_callback(self.running.discard)

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Answers until the client goes, or until a reply was spoiled."""
        port = writer.get_extra_info("peername")[1]
        try:
            while True:
                request = await reader.readexactly(12)
                good = self.reply(request)
                is_good = self.chance.random() < 0.2
                sent = good if is_good else self.spoiled(good)
                self.said[port] = Exchange(request, sent)
                for piece in self.pieces(sent):
                    writer.write(piece)
                    await writer.drain()
                    await asyncio.sleep(0)
                if not is_good:
                    await asyncio.sleep(CLOSE_AFTER_S)
                    return
        except (asyncio.IncompleteReadError, ConnectionError):
            return
        finally:
            writer.close()

    def reply(self, request: bytes) -> bytes:
        """A whole, fitting reply with data by chance."""
        head, (function, _, count) = request[:7], struct.unpack(">BHH", request[7:])
        size = 2 * count if function > 2 else (count + 7) // 8
        pdu = bytes((function, size)) + self.chance.randbytes(size)
        if self.chance.random() < 0.1:
            pdu = bytes((function | 0x80, self.chance.randrange(16)))
        return head[:4] + struct.pack(">HB", len(pdu) + 1, head[6]) + pdu

    def pieces(self, sent: bytes) -> list[bytes]:
        """Cut once, or not."""
        at = self.chance.randrange(len(sent) + 1) if sent else 0
        return [piece for piece in (sent[:at], sent[at:]) if piece]

    def spoiled(self, good: bytes) -> bytes:
        """One or two things wrong with it."""
        made = bytearray(good)
        for _ in range(self.chance.randrange(1, 3)):
            self.spoil(made)
        return bytes(made)

    def spoil(self, made: bytearray) -> None:
        """Changes it in place."""
        chance, whole = self.chance, bytes(made)
        match chance.randrange(10):
            case 0 | 1 if made:  # a bit, anywhere
                made[chance.randrange(len(made))] ^= 1 << chance.randrange(8)
            case 2 if made:  # a byte of the head or of the count
                made[chance.randrange(min(9, len(made)))] = chance.randrange(256)
            case 3:  # cut off
                del made[chance.randrange(len(made) + 1) :]
            case 4:  # something behind it
                made += chance.randbytes(chance.randrange(1, 20))
            case 5:  # something before it
                made[:0] = chance.randbytes(chance.choice((1, 2, 6, 7, 9)))
            case 6 if len(made) > 9:  # too short or too long for its request, but right in itself
                size = min(255, max(0, made[8] + chance.choice((-2, -1, 1, 2))))
                body = (bytes(made[9:]) + b"\0\0")[:size]
                made[:] = made[:4] + struct.pack(">H", size + 3) + made[6:8] + bytes((size,)) + body
            case 7 if len(made) > 7:  # the reply to another request comes first
                late = bytearray(whole)
                late[0:2] = chance.randbytes(2)
                late[9:] = bytes(byte ^ 0xFF for byte in late[9:])
                made[:0] = late
            case 8 if len(made) > 7:  # another unit, another function
                made[chance.choice((6, 7))] = chance.randrange(256)
            case _:  # noise alone
                made[:] = chance.randbytes(chance.randrange(0, 300))


def fitting(exchange: Exchange) -> list[tuple[int, ...]]:
    """The words of every frame in the bytes that is a right reply to the request.

    Wherever it begins: how a reader finds its step again is its own affair.
    """
    function, _, count = struct.unpack(">BHH", exchange.request[7:])
    size = 2 * count if function > 2 else (count + 7) // 8
    head = exchange.request[:4] + struct.pack(">HB", size + 3, UNIT) + bytes((function, size))
    found, at = [], exchange.sent.find(head)
    while at >= 0:
        data = exchange.sent[at + len(head) :][:size]
        if len(data) == size:
            if function > 2:
                found.append(struct.unpack(f">{count}H", data))
            else:
                found.append(tuple(data[i // 8] >> i % 8 & 1 for i in range(count)))
        at = exchange.sent.find(head, at + 1)
    return found


@asynccontextmanager
async def peer() -> AsyncIterator[Peer]:
    """A running peer."""
    one = Peer(random.Random(SEED))
    server = await asyncio.start_server(one.start, "127.0.0.1", 0)
    one.port = server.sockets[0].getsockname()[1]
    try:
        yield one
    finally:
        server.close()
        await server.wait_closed()
        if one.running:
            await asyncio.wait(one.running)


async def read_for_ever(one: Peer, chance: random.Random, seen: Counter[str]) -> None:
    """Reads over one connection after another until there were enough replies."""
    while seen["replies"] < REPLIES:
        connection = ModbusConnection("127.0.0.1", one.port, UNIT, TIMEOUT_S, retries=0)
        port = 0
        try:
            await connection.open()
            assert connection._client is not None
            port = connection._client.ctx.transport.get_extra_info("sockname")[1]
            while seen["replies"] < REPLIES and not connection.is_lost:
                await read_once(connection, one, port, chance, seen)
        finally:
            connection.close()
            one.said.pop(port, None)


async def read_once(
    connection: ModbusConnection, one: Peer, port: int, chance: random.Random, seen: Counter[str]
) -> None:
    """One request: the words of a fitting reply, or a LinkError."""
    table = chance.choice(list(FUNCTIONS))
    count = chance.randrange(1, 40)
    seen["replies"] += 1
    try:
        words = await connection.read(table, chance.randrange(60_000), count)
    except LinkError as error:
        seen[error.fault.name] += 1
        return
    seen["words"] += 1
    right = fitting(one.said[port])
    assert tuple(words) in right, (one.said[port].request.hex(), one.said[port].sent.hex(), words)
    if table in (Table.HOLDING, Table.INPUT):
        decode_all(words, chance)


NUMBERS = {
    Encoding.INT16: "h",
    Encoding.UINT16: "H",
    Encoding.INT32: "i",
    Encoding.UINT32: "I",
    Encoding.INT64: "q",
    Encoding.UINT64: "Q",
    Encoding.FLOAT32: "f",
    Encoding.FLOAT64: "d",
}


def decode_all(words: list[int], chance: random.Random) -> None:
    """Each number as struct has it; no encoding does anything but give a value or say why not."""
    for encoding, code in NUMBERS.items():
        registers = struct.calcsize(code) // 2
        if registers > len(words):
            continue
        order = chance.choice(list(Order)) if registers > 1 else Order.ABCD
        place = RolePlace(table=Table.HOLDING, address=1, type=encoding, unit="degC")
        got = decode(Role.FLASH_POINT, place, words[:registers], order)
        raw = b"".join(struct.pack(">H", word) for word in ordered(words[:registers], order))
        (expected,) = struct.unpack(f">{code}", raw)
        if isinstance(expected, float) and not math.isfinite(expected):
            assert got is None or not math.isfinite(float(got))  # type: ignore[arg-type]
        else:
            # With a unit it is a float, whose 53 bits do not hold every integer of 64.
            assert got == float(expected), (encoding, order, words[:registers])
    for encoding, registers in ((Encoding.BCD16, 1), (Encoding.BCD32, 2), (Encoding.STRING, 4)):
        if registers <= len(words):
            more = {"length": registers} if encoding is Encoding.STRING else {"unit": "degC"}
            place = RolePlace(table=Table.HOLDING, address=1, type=encoding, **more)  # type: ignore[arg-type]
            with suppress(DecodeError):
                decode(Role.FLASH_POINT, place, words[:registers], Order.ABCD)


def ordered(words: list[int], order: Order) -> list[int]:
    """The words of a number, most significant byte first."""
    made = list(reversed(words)) if order in (Order.CDAB, Order.DCBA) else list(words)
    if order in (Order.BADC, Order.DCBA):
        made = [(word & 0xFF) << 8 | word >> 8 for word in made]
    return made


async def test_right_words_or_an_error() -> None:
    """No spoiled reply becomes a value, none hangs or crashes the link, and good ones are read."""
    seen: Counter[str] = Counter()
    escaped: list[dict[str, object]] = []
    loop = asyncio.get_running_loop()
    loop.set_exception_handler(lambda _, context: escaped.append(context))
    async with peer() as one, asyncio.TaskGroup() as tasks:
        for n in range(AT_ONCE):
            tasks.create_task(read_for_ever(one, random.Random(f"{SEED} {n}"), seen))
    assert not escaped, "an error that nobody waits for, with a traceback in the log"
    assert seen["words"] > REPLIES / 10, seen
    assert sum(seen.values()) - seen["words"] - seen["replies"] > REPLIES / 3, seen
