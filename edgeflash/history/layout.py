"""Where rows live: `<table>/an=<analyzer>/month=YYYY-MM/` or `day=YYYY-MM-DD`. Pure.

The folder keys have other names than the typed columns inside the files, so that every reader
takes both without a clash: `an` for `analyzer`, `month` and `day` (UTC) for `finished_at`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import quote, unquote

import pyarrow as pa

from edgeflash.history.schema import TableName, has_samples, rows
from edgeflash.journal import Entry

PENDING_FOLDER = ".pending"
"""Half-written files. Not beside the finished ones: some readers refuse a folder in which they
find files of another kind, even hidden ones."""

UNREADABLE_FOLDER = ".unreadable"

_PERIOD_KEY = {TableName.RESULTS: "month", TableName.TRACES: "day"}
_PERIOD_FORMAT = {TableName.RESULTS: "%Y-%m", TableName.TRACES: "%Y-%m-%d"}


@dataclass(frozen=True, slots=True, order=True)
class Partition:
    """One file of the history. period: `YYYY-MM` for results, `YYYY-MM-DD` for traces, UTC."""

    table: TableName
    analyzer: str
    period: str

    def path(self, folder: Path) -> Path:
        """The file below the history folder."""
        return (
            folder
            / self.table
            / f"an={quote(self.analyzer, safe='')}"
            / f"{_PERIOD_KEY[self.table]}={self.period}"
            / f"{self.table}.parquet"
        )

    @property
    def flat_name(self) -> str:
        """A name for the file outside its folders."""
        return f"{self.table}~{quote(self.analyzer, safe='')}~{self.period}"


def period_of(table: TableName, finished_at: datetime) -> str:
    """The month or day, in UTC, that a cycle belongs to."""
    return finished_at.astimezone(UTC).strftime(_PERIOD_FORMAT[table])


def partition_of(table: TableName, analyzer: str, finished_at: datetime) -> Partition:
    """The file a cycle belongs to."""
    return Partition(table, analyzer, period_of(table, finished_at))


def rows_by_partition(entries: Sequence[Entry]) -> dict[Partition, pa.Table]:
    """The rows of both tables, by the file they belong to."""
    groups: defaultdict[Partition, list[Entry]] = defaultdict(list)
    for entry in entries:
        cycle = entry.result.cycle
        groups[partition_of(TableName.RESULTS, cycle.analyzer, cycle.finished_at)].append(entry)
        if has_samples(entry.result):
            groups[partition_of(TableName.TRACES, cycle.analyzer, cycle.finished_at)].append(entry)
    return {partition: rows(partition.table, group) for partition, group in groups.items()}


def partitions_in(
    folder: Path,
    table: TableName,
    analyzer: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> list[Partition]:
    """The files there are that can hold rows of this analyzer and time, sorted."""
    key = _PERIOD_KEY[table]
    chosen = "*" if analyzer is None else quote(analyzer, safe="")
    found = (
        Partition(
            table,
            unquote(path.parent.parent.name.removeprefix("an=")),
            path.parent.name.removeprefix(f"{key}="),
        )
        for path in (folder / table).glob(f"an={chosen}/{key}=*/{table}.parquet")
    )
    return sorted(p for p in found if overlaps(p, since, until))


def overlaps(partition: Partition, since: datetime | None, until: datetime | None) -> bool:
    """Whether the file can hold rows finished at or after since and before until."""
    after_start = since is None or partition.period >= period_of(partition.table, since)
    before_end = until is None or partition.period <= period_of(partition.table, until)
    return after_start and before_end
