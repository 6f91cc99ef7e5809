"""What each table of the history holds of each analyzer: rows, times, days without any."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from edgeflash.history.columns import TableName
from edgeflash.history.layout import NO_ANALYZER
from edgeflash.history.schema import TABLES

_EPOCH = date(1970, 1, 1)


@dataclass(frozen=True, slots=True)
class Holding:
    """Rows of one analyzer in one table. analyzer: empty for what is about none.

    first, last: by the time of the table, UTC. gaps: the UTC days between them without a row, as
    first and last day of each run. In `events` and `lab` such days are ordinary.
    """

    table: TableName
    analyzer: str
    rows: int
    first: datetime
    last: datetime
    gaps: tuple[tuple[date, date], ...]

    @property
    def days_missing(self) -> int:
        """How many days the gaps have together."""
        return sum((last - first).days + 1 for first, last in self.gaps)


def columns_of(table: TableName) -> tuple[str, str]:
    """The columns that a holding is made of."""
    return ("analyzer", TABLES[table].time)


class Holdings:
    """Gathers what a table holds while its rows pass by, each row once."""

    def __init__(self, table: TableName) -> None:
        self._table = table
        self._found: dict[str, _Gathered] = {}

    def seen(self, parts: Iterable[pa.Table]) -> Iterator[pa.Table]:
        """The same parts, which have `columns_of` the table."""
        time = TABLES[self._table].time
        for part in parts:
            analyzers = part["analyzer"]
            names: list[Any] = pc.unique(analyzers).to_pylist()
            for name in names:
                own = part
                if len(names) > 1:
                    own = part.filter(
                        pc.is_null(analyzers) if name is None else pc.equal(analyzers, name)
                    )
                self._found.setdefault(name or NO_ANALYZER, _Gathered()).take(own[time])
            yield part

    def all(self) -> list[Holding]:
        """One for each analyzer that had rows, by name."""
        return [self._found[name].holding(self._table, name) for name in sorted(self._found)]


@dataclass(slots=True)
class _Gathered:
    """Days are counted from 1970, so that ten years of rows leave some thousand numbers."""

    rows: int = 0
    first: datetime | None = None
    last: datetime | None = None
    days: set[int] = field(default_factory=set)

    def take(self, times: pa.ChunkedArray) -> None:
        span: Any = pc.min_max(times).as_py()
        if span["min"] is None:
            return
        self.rows += len(times)
        self.first = span["min"] if self.first is None else min(self.first, span["min"])
        self.last = span["max"] if self.last is None else max(self.last, span["max"])
        # The type is UTC, and a date of it is the UTC day.
        days: Any = pc.unique(pc.cast(times, pa.date32()).cast(pa.int32())).to_pylist()
        self.days.update(days)

    def holding(self, table: TableName, analyzer: str) -> Holding:
        assert self.first is not None
        assert self.last is not None
        gaps = tuple(_gaps(sorted(self.days)))
        first, last = self.first.astimezone(UTC), self.last.astimezone(UTC)
        return Holding(table, analyzer, self.rows, first, last, gaps)


def _gaps(days: list[int]) -> Iterator[tuple[date, date]]:
    for before, after in pairwise(days):
        if after - before > 1:
            yield _day(before + 1), _day(after - 1)


def _day(number: int) -> date:
    return _EPOCH + timedelta(days=number)
