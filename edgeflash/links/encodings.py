"""Words from the wire to values in inside units. Pure.

`READERS` has one entry per encoding: adding an encoding is adding an entry (and its size in the
register map's table). A reader gets the element's bytes, already put in the order A, B, C, …

Orders, for a value of more than one register (A is the most significant byte):
abcd as it stands; cdab words reversed; badc the bytes of each word swapped; dcba both. A value of
one register is swapped only when its role names badc or dcba itself, never by the map's default.
Text keeps its registers in order and takes only a byte swap its role names itself.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import TypeAlias

from edgeflash.config.register_map import REGISTERS, Encoding, Order, RolePlace
from edgeflash.links.arrays import array_decoder, can_decode_at_once
from edgeflash.links.errors import DecodeError
from edgeflash.links.meaning import is_conceivable, meaning_of
from edgeflash.model import Role, Scalar

Raw: TypeAlias = bool | int | float | str | datetime | None
Reader: TypeAlias = Callable[[bytes, RolePlace], Raw]
Decoder: TypeAlias = Callable[[Sequence[int]], Scalar | list[Scalar]]

_WORDS_REVERSED = frozenset({Order.CDAB, Order.DCBA})
_BYTES_SWAPPED = frozenset({Order.BADC, Order.DCBA})
_SIGNED = frozenset({Encoding.INT16, Encoding.INT32, Encoding.INT64})
_BCD = frozenset({Encoding.BCD16, Encoding.BCD32})
_PLAIN = frozenset({Encoding.STRING, Encoding.SPLIT_TIME})


class _NotBcdError(ValueError):
    """A nibble above 9; the caller knows role and address and says it properly."""


def _number(code: str) -> Reader:
    """A reader by struct code, big-endian."""
    unpack = struct.Struct(f">{code}").unpack

    def read(data: bytes, _place: RolePlace) -> Raw:
        value: int | float = unpack(data)[0]
        return value

    return read


def _read_bcd(data: bytes, _place: RolePlace) -> Raw:
    digits = data.hex()
    if not digits.isdecimal():
        raise _NotBcdError(f"0x{digits} is not BCD: every hexadecimal digit must be 0 to 9")
    return int(digits)


def _read_bool(data: bytes, place: RolePlace) -> Raw:
    word = int.from_bytes(data, "big")
    return bool(word if place.bit is None else word >> place.bit & 1)


def _read_string(data: bytes, _place: RolePlace) -> Raw:
    """Leading and trailing NULs and spaces are trimmed; text ends at the first NUL inside."""
    body = data.lstrip(b"\0 ").split(b"\0", 1)[0].strip(b" ")
    try:
        return body.decode("utf-8")
    except UnicodeDecodeError:
        return body.decode("latin-1")


def _read_split_time(data: bytes, place: RolePlace) -> Raw:
    """Aware UTC time; None when the parts are no date (an analyzer without a result shows 0)."""
    numbers = struct.unpack(f">{len(data) // 2}H", data)
    parts: dict[str, int] = dict(zip(place.parts or (), numbers, strict=True))
    year = parts["year_from_2000"] + 2000 if "year_from_2000" in parts else parts.get("year", 0)
    try:
        time = datetime(
            year,
            parts.get("month", 1),
            parts.get("day", 1),
            parts.get("hour", 0),
            parts.get("minute", 0),
            parts.get("second", 0),
            tzinfo=UTC,
        )
    except ValueError:
        return None
    return time if is_conceivable(time) else None


READERS: dict[Encoding, Reader] = {
    Encoding.BOOL: _read_bool,
    Encoding.INT16: _number("h"),
    Encoding.UINT16: _number("H"),
    Encoding.INT32: _number("i"),
    Encoding.UINT32: _number("I"),
    Encoding.INT64: _number("q"),
    Encoding.UINT64: _number("Q"),
    Encoding.FLOAT32: _number("f"),
    Encoding.FLOAT64: _number("d"),
    Encoding.BCD16: _read_bcd,
    Encoding.BCD32: _read_bcd,
    Encoding.STRING: _read_string,
    Encoding.SPLIT_TIME: _read_split_time,
}


def decode(
    role: Role, place: RolePlace, words: Sequence[int], default_order: Order
) -> Scalar | list[Scalar]:
    """The value of a role from its words, or the list of its elements when `place.count` is set.

    words: `place.span_registers` 16-bit words from the first element on; from a bit table the
    bits as 0 and 1. Values come in inside units. None: the analyzer says "not available".
    Raises DecodeError when the words are no value of the encoding, or too few.
    """
    return decoder(role, place, default_order)(words)


def decoder(role: Role, place: RolePlace, default_order: Order) -> Decoder:
    """`decode` with everything that does not depend on the words worked out beforehand."""
    size, span, count = place.element_registers, place.span_registers, place.count
    step = place.stride or size
    element = _element_decoder(role, place, default_order)
    at_once = None
    if can_decode_at_once(place) and role not in (Role.PHASE, Role.FAULT_BITS):
        order = _order_of(place, default_order)
        at_once = array_decoder(place, order, _sentinels(place.type, place.unavailable))

    def decode_words(words: Sequence[int]) -> Scalar | list[Scalar]:
        if len(words) < span:
            raise DecodeError(role, place.address, f"needs {span} words, got {len(words)}")
        if count is None:
            return element(words[:size])
        if at_once is not None:
            return at_once(words)
        return [element(words[at : at + size]) for at in range(0, count * step, step)]

    return decode_words


def _element_decoder(
    role: Role, place: RolePlace, default_order: Order
) -> Callable[[Sequence[int]], Scalar]:
    to_bytes = _byte_orderer(place, default_order)
    read = READERS[place.type]
    mean = meaning_of(role, place)
    sentinels = _sentinels(place.type, place.unavailable)

    def decode_element(words: Sequence[int]) -> Scalar:
        data = to_bytes(words)
        try:
            raw = read(data, place)
        except _NotBcdError as error:
            # An analyzer that writes BCD can only say "not available" by a pattern that is none.
            if float(int.from_bytes(data, "big")) in sentinels:
                return None
            raise DecodeError(role, place.address, str(error)) from None
        if raw is None or isinstance(raw, bool | str | datetime):
            return raw
        if not math.isfinite(raw) or (sentinels and float(raw) in sentinels):
            return None
        return mean(raw)

    return decode_element


def _order_of(place: RolePlace, default_order: Order) -> Order:
    """The order of one element: its own, or the map's where that applies."""
    if place.type is Encoding.SPLIT_TIME:
        return Order.ABCD
    takes_default = place.type not in _PLAIN and place.element_registers > 1
    return place.order or (default_order if takes_default else Order.ABCD)


def _byte_orderer(place: RolePlace, default_order: Order) -> Callable[[Sequence[int]], bytes]:
    """From one element's words to its bytes, most significant first."""
    numeric = place.type not in _PLAIN
    size = place.element_registers
    order = _order_of(place, default_order)
    pack = struct.Struct(f"{'<' if order in _BYTES_SWAPPED else '>'}{size}H").pack
    if numeric and order in _WORDS_REVERSED:
        return lambda words: pack(*words[::-1])
    return lambda words: pack(*words)


def _sentinels(encoding: Encoding, written: tuple[float | str, ...]) -> frozenset[float]:
    """The raw values that mean "not available", as this encoding can hold them.

    A signed integer also takes its bit pattern (0x8000 for int16 −32768), because that is how
    manuals print it; a float32 takes the nearest float32 (−999.9 has none of its own).
    """
    found: set[float] = set()
    for value in written:
        if isinstance(value, str) or not math.isfinite(value):
            continue
        found.add(float(value))
        if encoding in _SIGNED and value >= 2.0 ** (16 * REGISTERS[encoding] - 1):
            found.add(float(value) - 2.0 ** (16 * REGISTERS[encoding]))
        if encoding is Encoding.FLOAT32:
            try:
                found.add(struct.unpack(">f", struct.pack(">f", value))[0])
            except OverflowError:
                continue
    return frozenset(found)
