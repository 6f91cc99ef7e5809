"""Ways to read registers as numbers, and the reading itself. Pure."""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from edgeflash.config.register_map import REGISTERS, Encoding, Order

_CODES = {
    Encoding.INT16: ">h",
    Encoding.UINT16: ">H",
    Encoding.INT32: ">i",
    Encoding.UINT32: ">I",
    Encoding.FLOAT32: ">f",
    Encoding.FLOAT64: ">d",
    Encoding.UINT64: ">Q",
}
_UNPACK = {encoding: struct.Struct(code).unpack for encoding, code in _CODES.items()}
_REVERSED = (Order.CDAB, Order.DCBA)
_SWAPPED = (Order.BADC, Order.DCBA)

SCALES = (1.0, 0.1, 0.01, 0.001)
"""What a whole number is multiplied with; the powers of ten that devices use (common practice, no
source)."""


@dataclass(frozen=True, slots=True)
class Decoding:
    """One way to read `registers` registers. order: abcd or badc where there is one register."""

    encoding: Encoding
    order: Order = Order.ABCD
    length: int = 1
    """Registers of a text."""

    @property
    def registers(self) -> int:
        """How many registers it takes."""
        return self.length if self.encoding is Encoding.STRING else REGISTERS[self.encoding]

    @property
    def is_whole(self) -> bool:
        """Whether it gives whole numbers, which may be scaled."""
        return self.encoding not in (Encoding.FLOAT32, Encoding.FLOAT64, Encoding.STRING)


def numeric_decodings() -> Iterator[Decoding]:
    """Every way to read numbers that is tried."""
    for order in (Order.ABCD, Order.BADC):
        yield Decoding(Encoding.INT16, order)
        yield Decoding(Encoding.UINT16, order)
    for encoding in (
        *(Encoding.FLOAT32, Encoding.INT32, Encoding.UINT32),
        *(Encoding.FLOAT64, Encoding.UINT64),
    ):
        for order in Order:
            yield Decoding(encoding, order)


def read_number(decoding: Decoding, words: Sequence[int]) -> int | float:
    """The raw number in `decoding.registers` words."""
    ordered = words[::-1] if decoding.order in _REVERSED else words
    data = b"".join(
        word.to_bytes(2, "little" if decoding.order in _SWAPPED else "big") for word in ordered
    )
    number: int | float = _UNPACK[decoding.encoding](data)[0]
    return number


def read_text(words: Sequence[int]) -> str:
    """Registers as text, high byte first; NULs left out."""
    data = b"".join(word.to_bytes(2, "big") for word in words)
    return data.decode("ascii", "replace").replace("\0", "")
