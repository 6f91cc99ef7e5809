"""Our Modbus server under frames of every kind: right answers only, no crash, no hang.

The server's own connections are driven in memory, cut anywhere, and some over real sockets. Beside
them a well-formed neighbour on a real socket must always get the right answer. EDGEFLASH_FRAMES
gives it more frames (a million takes a few minutes), EDGEFLASH_SEED others.
"""

from __future__ import annotations

import asyncio
import os
import random
import struct
from collections.abc import Mapping
from typing import Any

import pytest

from edgeflash.inputs import InputStore
from edgeflash.outlets import ModbusOutlet
from edgeflash.outlets.modbus_image import RegisterImage
from edgeflash.outlets.modbus_server import _Connection
from tests.hostile.frames import Frames, Opinion
from tests.integration.outlets.wire import Wire, request
from tests.unit.outlets.builders import INPUTS, accepted_view, analyzer, modbus
from tests.waiting import until

FRAMES = int(os.environ.get("EDGEFLASH_FRAMES", "20000"))
SEED = int(os.environ.get("EDGEFLASH_SEED", "20310405"))
ANALYZERS = (analyzer("fp-101", 1), analyzer("fp-102", 2), analyzer("fp-103", 7))
NUMBERS = {one.id: one.number for one in ANALYZERS}
OF_STREAM = 40
"""Frames of one stream, at the most: what is wrong within ends its connection."""
ON_THE_WIRE = 25
"""Of so many streams, one goes over a real socket."""
WAIT_S = 60.0


class Ticking:
    """A clock that moves a millisecond with each look: no rate is reached, nobody is idle."""

    now_s = 0.0

    def __call__(self) -> float:
        self.now_s += 0.001
        return self.now_s


class Memory(asyncio.Transport):
    """A transport that keeps what is written to it."""

    def __init__(self, address: str) -> None:
        super().__init__({"peername": (address, 40_000)})
        self.sent = bytearray()
        self.is_aborted = False

    def write(self, data: Any) -> None:
        self.sent += data

    def abort(self) -> None:
        self.is_aborted = True

    def close(self) -> None:
        self.is_aborted = True

    def set_write_buffer_limits(self, high: int | None = None, low: int | None = None) -> None:
        pass

    def pause_reading(self) -> None:
        raise AssertionError("nobody here is too fast or too slow")

    resume_reading = pause_reading


def table_of(image: RegisterImage) -> dict[int, int]:
    """Every register of an image by its address."""
    return {
        200 * (page - 1) + place: word
        for page, raw in image.blocks.items()
        for place, word in enumerate(struct.unpack(">200H", raw))
    }


def bits_of(image: RegisterImage) -> dict[int, int]:
    """Every bit of an image by its address."""
    return {
        200 * (page - 1) + place: flags >> place & 1
        for page, flags in image.flags.items()
        for place in range(200)
    }


def opinion_of(outlet: ModbusOutlet) -> Opinion:
    """The second opinion for what the outlet shows now."""
    images: Mapping[int, RegisterImage] = {
        unit: image for unit in range(256) if (image := outlet.image_of(unit)) is not None
    }
    tables: dict[int, dict[int, int]] = {}
    bits: dict[int, dict[int, int]] = {}
    for image in {id(image): image for image in images.values()}.values():
        tables[id(image)], bits[id(image)] = table_of(image), bits_of(image)
    return Opinion(
        {unit: tables[id(image)] for unit, image in images.items()},
        {unit: bits[id(image)] for unit, image in images.items()},
    )


def in_memory(outlet: ModbusOutlet, stream: bytes, chance: random.Random) -> bytes:
    """What a connection of the server answers to a stream that comes in pieces."""
    connection, transport = _Connection(outlet), Memory("198.51.100.7")
    connection.connection_made(transport)
    assert not transport.is_aborted
    at = 0
    try:
        while at < len(stream) and not transport.is_aborted:
            room = connection.get_buffer(-1)
            size = min(len(room), chance.choice((1, 7, 12, 60, 300, 2000)), len(stream) - at)
            room[:size] = stream[at : at + size]
            connection.buffer_updated(size)
            at += size
    finally:
        connection.connection_lost(None)
    return bytes(transport.sent)


async def on_the_wire(outlet: ModbusOutlet, stream: bytes) -> bytes:
    """The same over a real socket; the end of the stream is told, so the server closes."""
    reader, writer = await asyncio.open_connection("127.0.0.1", outlet.port)
    try:
        async with asyncio.timeout(WAIT_S):
            writer.write(stream)
            writer.write_eof()
            return await reader.read()
    finally:
        writer.close()


async def ask_neighbour(wire: Wire, transaction: int, number: int) -> None:
    """A well-formed request is answered as if nobody else were there."""
    wire.send(request(transaction & 0xFFFF, 3, 0 if number == 1 else 200, 2, unit=1))
    async with asyncio.timeout(WAIT_S):
        got, pdu = await wire.answer()
    assert (got, pdu) == (transaction & 0xFFFF, b"\x03\x04" + struct.pack(">f", 40.25 + number))


def judge(opinion: Opinion, stream: bytes, answered: bytes) -> int:
    """How many answers there were; each must be the right one, in the order of the requests."""
    at = count = 0
    for head, pdu in opinion.frames(stream):
        size = 6 + int.from_bytes(answered[at + 4 : at + 6], "big")
        got = answered[at : at + size]
        assert len(got) == size, "an answer is missing or cut off"
        opinion.check(head, pdu, got[:7], got[7:])
        at, count = at + size, count + 1
    assert at == len(answered), "answers to what was no request"
    return count


@pytest.mark.parametrize("unit_ids", ["any", "per_analyzer"])
async def test_only_right_answers(unit_ids: str) -> None:
    """Every answer is the one of the second opinion, and the neighbour never notices."""
    chance = random.Random(f"{SEED} {unit_ids}")
    frames, store = Frames(chance), InputStore(INPUTS)
    server = modbus(unit_ids=unit_ids, accept_inputs=True, max_requests_per_s=100_000)
    outlet = ModbusOutlet(server, ANALYZERS, inputs=store, mono_s=Ticking())
    await outlet.start()
    try:
        await outlet.publish(
            [accepted_view(name, 40.25 + n, 70 + n) for name, n in NUMBERS.items()]
        )
        opinion = opinion_of(outlet)
        made = answered = streams = 0
        async with Wire(outlet.port) as neighbour:
            while made < FRAMES // 2:
                count = chance.randrange(1, OF_STREAM)
                stream = frames.stream(count)
                if streams % ON_THE_WIRE:
                    got = in_memory(outlet, stream, chance)
                else:
                    # Without what makes the server cut the connection: answers on their way are
                    # lost then, and nobody could say what was written.
                    stream = b"".join(head + pdu for head, pdu in opinion.frames(stream))
                    got = await on_the_wire(outlet, stream)
                answered += judge(opinion, stream, got)
                made, streams = made + count, streams + 1
                if streams % 10 == 0:
                    number = 1 if unit_ids == "per_analyzer" else 1 + streams // 10 % 2
                    await ask_neighbour(neighbour, streams, number)
        assert answered > made / 3, "most were frames, and were answered"
        await until(lambda: outlet.connections == 0, timeout_s=WAIT_S)
        assert outlet.refused == outlet.refused_busy == 0
        assert opinion_of(outlet).registers == opinion.registers, "no request changed a point"
    finally:
        await outlet.stop()
