"""The register map: where one build of analyzer keeps its points."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from edgeflash.model import Phase, Role
from edgeflash.trust import Category


class Strict(BaseModel):
    """Base of every configuration model: frozen, finite numbers only, no unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=False, allow_inf_nan=False)


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


FaultCategory = Literal[
    Category.FAILURE,
    Category.FUNCTION_CHECK,
    Category.OUT_OF_SPECIFICATION,
    Category.MAINTENANCE_REQUIRED,
]


class FaultBit(Strict):
    """The name of one fault bit and its NE 107 category (never "ok")."""

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,39}$")]
    category: FaultCategory


class Forbidden(Strict):
    """A stretch of addresses that must never be read (as the map counts them, both included)."""

    table: Table
    first: Address
    last: Address


class RolePlace(Strict):
    """Where one role is and how it is encoded.

    length: registers of a string. count, stride: an array of `count` elements, `stride` registers
    apart. of: whether fault bits are those of this moment (so if not given) or of the last result.
    Engineering value = raw × scale + offset, then `unit` is converted to the inside unit.
    """

    table: Table
    address: Address
    type: Encoding
    order: Order | None = None
    unit: str | None = None
    scale: float = 1.0
    offset: float = 0.0
    unavailable: tuple[int | float | Literal["nan"], ...] = ()
    bit: Annotated[int, Field(ge=0, le=15)] | None = None
    length: Annotated[int, Field(ge=1, le=125)] | None = None
    count: Annotated[int, Field(ge=1, le=8192)] | None = None
    stride: Annotated[int, Field(ge=1, le=125)] | None = None
    parts: tuple[TimePart, ...] | None = None
    values: dict[int, Phase] | None = None
    of: Literal["now", "result"] | None = None
    bits: dict[Annotated[int, Field(ge=0, le=31)], FaultBit] | None = None
    wraps_at: Annotated[int, Field(ge=1)] | None = None
    first: Annotated[int, Field(ge=0)] = 0

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


class MapHeader(Strict):
    """What holds for the whole map."""

    name: str
    protocol: Literal["modbus"]
    addressing: Literal["zero_based", "one_based"]
    order: Order = Order.ABCD
    max_registers: Annotated[int, Field(ge=1, le=125)] = 125
    max_gap: Annotated[int, Field(ge=0, le=124)] = 8
    forbidden: tuple[Forbidden, ...] = ()


class RegisterMap(Strict):
    """A whole register map file: `[map]` and one `[roles.NAME]` table per role."""

    map: MapHeader
    roles: dict[Role, RolePlace]

    def pdu_address(self, address: int) -> int:
        """The zero-based protocol address of an address as this map counts."""
        return address - (1 if self.map.addressing == "one_based" else 0)

    @property
    def is_counted(self) -> bool:
        """True when the analyzer numbers its cycles; else the time of a result is its number."""
        return Role.CYCLE_NUMBER in self.roles

    @property
    def counter_span(self) -> tuple[int, int]:
        """First number after a wrap and highest number of the cycle counter."""
        place = self.roles.get(Role.CYCLE_NUMBER)
        if place is None:
            return (0, 2**63 - 1)
        _, top = WHOLE_RANGE.get(place.type, (0, 2**63 - 1))
        return (place.first, place.wraps_at or top)
