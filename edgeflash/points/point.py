"""What a published point is: its name, its place, its range, and how its value is taken. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from edgeflash.model import Result
from edgeflash.publication import View
from edgeflash.status_bits import Bit
from edgeflash.trust import Quality
from edgeflash.units import Quantity

LATEST = "Latest cycle: "
"""Begins the description of every figure of the latest cycle."""

STATUS_WORD = "status_bits"
TEST_ACTIVE = "test_active"
"""The one point that no test can be shown of."""

PointScalar = float | int | bool | str | datetime | None


class PointType(StrEnum):
    """How a point is held. Registers: float 2, int 2 (uint32), code 1 (uint16), flag 1, time 4
    (uint64, microseconds since 1970 UTC), text 16 (32 UTF-8 bytes, zero filled)."""

    FLOAT = "float"
    INT = "int"
    CODE = "code"
    FLAG = "flag"
    TIME = "time"
    TEXT = "text"


REGISTERS_OF: dict[PointType, int] = {
    PointType.FLOAT: 2,
    PointType.INT: 2,
    PointType.CODE: 1,
    PointType.FLAG: 1,
    PointType.TIME: 4,
    PointType.TEXT: 16,
}

BLOCK_REGISTERS = 200
"""Registers of one analyzer's block; analyzer `number` n starts at (n - 1) × this."""


@dataclass(frozen=True, slots=True)
class PointValue:
    """One value with its quality and the time it belongs to (UTC)."""

    value: PointScalar
    quality: Quality
    source_time: datetime


@dataclass(frozen=True, slots=True)
class CodeMeaning:
    """What one code means: a name, and a sentence."""

    code: int
    name: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Point:
    """One published point. low/high: range in the inside unit of `quantity`.

    register: offset in the analyzer's block. texts: meaning of each code. of_result: gives the
    column of `results`, where the point is one. in_history: the column's description, where it
    differs by more than the row being a cycle of its own. scale: powers of ten by which the step
    of its int16 is coarser than is usual for its unit (outlets.modbus_integers); below 0 finer.
    bits: what the bits of a code are; as discrete inputs they begin at offset bits_at.
    """

    name: str
    title: str
    description: str
    type: PointType
    register: int
    read: Callable[[View], PointValue]
    quantity: Quantity = Quantity.NONE
    low: float | None = None
    high: float | None = None
    texts: tuple[str, ...] = ()
    meanings: tuple[CodeMeaning, ...] = ()
    of_result: Callable[[Result], PointScalar] | None = None
    in_history: str = ""
    scale: int = 0
    bits: tuple[Bit, ...] = ()
    bits_at: int = 0

    @property
    def registers(self) -> int:
        """Registers this point takes in the block."""
        return REGISTERS_OF[self.type]

    @property
    def column_description(self) -> str:
        """The description of the column: there every row is a cycle of its own."""
        text = self.in_history or self.description.removeprefix(LATEST).replace(
            "latest judged cycle", "cycle"
        )
        return text[0].upper() + text[1:]
