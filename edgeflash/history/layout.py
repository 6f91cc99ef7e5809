"""Where rows live: `<table>/an=<analyzer>/month=YYYY-MM/` or `day=YYYY-MM-DD`. Pure.

The folder keys have other names than the typed columns inside the files, so that every reader
takes both without a clash: `an` for `analyzer`, `month` and `day` (UTC) for the time column of
the table. What is about no analyzer, an event of the gateway or the site, lies in `an=_site`.
"""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
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

NO_ANALYZER = ""
"""What stands for the analyzer of rows that are about none."""

_SITE = "_site"
# No identifier of an analyzer begins so; and where one did, it would be escaped (see _key_of).
_ESCAPED_SITE = "%5Fsite"

_PERIOD_KEY = {name: "day" if t.day_files else "month" for name, t in TABLES.items()}
_PERIOD_LETTERS = {
    name: len("2026-05-01" if t.day_files else "2026-05") for name, t in TABLES.items()
}


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
        """The first instant after its period; of the last there is, its last instant."""
        try:
            if TABLES[self.table].day_files:
                return self.start + timedelta(days=1)
            return (self.start + timedelta(days=32)).replace(day=1)
        except OverflowError:  # an analyzer's clock may say 9999
            return datetime.max.replace(tzinfo=UTC)


def _key_of(analyzer: str) -> str:
    """The value of the folder key `an`."""
    if analyzer == NO_ANALYZER:
        return _SITE
    return _ESCAPED_SITE if analyzer == _SITE else quote(analyzer, safe="")


def _analyzer_of(key: str) -> str:
    return NO_ANALYZER if key == _SITE else unquote(key)


def period_of(table: TableName, at: datetime) -> str:
    """The month or day, in UTC, that a row of this time belongs to."""
    # Not strftime, which writes years before 1000 with fewer digits.
    return at.astimezone(UTC).isoformat()[: _PERIOD_LETTERS[table]]


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
    """The files there are that can hold rows of this analyzer and time, sorted.

    A folder by another name than ours, as somebody's copy `month=2026-05.old`, is not taken for
    one: its rows would be there twice.
    """
    # Names only, no path objects: a question about ten years would spend more on them than on
    # whatever it asks.
    top = f"{folder}/{table}"
    found = []
    for of_analyzer in _names(top, "an=") if analyzer is None else [f"an={_key_of(analyzer)}"]:
        for period in _names(f"{top}/{of_analyzer}", f"{_PERIOD_KEY[table]}="):
            partition = _partition(table, of_analyzer, period)
            if partition is None or not overlaps(partition, since, until):
                continue
            path = f"{top}/{of_analyzer}/{period}/{table}.parquet"
            if os.path.exists(path):  # noqa: PTH110  # see above
                found.append(partition)
    return sorted(found)


def _names(folder: str, prefix: str) -> list[str]:
    """The names in a folder that begin so; none of one that is not there, or goes meanwhile."""
    try:
        with os.scandir(folder) as entries:
            return [e.name for e in entries if e.name.startswith(prefix)]
    except (FileNotFoundError, NotADirectoryError, PermissionError):
        return []


def partition_at(path: str) -> Partition | None:
    """The file of the history at this path below its folder, with slashes; None for any other."""
    parts = path.split("/")
    if len(parts) != 4 or parts[0] not in list(TableName):
        return None
    table = TableName(parts[0])
    return _partition(table, parts[1], parts[2]) if parts[3] == f"{table}.parquet" else None


def _partition(table: TableName, analyzer: str, period: str) -> Partition | None:
    """The file in folders of these names; None where they are not just what we call them."""
    key, _, name = analyzer.partition("=")
    period_key, _, period_name = period.partition("=")
    if key != "an" or not _is_key(name):
        return None
    if period_key != _PERIOD_KEY[table] or not _is_period(table, period_name):
        return None
    return Partition(table, _analyzer_of(name), period_name)


@lru_cache(1024)
def _is_key(key: str) -> bool:
    return _key_of(_analyzer_of(key)) == key


@lru_cache(16_384)
def _is_period(table: TableName, period: str) -> bool:
    day = f"{period}-01"[: len("2026-05-01")]
    try:
        return date.fromisoformat(day).isoformat()[: _PERIOD_LETTERS[table]] == period
    except ValueError:
        return False


def overlaps(partition: Partition, since: datetime | None, until: datetime | None) -> bool:
    """Whether the file can hold rows of a time at or after since and before until."""
    after_start = since is None or partition.period >= period_of(partition.table, since)
    before_end = until is None or partition.period <= period_of(partition.table, until)
    return after_start and before_end
