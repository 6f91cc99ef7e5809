"""Where rows live: `<table>/an=<analyzer>/month=YYYY-MM/` or `day=YYYY-MM-DD`. Pure.

The folder keys have other names than the typed columns inside the files, so that every reader
takes both without a clash: `an` for `analyzer`, `month` and `day` (UTC) for the time column of
the table. What is about no analyzer, an event of the gateway or the site, lies in `an=_site`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import quote, unquote

import pyarrow as pa

from edgeflash.history.schema import TABLES, Row, TableName, has_samples, rows
from edgeflash.journal import Entry, EventLine
from edgeflash.model import LabResult

PENDING_FOLDER = ".pending"
"""Half-written files. Not beside the finished ones: some readers refuse a folder in which they
find files of another kind, even hidden ones."""

UNREADABLE_FOLDER = ".unreadable"

_LOOKS = 20

NO_ANALYZER = ""
"""What stands for the analyzer of rows that are about none."""

_SITE = "_site"
# No identifier of an analyzer begins so; and where one did, it would be escaped (see _key_of).
_ESCAPED_SITE = "%5Fsite"

_PERIOD_KEY = {name: "day" if t.day_files else "month" for name, t in TABLES.items()}
_PERIOD_FORMAT = {name: "%Y-%m-%d" if t.day_files else "%Y-%m" for name, t in TABLES.items()}


@dataclass(frozen=True, slots=True, order=True)
class Partition:
    """One file of the history. analyzer: NO_ANALYZER for what is about none. period: `YYYY-MM`, or
    `YYYY-MM-DD` for traces, UTC."""

    table: TableName
    analyzer: str
    period: str

    def path(self, folder: Path) -> Path:
        """The file below the history folder."""
        # In one step: a folder of ten years has tens of thousands of files to name.
        return folder.joinpath(
            f"{self.table}/an={_key_of(self.analyzer)}/{_PERIOD_KEY[self.table]}={self.period}/"
            f"{self.table}.parquet"
        )

    @property
    def flat_name(self) -> str:
        """A name for the file outside its folders."""
        return f"{self.table}~{_key_of(self.analyzer)}~{self.period}"

    @property
    def start(self) -> datetime:
        """The first instant of its period. Raises ValueError for a name that is none."""
        day = self.period if TABLES[self.table].day_files else f"{self.period}-01"
        return datetime.fromisoformat(day).replace(tzinfo=UTC)

    @property
    def end(self) -> datetime:
        """The first instant after its period."""
        if TABLES[self.table].day_files:
            return self.start + timedelta(days=1)
        return (self.start + timedelta(days=32)).replace(day=1)


def _key_of(analyzer: str) -> str:
    """The value of the folder key `an`."""
    if analyzer == NO_ANALYZER:
        return _SITE
    return _ESCAPED_SITE if analyzer == _SITE else quote(analyzer, safe="")


def _analyzer_of(key: str) -> str:
    return NO_ANALYZER if key == _SITE else unquote(key)


def period_of(table: TableName, at: datetime) -> str:
    """The month or day, in UTC, that a row of this time belongs to."""
    return at.astimezone(UTC).strftime(_PERIOD_FORMAT[table])


def partition_of(table: TableName, analyzer: str, at: datetime) -> Partition:
    """The file a row belongs to. at: the time column of the table."""
    return Partition(table, analyzer, period_of(table, at))


def places_of(row: Row) -> Sequence[Partition]:
    """The files that have a row of this."""
    match row:
        case Entry(result=result):
            cycle = result.cycle
            tables = [TableName.RESULTS]
            if has_samples(result):
                tables.append(TableName.TRACES)
            return [partition_of(table, cycle.analyzer, cycle.finished_at) for table in tables]
        case EventLine(event=event):
            return [partition_of(TableName.EVENTS, event.analyzer, event.at)]
        case LabResult():
            return [partition_of(TableName.LAB, row.analyzer, row.sampled_at)]


def rows_by_partition(entries: Sequence[Row]) -> dict[Partition, pa.Table]:
    """The rows of every table they have rows in, by the file they belong to."""
    groups: defaultdict[Partition, list[Row]] = defaultdict(list)
    for entry in entries:
        for partition in places_of(entry):
            groups[partition].append(entry)
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
    chosen = "*" if analyzer is None else _key_of(analyzer)
    found = (
        Partition(
            table,
            _analyzer_of(path.parent.parent.name.removeprefix("an=")),
            path.parent.name.removeprefix(f"{key}="),
        )
        for path in _found(folder / table, f"an={chosen}/{key}=*/{table}.parquet")
    )
    return sorted(p for p in found if overlaps(p, since, until))


def _found(folder: Path, pattern: str) -> list[Path]:
    """The files there are; looked for again when an analyzer's folder was deleted meanwhile."""
    for _ in range(_LOOKS):
        with suppress(FileNotFoundError):
            return list(folder.glob(pattern))
    return list(folder.glob(pattern))


def partition_at(path: str) -> Partition | None:
    """The file of the history at this path below its folder, with slashes; None for any other."""
    parts = path.split("/")
    if len(parts) != 4 or parts[0] not in list(TableName):
        return None
    table = TableName(parts[0])
    key = f"{_PERIOD_KEY[table]}="
    if not parts[1].startswith("an=") or not parts[2].startswith(key):
        return None
    found = Partition(table, _analyzer_of(parts[1].removeprefix("an=")), parts[2].removeprefix(key))
    return found if parts[3] == f"{table}.parquet" else None


def overlaps(partition: Partition, since: datetime | None, until: datetime | None) -> bool:
    """Whether the file can hold rows of a time at or after since and before until."""
    after_start = since is None or partition.period >= period_of(partition.table, since)
    before_end = until is None or partition.period <= period_of(partition.table, until)
    return after_start and before_end
