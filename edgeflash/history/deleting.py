"""Deletes files of the history that were kept long enough, while anybody reads.

First what is going is kept beside the files, then it is told, then it goes: after a crash anywhere
in between nothing comes back, and the next run deletes what is left. A reader that has a file open
keeps it; one that only knows its name finds it gone, and our own know from the record why.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import structlog

from edgeflash.errors import StorageError
from edgeflash.history.columns import TableName
from edgeflash.history.files import sync_folder
from edgeflash.history.layout import Partition, partitions_in
from edgeflash.history.retention import Deletion, HeldFile, Limits, Reason, to_delete
from edgeflash.history.retired import Retired, load_retired, save_retired
from edgeflash.model import EventEntry, EventKind

_log = structlog.get_logger(__name__)

_WHY = {Reason.AGE: "older than keep_days", Reason.SIZE: "the table is larger than keep_mb"}


@dataclass(frozen=True, slots=True)
class DeletionReport:
    """What one run deleted. waits_until: nothing is deleted by its age before; None: it is."""

    files: int = 0
    size_bytes: int = 0
    waits_until: datetime | None = None


def delete_old(
    folder: Path,
    limits: Mapping[TableName, Limits],
    now: datetime,
    owed_from: Mapping[TableName, datetime],
    tell: Callable[[EventEntry], object] = lambda entry: None,
    is_stopped: Callable[[], bool] = lambda: False,
) -> DeletionReport:
    """Deletes what `to_delete` names. Only for the one writer of the folder, between two flushes.

    tell: takes an event for each table and analyzer, before its files go.
    Raises StorageError when the disk refuses; then some files may be gone, the oldest first.
    """
    before = load_retired(folder)
    limited = {table: limit for table, limit in limits.items() if limit != Limits()}
    if not limited:
        if before != Retired():
            save_retired(folder, Retired())
        return DeletionReport()
    try:
        files = held_files(folder, TableName)
    except OSError as error:
        raise StorageError(f"{folder}: cannot be looked through: {error}") from error
    newest = max((f.partition.end for f in files), default=None)
    watch = before.watch.looked(now, newest)
    if watch.waits_until is not None and watch.waits_until != before.watch.waits_until:
        _log.warning(
            "history_deletion_waits",
            why="the clock is days ahead of the last look: nothing is deleted by its age for now",
            last_look=None
            if before.watch.looked_at is None
            else before.watch.looked_at.isoformat(),
            until=watch.waits_until.isoformat(),
        )
    going = to_delete(files, limited, now, owed_from, by_age=watch.waits_until is None)
    retired = Retired(before.only(limited).last, watch)
    _record(folder, retired.with_deleted(d.file.partition for d in going), going)
    for entry in _told(going, now):
        _log.info(
            "history_files_deleted", table=entry.subject, analyzer=entry.analyzer, what=entry.text
        )
        tell(entry)
    gone = _delete(folder, going, is_stopped)
    left = {f.partition for f in files} - {d.file.partition for d in gone}
    try:
        _tidy(folder, limited, left)
    except OSError as error:
        raise StorageError(f"{folder}: cannot be looked through: {error}") from error
    return DeletionReport(len(gone), sum(d.file.size_bytes for d in gone), watch.waits_until)


def held_files(folder: Path, tables: Iterable[TableName]) -> list[HeldFile]:
    """The files of these tables and their sizes; folders whose period cannot be told left out."""
    found = []
    for table in tables:
        for partition in partitions_in(folder, table):
            with suppress(ValueError, FileNotFoundError):
                _ = partition.end
                found.append(HeldFile(partition, partition.path(folder).stat().st_size))
    return found


def _record(folder: Path, retired: Retired, going: Sequence[Deletion]) -> None:
    try:
        save_retired(folder, retired)
    except StorageError:
        if not going:
            raise
        # On a full disk the oldest file makes room for the record of them all.
        _delete(folder, going[:1], lambda: False)
        save_retired(folder, retired)


def _delete(
    folder: Path, going: Iterable[Deletion], is_stopped: Callable[[], bool]
) -> list[Deletion]:
    gone: list[Deletion] = []
    touched: set[Path] = set()
    try:
        for deletion in going:
            if is_stopped():
                break
            path = deletion.file.partition.path(folder)
            path.unlink(missing_ok=True)  # gone already: a crash, or to make room
            gone.append(deletion)
            touched.add(_left_of(path.parent))
        for left in sorted(touched):
            sync_folder(left)
    except OSError as error:
        raise StorageError(f"{folder}: old files cannot be deleted: {error}") from error
    return gone


def _left_of(period: Path) -> Path:
    """Removes the folder of a period if it is empty; what has to be synced then."""
    try:
        period.rmdir()
    except FileNotFoundError:
        return period.parent
    except OSError:
        return period  # something else lies in it
    return period.parent


def _tidy(folder: Path, tables: Iterable[TableName], left: Iterable[Partition]) -> None:
    """Removes empty folders: of analyzers without files, and what a crash left.

    left: the files there are. Only what has none is touched: there may be tens of thousands.
    """
    periods: defaultdict[Path, set[str]] = defaultdict(set)
    for partition in left:
        period = partition.path(folder).parent
        periods[period.parent].add(period.name)
    for table in tables:
        for analyzer in sorted((folder / table).glob("an=*")):
            empty = [p for p in analyzer.iterdir() if p.name not in periods[analyzer]]
            for place in (*empty, *([] if periods[analyzer] else [analyzer])):
                with suppress(OSError):  # it is not empty, or no folder
                    place.rmdir()


def _told(going: Iterable[Deletion], now: datetime) -> Iterable[EventEntry]:
    """One event for each table, analyzer and reason."""
    groups: defaultdict[tuple[TableName, str, Reason], list[HeldFile]] = defaultdict(list)
    for deletion in going:
        p = deletion.file.partition
        groups[p.table, p.analyzer, deletion.reason].append(deletion.file)
    for (table, analyzer, reason), files in groups.items():
        yield EventEntry(
            now,
            EventKind.HISTORY_DELETED,
            analyzer,
            subject=table.value,
            text=f"{_span([f.partition for f in files])} deleted, "
            f"{sum(f.size_bytes for f in files) / 1e6:.1f} MB: {_WHY[reason]}",
        )


def _span(partitions: list[Partition]) -> str:
    first, last = partitions[0].period, partitions[-1].period
    return first if first == last else f"{len(partitions)} files from {first} to {last}"
