"""The register map: where one build of analyzer keeps its points."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field

from edgeflash.config.analyzer_map import AnalyzerMap, Header, Meaning, Strict, every_protocol
from edgeflash.model import Phase, Role


class Table(StrEnum):
    """The four Modbus tables (Modbus application protocol V1.1b3, 4.3)."""

    COIL = "coil"
    DISCRETE = "discrete"
    INPUT = "input"
    HOLDING = "holding"


class Order(StrEnum):
    """Order of the bytes of a multi-register value on the wire; A is the most significant."""

    ABCD = "abcd"
    CDAB = "cdab"
    BADC = "badc"
    DCBA = "dcba"


class Encoding(StrEnum):
    """How a value is written in registers."""

    BOOL = "bool"
    INT16 = "int16"
    UINT16 = "uint16"
    INT32 = "int32"
    UINT32 = "uint32"
    INT64 = "int64"
    UINT64 = "uint64"
    FLOAT32 = "float32"
    FLOAT64 = "float64"
    BCD16 = "bcd16"
    BCD32 = "bcd32"
    STRING = "string"
    SPLIT_TIME = "split_time"


REGISTERS: dict[Encoding, int] = {
    Encoding.BOOL: 1,
    Encoding.INT16: 1,
    Encoding.UINT16: 1,
    Encoding.BCD16: 1,
    Encoding.INT32: 2,
    Encoding.UINT32: 2,
    Encoding.FLOAT32: 2,
    Encoding.BCD32: 2,
    Encoding.INT64: 4,
    Encoding.UINT64: 4,
    Encoding.FLOAT64: 4,
}

WHOLE_RANGE: dict[Encoding, tuple[int, int]] = {
    Encoding.INT16: (-(2**15), 2**15 - 1),
    Encoding.UINT16: (0, 2**16 - 1),
    Encoding.INT32: (-(2**31), 2**31 - 1),
    Encoding.UINT32: (0, 2**32 - 1),
    Encoding.INT64: (-(2**63), 2**63 - 1),
    Encoding.UINT64: (0, 2**64 - 1),
    Encoding.BCD16: (0, 9_999),
    Encoding.BCD32: (0, 99_999_999),
}
"""Lowest and highest raw value of every encoding of whole numbers."""

TimePart = Literal["year", "month", "day", "hour", "minute", "second", "year_from_2000"]
Address = Annotated[int, Field(ge=0, le=65536)]


class Forbidden(Strict):
    """A stretch of addresses that must never be read (as the map counts them, both included)."""

    table: Table
    first: Address
    last: Address


class RolePlace(Meaning):
    """Where one role is in the registers, how it is encoded, and what it means.

    length: registers of a string. count, stride: an array of `count` elements, `stride` registers
    apart.
    """

    table: Table
    address: Address
    type: Encoding
    order: Order | None = None
    bit: Annotated[int, Field(ge=0, le=15)] | None = None
    length: Annotated[int, Field(ge=1, le=125)] | None = None
    count: Annotated[int, Field(ge=1, le=8192)] | None = None
    stride: Annotated[int, Field(ge=1, le=125)] | None = None
    parts: tuple[TimePart, ...] | None = None
    values: dict[int, Phase] | None = None

    @property
    def highest_number(self) -> int:
        """The highest raw value of the encoding."""
        _, top = WHOLE_RANGE.get(self.type, (0, 2**63 - 1))
        return top

    @property
    def is_text(self) -> bool:
        """True for a string."""
        return self.type is Encoding.STRING

    @property
    def element_registers(self) -> int:
        """Registers (or bits, in the bit tables) that one element takes."""
        if self.type is Encoding.STRING:
            return self.length or 1
        if self.type is Encoding.SPLIT_TIME:
            return len(self.parts or ())
        return REGISTERS[self.type]

    @property
    def span_registers(self) -> int:
        """Registers from the first element's start to the last element's end."""
        step = self.stride or self.element_registers
        return ((self.count or 1) - 1) * step + self.element_registers


class MapHeader(Header):
    """What holds for the whole map of registers."""

    protocol: Annotated[Literal["modbus"], Field(json_schema_extra=every_protocol)]
    addressing: Literal["zero_based", "one_based"]
    order: Order = Order.ABCD
    max_registers: Annotated[int, Field(ge=1, le=125)] = 125
    max_gap: Annotated[int, Field(ge=0, le=124)] = 8
    forbidden: tuple[Forbidden, ...] = ()


class RegisterMap(AnalyzerMap):
    """A whole register map file for Modbus: `[map]` and one `[roles.NAME]` table per role."""

    map: MapHeader
    roles: dict[Role, RolePlace]

    def pdu_address(self, address: int) -> int:
        """The zero-based protocol address of an address as this map counts."""
        return address - (1 if self.map.addressing == "one_based" else 0)
