"""Values as the bytes of their registers, in every order; what stands for no value. Pure.

Order. Values of more than one register (float32, uint32, int32, uint64 time) follow the order of
their block: abcd as is, cdab with the registers reversed, badc with the two bytes of each register
swapped, dcba with both. Single registers and text are never reordered: a register is sent high byte
first (Modbus application protocol V1.1b3, 4.2), and text has its first character in the high byte.

No value. A float reads NaN (7FC0 0000 before ordering); integers, codes, flags and times read all
ones; text reads zeros; a word of bits reads what each bit reads while nothing is known. A flag read
as a bit is 1 unless it is known to be false: an alarm whose state is unknown must not look clear.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from datetime import datetime
from operator import itemgetter

from edgeflash.config.register_map import Order
from edgeflash.outlets.values import microseconds_since_1970
from edgeflash.points import BLOCK_REGISTERS, CATALOGUE, Point, PointScalar, PointType
from edgeflash.status_bits import unknown_word

TEXT_BYTES = 32
NAN = b"\x7f\xc0\x00\x00"
REORDERED = frozenset({PointType.FLOAT, PointType.INT, PointType.TIME})
"""Point types that take more than one register as a number, and so have an order."""


def block(values: Mapping[str, PointScalar]) -> bytes:
    """One analyzer's block, abcd. values: by point name, as `shown` gives them."""
    made = bytearray(2 * BLOCK_REGISTERS)
    for point in CATALOGUE:
        raw = encoded(point, values.get(point.name), Order.ABCD)
        made[2 * point.register : 2 * point.register + len(raw)] = raw
    return bytes(made)


def block_in(order: Order, abcd: bytes) -> bytes:
    """A block in another order, from the one in abcd."""
    return abcd if order is Order.ABCD else bytes(_MOVED[order](abcd))


def discrete_inputs(values: Mapping[str, PointScalar]) -> int:
    """One analyzer's bits: a flag at the offset of its register, a word's bits from `bits_at`."""
    made = 0
    for point in CATALOGUE:
        value = values.get(point.name)
        if point.type is PointType.FLAG and value is not False:
            made |= 1 << point.register
        elif point.bits:
            word = value if isinstance(value, int) else unknown_word(point.bits)
            made |= word << point.bits_at
    return made


def encoded(point: Point, value: PointScalar, order: Order) -> bytes:
    """A value as the bytes of its registers. value: as `shown` gives it (None: no value)."""
    raw = _big_endian(point, value)
    return reordered(raw, order) if point.type in REORDERED else raw


def _big_endian(point: Point, value: PointScalar) -> bytes:
    match value:
        case None if point.type is PointType.FLOAT:
            return NAN
        case None if point.bits:
            return struct.pack(">H", unknown_word(point.bits))
        case None:
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


def _moved(order: Order) -> Callable[[bytes], tuple[int, ...]]:
    """Takes the bytes of a block in abcd to their places in the order."""
    places = list(range(2 * BLOCK_REGISTERS))
    for point in CATALOGUE:
        if point.type in REORDERED:
            start, size = 2 * point.register, 2 * point.registers
            places[start : start + size] = [
                start + place for place in reordered(bytes(range(size)), order)
            ]
    return itemgetter(*places)


_MOVED = {order: _moved(order) for order in Order}
