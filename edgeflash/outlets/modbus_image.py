"""The register image: what a Modbus client reads, as the bytes that go on the wire. Pure.

Analyzer `number` n owns registers (n - 1) × 200 to n × 200 - 1; a point stands at its catalogue
offset. Unused registers of a block read 0. The image is immutable: a server answers each request
from one image, so no answer mixes two instants.

Order. Values of more than one register (float32, uint32, uint64 time) follow the server's order:
abcd as is, cdab with the registers reversed, badc with the two bytes of each register swapped,
dcba with both. Single registers and text are never reordered: a register is sent high byte first
(Modbus application protocol V1.1b3, 4.2), and text has its first character in the high byte.

No value. A float reads NaN (7FC0 0000 before ordering); integers, codes, flags and times read all
ones; text reads zeros. A flag read as a bit is 1 unless it is known to be false: an alarm whose
state is unknown must not look clear.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from edgeflash.config.register_map import Order
from edgeflash.config.site import ModbusServer
from edgeflash.outlets.values import OutletUnits, microseconds_since_1970, shown
from edgeflash.points import BLOCK_REGISTERS, CATALOGUE, Point, PointScalar, PointType
from edgeflash.publication import View

TEXT_BYTES = 32
_NAN = b"\x7f\xc0\x00\x00"
REORDERED = frozenset({PointType.FLOAT, PointType.INT, PointType.TIME})
"""Point types that take more than one register as a number, and so have an order."""


@dataclass(frozen=True, slots=True)
class RegisterImage:
    """Every analyzer's block at one instant.

    blocks: by analyzer number, 2 × 200 bytes as sent. flags: by analyzer number, bit k set when
    the flag at offset k is not known to be false.
    """

    blocks: Mapping[int, bytes]
    flags: Mapping[int, int]

    def registers(self, address: int, count: int) -> bytes | None:
        """`count` registers from a zero-based address, as sent; None when any does not exist."""
        numbers = _numbers(address, count)
        blocks = [self.blocks.get(number) for number in numbers]
        present = [block for block in blocks if block is not None]
        if len(present) != len(blocks):
            return None
        start = 2 * (address % BLOCK_REGISTERS)
        joined = present[0] if len(present) == 1 else b"".join(present)
        return joined[start : start + 2 * count]

    def bits(self, address: int, count: int) -> bytes | None:
        """`count` bits, packed low bit first as sent; None when any does not exist.

        A flag's bit has the address of its register. All other bits are 0.
        """
        joined = 0
        for place, number in enumerate(_numbers(address, count)):
            flags = self.flags.get(number)
            if flags is None:
                return None
            joined |= flags << (place * BLOCK_REGISTERS)
        wanted = (joined >> (address % BLOCK_REGISTERS)) & ((1 << count) - 1)
        return wanted.to_bytes((count + 7) // 8, "little")


def _numbers(address: int, count: int) -> range:
    """Numbers of the analyzers whose blocks a read touches."""
    last = address + count - 1
    return range(address // BLOCK_REGISTERS + 1, last // BLOCK_REGISTERS + 2)


def empty_image(numbers: Iterable[int], order: Order) -> RegisterImage:
    """The image before the first view: every point without a value."""
    block, flags = _block({}, order)
    every = tuple(numbers)
    return RegisterImage(dict.fromkeys(every, block), dict.fromkeys(every, flags))


def with_views(
    image: RegisterImage, views: Sequence[View], numbers: Mapping[str, int], server: ModbusServer
) -> RegisterImage:
    """A new image in which the views' analyzers show their views; the others stay as they are.

    numbers: analyzer number by id. A view of an analyzer that is not there is left out.
    """
    units = OutletUnits(server.temperature_unit, server.pressure_unit)
    blocks, flags = dict(image.blocks), dict(image.flags)
    for view in views:
        number = numbers.get(view.standing.analyzer)
        if number is None:
            continue
        values = {point.name: shown(point, view, units).value for point in CATALOGUE}
        blocks[number], flags[number] = _block(values, server.order)
    return RegisterImage(blocks, flags)


def _block(values: Mapping[str, PointScalar], order: Order) -> tuple[bytes, int]:
    """One analyzer's block as sent, and its flags as bits."""
    block = bytearray(2 * BLOCK_REGISTERS)
    flags = 0
    for point in CATALOGUE:
        value = values.get(point.name)
        raw = encoded(point, value, order)
        block[2 * point.register : 2 * point.register + len(raw)] = raw
        if point.type is PointType.FLAG and value is not False:
            flags |= 1 << point.register
    return bytes(block), flags


def encoded(point: Point, value: PointScalar, order: Order) -> bytes:
    """A value as the bytes of its registers. value: as `shown` gives it (None: no value)."""
    raw = _big_endian(point, value)
    return reordered(raw, order) if point.type in REORDERED else raw


def _big_endian(point: Point, value: PointScalar) -> bytes:
    match value:
        case None:
            if point.type is PointType.FLOAT:
                return _NAN
            return (b"\x00" if point.type is PointType.TEXT else b"\xff") * (2 * point.registers)
        case datetime():
            return struct.pack(">Q", microseconds_since_1970(value))
        case str():
            return text_bytes(value)
        case _ if point.type is PointType.FLOAT:
            return struct.pack(">f", value)
    return struct.pack(">I" if point.type is PointType.INT else ">H", value)


def text_bytes(text: str) -> bytes:
    """32 bytes of UTF-8, zero filled; a longer text is cut between two characters."""
    cut = text.encode("utf-8", "replace")[:TEXT_BYTES].decode("utf-8", "ignore")
    return cut.encode("utf-8").ljust(TEXT_BYTES, b"\x00")


def reordered(big_endian: bytes, order: Order) -> bytes:
    """A big-endian value of whole registers in the given order (any number of registers)."""
    words = [big_endian[i : i + 2] for i in range(0, len(big_endian), 2)]
    if order in (Order.CDAB, Order.DCBA):
        words.reverse()
    if order in (Order.BADC, Order.DCBA):
        words = [word[::-1] for word in words]
    return b"".join(words)
