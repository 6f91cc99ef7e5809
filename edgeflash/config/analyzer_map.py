"""What the map of every build of analyzer says, whatever the analyzer speaks."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from edgeflash.model import Phase, Role
from edgeflash.trust import Category


class Strict(BaseModel):
    """Base of every configuration model: frozen, finite numbers only, no unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=False, allow_inf_nan=False)


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


class Meaning(Strict):
    """What a raw value of one role means.

    Engineering value = raw × scale + offset, then `unit` is converted to the inside unit. values:
    the phase of each raw value. of: whether fault bits are those of this moment (so if not given)
    or of the last result. first, wraps_at: of a counter that begins again.
    """

    unit: str | None = None
    scale: float = 1.0
    offset: float = 0.0
    unavailable: tuple[int | float | Literal["nan"], ...] = ()
    values: Mapping[int, Phase] | Mapping[str, Phase] | None = None
    of: Literal["now", "result"] | None = None
    bits: dict[Annotated[int, Field(ge=0, le=31)], FaultBit] | None = None
    wraps_at: Annotated[int, Field(ge=1)] | None = None
    first: Annotated[int, Field(ge=0)] = 0

    @property
    def highest_number(self) -> int:
        """The highest number a counter can show where the map does not say it."""
        return 2**63 - 1

    @property
    def is_text(self) -> bool:
        """True when the map itself says that the value is a text."""
        return False


PROTOCOLS = ("modbus", "opcua")
"""What an analyzer may speak, as a map says it."""


def every_protocol(schema: dict[str, Any]) -> None:
    """Lets the schema of one protocol's header name them all: whoever asks is choosing."""
    schema.pop("const", None)
    schema["enum"] = list(PROTOCOLS)


class Header(Strict):
    """What holds for the whole map."""

    name: str
    protocol: str


class AnalyzerMap(Strict):
    """A map: `[map]` and one `[roles.NAME]` table per role."""

    map: Header
    roles: Mapping[Role, Meaning]

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
        return (place.first, place.wraps_at or place.highest_number)
