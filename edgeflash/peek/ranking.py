"""The plausible decodings of a range of registers, the most plausible first at each address. Pure.

The range is cut into values so that the whole is shortest to describe (`cost`). A device uses one
order of bytes nearly always, so every order is tried for all, and another one within it costs
extra. A decoding's rank is what the best cut that contains it costs more than the best of all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from edgeflash.config.register_map import Encoding, Order
from edgeflash.peek.cost import description_bits, text_bits
from edgeflash.peek.decodings import Decoding, numeric_decodings, read_number, read_text

OTHER_ORDER_BITS = 10.0
SHORTEST_TEXT = 3
"""Registers of printable characters in a row that may be a text."""


@dataclass(frozen=True, slots=True)
class Looks:
    """One range of registers, looked at several times.

    first: zero-based address of the range. words: shape (looks, registers). epoch_s: when each
    look was taken, seconds since 1970 UTC; empty where no clock is to be recognised.
    """

    first: int
    words: tuple[tuple[int, ...], ...]
    epoch_s: tuple[float, ...] = ()

    @property
    def registers(self) -> int:
        """Registers in the range."""
        return len(self.words[0]) if self.words else 0


@dataclass(frozen=True, slots=True)
class Candidate:
    """One decoding at one address. worse_bits: by how much it is less plausible than the best cut
    of the range; 0 where it is part of it. values: one for each look."""

    address: int
    decoding: Decoding
    worse_bits: float
    values: tuple[int | float | str, ...]


@dataclass(frozen=True, slots=True)
class _Piece:
    at: int
    decoding: Decoding
    bits: float
    values: tuple[int | float | str, ...]

    def bits_in(self, order: Order) -> float:
        """Its cost where the device has this order."""
        alone = self.decoding.registers == 1 or self.decoding.encoding is Encoding.STRING
        usual = Order.ABCD if alone else order
        return self.bits + (0.0 if self.decoding.order is usual else OTHER_ORDER_BITS)


def ranked(looks: Looks) -> tuple[Order, dict[int, tuple[Candidate, ...]]]:
    """The order the device seems to use, and by address the decodings that begin there."""
    pieces = _pieces(looks)
    best_order = min(Order, key=lambda order: _forward(pieces, looks.registers, order)[-1])
    forward = _forward(pieces, looks.registers, best_order)
    backward = _backward(pieces, looks.registers, best_order)
    found: dict[int, tuple[Candidate, ...]] = {}
    for at, starting in enumerate(pieces):
        candidates = [
            Candidate(
                looks.first + at,
                piece.decoding,
                max(
                    0.0,
                    forward[at]
                    + piece.bits_in(best_order)
                    + backward[at + piece.decoding.registers]
                    - forward[-1],
                ),
                piece.values,
            )
            for piece in starting
        ]
        found[looks.first + at] = tuple(sorted(candidates, key=lambda c: c.worse_bits))
    return best_order, found


def best_cut(found: dict[int, tuple[Candidate, ...]]) -> list[Candidate]:
    """The values of the most plausible cut, in the order of their addresses."""
    cut, address = [], min(found, default=0)
    while address in found:
        # The first whose end is on the cut as well: what follows it is then the best, too.
        piece = found[address][0]
        cut.append(piece)
        address += piece.decoding.registers
    return cut


def _pieces(looks: Looks) -> list[list[_Piece]]:
    """By offset in the range, every way to read what begins there."""
    every = list(numeric_decodings())
    found: list[list[_Piece]] = []
    for at in range(looks.registers):
        here = []
        for decoding in every:
            end = at + decoding.registers
            if end > looks.registers:
                continue
            numbers = tuple(read_number(decoding, scan[at:end]) for scan in looks.words)
            if _is_signed_twin(decoding, numbers):
                continue
            bits = description_bits(decoding, numbers, looks.epoch_s)
            here.append(_Piece(at, decoding, bits, numbers))
        text = _text_at(looks, at)
        if text is not None:
            here.append(text)
        found.append(here)
    return found


def _is_signed_twin(decoding: Decoding, numbers: Sequence[int | float]) -> bool:
    """Whether the signed reading says the same: a number that never has its top bit set."""
    if decoding.encoding not in (Encoding.UINT16, Encoding.INT32):
        return False
    if decoding.encoding is Encoding.UINT16:
        return all(number < 0x8000 for number in numbers)
    return all(number >= 0 for number in numbers)


def _text_at(looks: Looks, at: int) -> _Piece | None:
    """The longest printable text that begins here and stands still."""
    first = looks.words[0]
    end = at
    while end < len(first) and _is_printable(first[end]):
        end += 1
    length = end - at
    if length < SHORTEST_TEXT or any(scan[at:end] != first[at:end] for scan in looks.words):
        return None
    text = read_text(first[at:end])
    if sum(character.isalnum() for character in text) < length:
        return None
    decoding = Decoding(Encoding.STRING, Order.ABCD, length)
    values = (text,) * len(looks.words)
    return _Piece(at, decoding, text_bits(length, len(looks.words)), values)


def _is_printable(word: int) -> bool:
    high, low = word >> 8, word & 0xFF
    return 0x20 <= high < 0x7F and (low == 0 or 0x20 <= low < 0x7F)


def _forward(pieces: Sequence[Sequence[_Piece]], registers: int, order: Order) -> list[float]:
    """Bits of the best cut of the registers before each offset."""
    bits = [0.0] + [float("inf")] * registers
    for at, starting in enumerate(pieces):
        for piece in starting:
            end = at + piece.decoding.registers
            bits[end] = min(bits[end], bits[at] + piece.bits_in(order))
    return bits


def _backward(pieces: Sequence[Sequence[_Piece]], registers: int, order: Order) -> list[float]:
    """Bits of the best cut of the registers from each offset on."""
    bits = [float("inf")] * registers + [0.0]
    for at in reversed(range(registers)):
        for piece in pieces[at]:
            end = at + piece.decoding.registers
            bits[at] = min(bits[at], piece.bits_in(order) + bits[end])
    return bits
