"""Questions to the history, answered as Arrow, pandas or DuckDB, or batch by batch.

A query reads nothing when it is made. Each answer reads anew, and sees what has come meanwhile.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any, Protocol

import pyarrow as pa

from edgeflash.errors import UsageError
from edgeflash.history.by_time import LONGEST_DELAY
from edgeflash.history.columns import TableName
from edgeflash.history.frames import as_frame
from edgeflash.history.relations import connected
from edgeflash.history.resample import DEFAULT_HOLD_S, RESAMPLED_FROM, check_spans, resample
from edgeflash.history.schema import TABLES, part_of_schema
from edgeflash.history.selection import Selection

BATCH_ROWS = 65_536


class Pass(Protocol):
    """One reading of one table; see `reader.Reading`."""

    def begin(self) -> tuple[int, Iterator[pa.Table]]:
        """How many tables there are, and these; one for each file."""

    def all(self) -> pa.Table:
        """All rows as one table."""


class Source(Protocol):
    """Where the rows are: a folder with a journal's tail, or an object store."""

    def reading(
        self, table: TableName, selection: Selection, columns: Sequence[str] | None
    ) -> Pass:
        """Reads rows as tables."""

    def relation(self, connection: Any, table: TableName, selection: Selection) -> Any:
        """The rows as a DuckDB relation with every column."""

    def hold_s(self) -> Mapping[str, float]:
        """The hold of each analyzer, as far as a site file tells it."""

    def analyzers(self, table: TableName) -> list[str]:
        """Those that have rows of the table, by name."""

    def sizes(self, table: TableName, selection: Selection) -> Mapping[str, int]:
        """Bytes of the files that can hold wanted rows, by analyzer. Raises StorageError."""


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer that stands: rows in memory, as the form that is wanted."""

    table: pa.Table

    def to_arrow(self) -> pa.Table:
        """The rows; units and meanings are in the fields' metadata."""
        return self.table

    def to_pandas(self) -> Any:
        """As a pandas DataFrame; see `Query.to_pandas`."""
        return as_frame(self.table)

    def to_duckdb(self, connection: Any = None) -> Any:
        """As a DuckDB relation; see `Query.to_duckdb`."""
        return (connection or connected()).from_arrow(self.table)


@dataclass(frozen=True, slots=True)
class Query:
    """Rows of one table of the history. Immutable, lazy; made by `History`.

    Each answer may raise StorageError: for a file that cannot be read, or one that was set aside
    while it was read; then ask again.
    """

    source: Source
    table: TableName
    selection: Selection
    columns: tuple[str, ...] | None = None

    @property
    def schema(self) -> pa.Schema:
        """Columns with types; unit and description are in each field's metadata."""
        return part_of_schema(self.table, self.columns)

    @property
    def units(self) -> dict[str, str]:
        """Unit by column, of those that have one."""
        told = ((f.name, (f.metadata or {}).get(b"unit", b"").decode()) for f in self.schema)
        return {name: unit for name, unit in told if unit}

    def select(self, *columns: str) -> Query:
        """The same rows with these columns only; the others are not read from the files.

        Raises UsageError for a column that the table does not have.
        """
        there = part_of_schema(self.table, None).names
        if unknown := [name for name in columns if name not in there]:
            raise UsageError(
                f"{self.table} has no column {', '.join(unknown)}; it has {', '.join(there)}"
            )
        return replace(self, columns=tuple(dict.fromkeys(columns)))

    def to_arrow(self) -> pa.Table:
        """All rows as one Arrow table, by analyzer, then by time."""
        return self._pass().all()

    def to_pandas(self) -> Any:
        """All rows as a pandas DataFrame, its units in `attrs["units"]`; see `frames.as_frame`.

        Raises MissingExtraError without pandas.
        """
        return as_frame(self.to_arrow(), frozenset(TABLES[self.table].never_null))

    def to_duckdb(self, connection: Any = None) -> Any:
        """The rows as a DuckDB relation: what is asked of it decides what is read from the files.

        connection: yours; None: a new one in memory, in UTC, that fetches no extensions. The
        journal's tail is as it stood now; of the files, each question sees them as they are then.
        Raises MissingExtraError without duckdb.
        """
        rows = self.source.relation(connection or connected(), self.table, self.selection)
        return rows.project(", ".join(f'"{name}"' for name in self.schema.names))

    def batches(self, rows: int = BATCH_ROWS) -> Iterator[pa.RecordBatch]:
        """All rows in batches of at most so many, in the order of `to_arrow`, file by file.

        For what does not fit in memory, which one file always does.
        """
        for table in self._pass().begin()[1]:
            yield from table.to_batches(max_chunksize=rows)

    def begin(self) -> tuple[int, Iterator[pa.Table]]:
        """How many files one pass reads, and the rows of each as it comes: for a progress bar."""
        return self._pass().begin()

    def sizes(self) -> Mapping[str, int]:
        """Bytes of the files that can hold these rows, by analyzer. Raises StorageError."""
        return self.source.sizes(self.table, self.selection)

    def count(self) -> int:
        """How many rows there are."""
        return sum(len(table) for table in self.select(TABLES[self.table].time).begin()[1])

    def resample(
        self,
        every: timedelta | str,
        value: str = "published_c",
        *,
        hold_s: float | None = None,
        doubtful: bool = False,
        stream: int | None = None,
    ) -> Answer:
        """Time-weighted averages of a column of results in buckets of one width.

        What counts how long is defined in `edgeflash.history.resample`. every: a timedelta, or as
        "30s", "15min", "1h", "1d". The time asked is that of the query, here of the samples; no
        bucket reaches beyond now. hold_s: None: each analyzer's own by the site file, else 900 s.
        stream: only what was measured of this one; else of whatever was measured.
        Raises UsageError for another table, and for a query by verdict: a value stands until the
        next cycle, whatever that one's verdict.
        """
        asked = self.selection
        if self.table is not TableName.RESULTS:
            raise UsageError(f"only results can be resampled, not {self.table}")
        if asked.verdict is not None:
            raise UsageError("to resample, ask for the results of every verdict")
        holds_s = self.source.hold_s() if hold_s is None else {}
        usual_s = DEFAULT_HOLD_S if hold_s is None else hold_s
        check_spans(usual_s, *holds_s.values())
        longest = timedelta(seconds=max(usual_s, *holds_s.values(), 0.0))
        around = around_samples(asked, longest)
        of_stream = () if stream is None else ("stream",)
        columns = tuple(dict.fromkeys((*RESAMPLED_FROM, *of_stream, value)))
        rows = replace(self, selection=around).select(*columns).to_arrow()
        found = resample(
            rows,
            width_of(every),
            value=value,
            hold_s=holds_s or usual_s,
            doubtful=doubtful,
            stream=stream,
            since=asked.since,
            until=asked.until,
            now=datetime.now(UTC),
        )
        return Answer(found)

    def _pass(self) -> Pass:
        return self.source.reading(self.table, self.selection, self.columns)


def around_samples(asked: Selection, longest_hold: timedelta) -> Selection:
    """All rows whose value may stand within the time asked, which is of the samples here."""
    return replace(
        asked,
        since=_moved(asked.since, -longest_hold),
        until=_moved(asked.until, LONGEST_DELAY),
    )


def _moved(moment: datetime | None, by: timedelta) -> datetime | None:
    """None where there is no such time: then there is no bound."""
    try:
        return None if moment is None else moment + by
    except OverflowError:
        return None


_UNITS_S = {"s": 1, "min": 60, "h": 3600, "d": 86_400}


def width_of(every: timedelta | str) -> timedelta:
    """A bucket's width. Raises UsageError for what is none."""
    if isinstance(every, timedelta):
        return every
    # No more digits than a timedelta has room for.
    found = re.fullmatch(r"(\d{1,9}) ?(s|min|h|d)", every) if isinstance(every, str) else None
    if found is None:
        raise UsageError(f"{every!r} is no width of a bucket; write 30s, 15min, 1h or 1d")
    return timedelta(seconds=int(found[1]) * _UNITS_S[found[2]])
