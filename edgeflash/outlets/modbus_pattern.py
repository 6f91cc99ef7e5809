"""The test pattern: known values at fixed addresses, so that an order is found, not guessed. Pure.

Forty registers in each order from 65000, abcd, cdab, badc, dcba, then once more in the order of the
server. Whoever reads 123.456 at 65162 decodes this server as it is set; whoever reads it in one of
the first four blocks knows which order the reading side decodes.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime

from edgeflash.config.register_map import Order
from edgeflash.outlets.modbus_encoding import NAN, reordered, text_bytes
from edgeflash.outlets.modbus_layout import ORDERS, PATTERN_AT, PATTERN_REGISTERS
from edgeflash.outlets.values import microseconds_since_1970

TIME = datetime(2031, 4, 5, 6, 7, 8, 901234, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Sample:
    """One known value. offset: in its block of the pattern. raw: its bytes, by the order's name.

    has_order: it takes several registers as a number.
    """

    offset: int
    type: str
    shown: str
    raw: Callable[[Order], bytes]
    has_order: bool


def _number(code: str, value: int | float) -> Callable[[Order], bytes]:
    packed = struct.pack(f">{code}", value)
    return lambda order: reordered(packed, order)


SAMPLES: tuple[Sample, ...] = (
    Sample(0, "uint16", "4660 (1234 hexadecimal)", _number("H", 0x1234), False),
    Sample(1, "int16", "-12345", _number("h", -12_345), False),
    Sample(2, "float32", "123.456", _number("f", 123.456), True),
    Sample(4, "float32", "-12.25", _number("f", -12.25), True),
    Sample(6, "int32", "-123456789", _number("i", -123_456_789), True),
    Sample(8, "uint32", "305419896 (12345678 hexadecimal)", _number("I", 0x12345678), True),
    Sample(
        10,
        "uint64",
        f"{microseconds_since_1970(TIME)}, which is {TIME.isoformat()}",
        _number("Q", microseconds_since_1970(TIME)),
        True,
    ),
    Sample(
        14,
        "text",
        "`edgeflash test pattern abcd °C`, with the name of the order",
        lambda order: text_bytes(f"edgeflash test pattern {order.value} °C"),
        False,
    ),
    Sample(30, "float32", "no value (NaN)", lambda order: reordered(NAN, order), True),
    Sample(32, "int32", "no value", _number("i", -(2**31)), True),
    Sample(34, "int16", "no value", _number("h", -(2**15)), False),
    Sample(35, "uint16", "no value", _number("H", 0xFFFF), False),
)


def pattern_address(order: Order | None) -> int:
    """The first address of the pattern in an order; None: in the order of the server."""
    place = len(ORDERS) if order is None else ORDERS.index(order)
    return PATTERN_AT + place * PATTERN_REGISTERS


def pattern_page(server_order: Order) -> bytes:
    """The whole pattern as sent: the block of each order, then the one of the server's."""
    return b"".join(_pattern(order) for order in (*ORDERS, server_order))


def _pattern(order: Order) -> bytes:
    made = bytearray(2 * PATTERN_REGISTERS)
    for sample in SAMPLES:
        # Single registers are never reordered: they show what is sent high byte first.
        raw = sample.raw(order if sample.has_order or sample.type == "text" else Order.ABCD)
        made[2 * sample.offset : 2 * sample.offset + len(raw)] = raw
    return bytes(made)
