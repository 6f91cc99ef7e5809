"""The inputs as Modbus registers: what of them is read, and which writes are taken.

Input `number` n owns the four registers from 50 000 + (n - 1) × 4, counted from 0 as sent:

    +0, +1  value, float32 in the server's order, in the input's own unit
    +2      quality: 0 good, 1 uncertain, 2 bad; any other number counts, and reads, as 2
    +3      age of the value in whole seconds, read only; 65535 when older or not known

A write is taken whole or not at all: value, value and quality, or quality alone. Half a value, the
age, a constant and what is not declared have no address for writing. A value alone comes as good.
No number is refused for what it is: exception 3 is for requests that are wrong in themselves, and
"specifically does not mean that a data item submitted for storage in a register has a value outside
the expectation of the application program" (Modbus application protocol V1.1b3, 7; from memory).
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from math import isfinite, nan

from edgeflash.config.register_map import Order
from edgeflash.config.site import Input
from edgeflash.inputs import InputStanding, InputStore
from edgeflash.outlets.modbus_encoding import reordered
from edgeflash.outlets.values import LARGEST_FLOAT32
from edgeflash.trust import Trust

FIRST_ADDRESS = 50_000
REGISTERS_EACH = 4
MOST_INPUTS = 500
LAST_ADDRESS = FIRST_ADDRESS + MOST_INPUTS * REGISTERS_EACH - 1
VALUE_OFFSET, QUALITY_OFFSET, AGE_OFFSET = 0, 2, 3
VALUE_REGISTERS = 2
AGE_UNKNOWN = 0xFFFF

QUALITY_NUMBERS = {Trust.GOOD: 0, Trust.UNCERTAIN: 1, Trust.BAD: 2}
_TRUST = {number: trust for trust, number in QUALITY_NUMBERS.items()}
_WRITABLE = {
    (VALUE_OFFSET, VALUE_REGISTERS),
    (VALUE_OFFSET, VALUE_REGISTERS + 1),
    (QUALITY_OFFSET, 1),
}
"""Offset and count of the writes that are taken."""


def address_of(declared: Input) -> int:
    """The zero-based address of an input's first register."""
    return FIRST_ADDRESS + (declared.number - 1) * REGISTERS_EACH


class InputRegisters:
    """The inputs of a site as one server shows them. accepts: whether its clients may write."""

    def __init__(
        self, store: InputStore, order: Order, accepts: bool, mono_s: Callable[[], float]
    ) -> None:
        self.accepts = accepts
        self._store = store
        self._order = order
        self._mono_s = mono_s
        self._by_number = {one.number: one for one in store.declared}

    def read(self, address: int, count: int) -> bytes | None:
        """`count` registers as sent; None when any of them does not exist."""
        first, last = address - FIRST_ADDRESS, address - FIRST_ADDRESS + count - 1
        numbers = range(first // REGISTERS_EACH + 1, last // REGISTERS_EACH + 2)
        wanted = [self._by_number.get(number) for number in numbers]
        declared = [one for one in wanted if one is not None]
        if len(declared) != len(wanted):
            return None
        now_mono_s = self._mono_s()
        blocks = [self._block(self._store.standing(one, now_mono_s)) for one in declared]
        start = 2 * (first % REGISTERS_EACH)
        return b"".join(blocks)[start : start + 2 * count]

    def write(self, address: int, data: bytes, source: str) -> bool:
        """Takes registers as sent; False, with nothing changed, when they may not be written."""
        place, offset = divmod(address - FIRST_ADDRESS, REGISTERS_EACH)
        declared = self._by_number.get(place + 1)
        is_constant = declared is not None and declared.value is not None
        if declared is None or is_constant or (offset, len(data) // 2) not in _WRITABLE:
            return False
        now_mono_s = self._mono_s()
        if offset == QUALITY_OFFSET:
            self._store.write_trust(declared.id, _trust_of(data), now_mono_s, source)
            return True
        (value,) = struct.unpack(">f", reordered(data[: 2 * VALUE_REGISTERS], self._order))
        quality = data[2 * VALUE_REGISTERS :]
        trust = _trust_of(quality) if quality else Trust.GOOD
        self._store.write(declared.id, value, trust, now_mono_s, source)
        return True

    def _block(self, standing: InputStanding) -> bytes:
        value, age_s = standing.value, standing.age_s
        if isfinite(value) and abs(value) > LARGEST_FLOAT32:
            value = nan  # by OPC UA, as a double: no float32 is near it
        age = AGE_UNKNOWN if age_s is None or age_s >= AGE_UNKNOWN else int(age_s)
        numbers = struct.pack(">HH", QUALITY_NUMBERS[standing.trust], age)
        return reordered(struct.pack(">f", value), self._order) + numbers


def _trust_of(data: bytes) -> Trust:
    return _TRUST.get(int.from_bytes(data, "big"), Trust.BAD)
