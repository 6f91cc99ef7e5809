"""What a column of the history is: type, unit, meaning, and how its value is found. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Generic, TypeVar

import pyarrow as pa

Source = TypeVar("Source")

TIMESTAMP = pa.timestamp("us", "UTC")
TEXT, REAL, WHOLE, FLAG = pa.string(), pa.float64(), pa.int64(), pa.bool_()


class TableName(StrEnum):
    """The tables of the history."""

    RESULTS = "results"
    TRACES = "traces"
    EVENTS = "events"
    LAB = "lab"


@dataclass(frozen=True, slots=True)
class Column(Generic[Source]):
    """One column: how what becomes a row fills it. unit is empty where there is none."""

    name: str
    type: pa.DataType
    description: str
    get: Callable[[Source], Any]
    unit: str = ""

    @property
    def field(self) -> pa.Field[Any]:
        """The Arrow field, with unit and description as metadata."""
        return pa.field(
            self.name,
            self.type,
            metadata={b"unit": self.unit.encode(), b"description": self.description.encode()},
        )
