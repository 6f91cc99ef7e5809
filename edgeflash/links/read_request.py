"""One Modbus read request, and what can come back for it, whatever the framing. Pure.

Source: Modbus application protocol V1.1b3, 6.1 to 6.4 (reads) and 7 (exceptions).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

from edgeflash.config.register_map import Table
from edgeflash.links.errors import LinkFault
from edgeflash.links.plan import BIT_TABLES

FUNCTION_OF_TABLE: dict[Table, int] = {
    Table.COIL: 1,
    Table.DISCRETE: 2,
    Table.HOLDING: 3,
    Table.INPUT: 4,
}
"""Read function codes (Modbus application protocol V1.1b3, 6.1 to 6.4)."""

EXCEPTION_BIT = 0x80


@dataclass(frozen=True, slots=True)
class ReadRequest:
    """`count` registers (or bits) of a table of one unit, from the zero-based address on."""

    unit_id: int
    table: Table
    address: int
    count: int

    @property
    def function(self) -> int:
        """The function code."""
        return FUNCTION_OF_TABLE[self.table]

    @property
    def data_bytes(self) -> int:
        """Bytes of data that the one right answer carries."""
        return (self.count + 7) // 8 if self.table in BIT_TABLES else 2 * self.count

    @property
    def pdu(self) -> bytes:
        """Function, address, count; without unit and framing."""
        place = self.address.to_bytes(2, "big") + self.count.to_bytes(2, "big")
        return bytes([self.function]) + place

    @property
    def place(self) -> str:
        """Table and addresses, for sentences."""
        return f"{self.table} {self.address}..{self.address + self.count - 1}"

    def words(self, data: bytes) -> tuple[int, ...]:
        """The words (bits as 0 and 1) in an answer's `data_bytes` bytes of data."""
        if self.table in BIT_TABLES:
            return tuple(data[i // 8] >> i % 8 & 1 for i in range(self.count))
        return tuple(int.from_bytes(data[i : i + 2], "big") for i in range(0, len(data), 2))


@dataclass(frozen=True, slots=True)
class Answer:
    """The words asked for."""

    words: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Refusal:
    """An orderly exception answer."""

    code: int


@dataclass(frozen=True, slots=True)
class Spoilt:
    """What came is not the answer and the request is lost. why: for a sentence, with its subject.

    is_fatal: the bytes cannot be followed any further, the connection must be renewed.
    """

    fault: LinkFault
    why: str
    is_fatal: bool = False


Outcome: TypeAlias = Answer | Refusal | Spoilt


@dataclass(frozen=True, slots=True)
class Seen:
    """What the bytes since a request hold. outcome: None while it is still to come.

    strangers: units of whole frames that answer something else: an earlier request, mostly.
    noise: bytes that belong to no frame.
    """

    outcome: Outcome | None = None
    strangers: tuple[int, ...] = ()
    noise: int = 0
