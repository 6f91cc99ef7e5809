"""From the journal into the files of the history.

Takes the results that the journal holds after the position "history", and the lines of its event
record after "events:history", merges them into the files, and only then moves the position. A crash
anywhere in between is harmless: the same rows come again and are seen to be there. Memory is
bounded by the batch.
"""

from __future__ import annotations

import threading
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import pyarrow as pa
import structlog

from edgeflash.errors import StorageError
from edgeflash.history.deleting import DeletionReport, delete_old
from edgeflash.history.files import (
    Note,
    UnreadableFileError,
    delete_pending,
    looks_whole,
    set_aside,
    write_file,
)
from edgeflash.history.fingerprint import fingerprint
from edgeflash.history.layout import Partition, partitions_in, rows_by_partition
from edgeflash.history.one_writer import HeldFolder, held_folder, is_held
from edgeflash.history.retention import Limits
from edgeflash.history.retired import Retired, load_retired
from edgeflash.history.rewriting import (
    add_rows,
    first_group_of,
    in_groups,
    rows_of_a_group,
)
from edgeflash.history.schema import TableName
from edgeflash.journal import Entry, EventLine, Journal
from edgeflash.journal.ledger import FileNote
from edgeflash.model import EventEntry, LabResult

_log = structlog.get_logger(__name__)

CONSUMER = "history"
"""Name of the history's position among the results of the journal."""

EVENTS_CONSUMER = "events:history"
"""Name of its position in the journal's event record."""

# Decoded at once; they are held as compact Arrow rows from then on.
_CHUNK_RESULTS, _CHUNK_EVENTS = 256, 1024

_FED_BY = {
    TableName.RESULTS: CONSUMER,
    TableName.TRACES: CONSUMER,
    TableName.EVENTS: EVENTS_CONSUMER,
}


@dataclass(frozen=True, slots=True)
class FlushReport:
    """What one flush did. results, traces, events: rows that were new to the history.

    position: up to where the journal has been taken. set_aside: unreadable files found.
    is_complete: False when `stop` ended it before the journal's end. passed_over: rows of files
    that retention has deleted, which are not written again.
    """

    results: int = 0
    traces: int = 0
    files: int = 0
    position: int = 0
    set_aside: tuple[Path, ...] = ()
    is_complete: bool = True
    events: int = 0
    passed_over: int = 0


@dataclass(frozen=True, slots=True)
class _Feed:
    """What the journal gives in order: `after` a number, at most so many."""

    consumer: str
    after: Callable[[int, int], Sequence[Entry] | Sequence[EventLine]]
    chunk: int


class _Batch:
    """Rows by the file they belong to, and the last number of the journal among them."""

    def __init__(self, position: int) -> None:
        self.last_seq = position
        self.rows: defaultdict[Partition, list[pa.Table]] = defaultdict(list)

    def add(self, entries: Sequence[Entry] | Sequence[EventLine]) -> None:
        for partition, new in rows_by_partition(entries).items():
            self.rows[partition].append(new)
        self.last_seq = entries[-1].seq


class HistoryWriter:
    """The one writer of a history folder. Flushes from several threads take turns.

    From its first use on no other process can write there: each method raises FolderInUseError, a
    StorageError, while one does.
    max_batch: journal entries merged in one go; bounds the memory (about 10 kB each with a trace
    of 600 samples).
    """

    def __init__(self, journal: Journal, folder: Path, max_batch: int = 4096) -> None:
        self._journal = journal
        self._folder = folder
        self._max_batch = max_batch
        self._feeds = (
            _Feed(CONSUMER, journal.entries_after, _CHUNK_RESULTS),
            _Feed(EVENTS_CONSUMER, journal.event_lines_after, _CHUNK_EVENTS),
        )
        self._started = False
        self._held: HeldFolder | None = None
        self._set_aside: list[Path] = []
        self._in_place: list[FileNote] = []
        self._retired = Retired()
        self._noted_as_deleted: set[tuple[str, str, str]] = set()
        self._passed_over = 0
        self._turn = threading.Lock()
        self._stopping = threading.Event()

    @staticmethod
    def keep_no_memory() -> None:
        """From now on Arrow takes memory from the C library, in the whole process.

        For a process that runs for years: an allocator of its own keeps what it once had besides.
        """
        pa.set_memory_pool(pa.system_memory_pool())

    def flush(self) -> FlushReport:
        """Brings the files up to the journal's end. Blocking; run it in a thread.

        The first call also clears up after a crash. Raises StorageError when a disk refuses:
        the position stands where everything before it is in the files; call again later.
        """
        with self._turn:
            return self._flush()

    def add_lab(self, results: Sequence[LabResult]) -> int:
        """Puts laboratory results into their files; how many were new. Blocking.

        On disk when it returns; giving the same again changes nothing. Raises StorageError when
        the disk refuses: some files may have theirs then; give all again.
        """
        with self._turn:
            self._begin()
            by_partition = rows_by_partition(results)
            added = sum(self._merge(p, by_partition[p]) for p in sorted(by_partition))
            self._confirm()
            return added

    @contextmanager
    def alone(self) -> Iterator[None]:
        """Holds flushes up, while somebody mends files: with `put` and `put_in_place_of`, which are
        for within only."""
        with self._turn:
            self._hold()
            self._retired = load_retired(self._folder)
            yield

    def put(self, partition: Partition, rows: pa.Table) -> int:
        """Puts rows into their file; how many were new to it. Raises StorageError."""
        added = self._merge(partition, rows)
        self._confirm()
        return added

    def put_in_place_of(self, partition: Partition, rows: pa.Table) -> None:
        """Replaces a file by one with these rows, which must be in order. Raises StorageError."""
        note, noted = self._noting(partition)
        first = first_group_of(self._folder, partition)
        groups = in_groups([rows], rows_of_a_group(partition.table, len(rows), first))
        write_file(self._folder, partition, rows.schema, groups, note)
        self._in_place += noted
        self._confirm()

    def delete_old(
        self,
        limits: Mapping[TableName, Limits],
        now: datetime,
        owed_from: Mapping[TableName, datetime],
        tell: Callable[[EventEntry], object] = lambda entry: None,
    ) -> DeletionReport:
        """Deletes what was kept long enough, as `deleting.delete_old`. Blocking."""
        with self._turn:
            self._begin()
            self._note_deleted()
            report = delete_old(self._folder, limits, now, owed_from, tell, self._stopping.is_set)
            self._retired = load_retired(self._folder)
            self._note_deleted()
            return report

    def stop(self) -> None:
        """Lets a flush that runs, and any later one, end after the file it is at.

        For an end of the gateway that cannot wait for a long catching up: the journal keeps the
        rest for the next start.
        """
        self._stopping.set()

    def _hold(self) -> None:
        # Anew when somebody has put another folder in the place of the one before.
        if self._held is None or not is_held(self._held, self._folder):
            self._held = None
            self._held = held_folder(self._folder, "another gateway, or a repair,")

    def _begin(self) -> None:
        self._hold()
        self._set_aside = []
        self._passed_over = 0
        self._retired = load_retired(self._folder)
        if not self._started:
            self._clear_up()
            self._started = True

    def _flush(self) -> FlushReport:
        self._begin()
        added = dict.fromkeys(TableName, 0)
        files = 0
        for feed in self._feeds:
            while (batch := self._next_batch(feed)) is not None:
                before = len(self._set_aside)
                for partition in sorted(batch.rows):
                    if self._stopping.is_set():
                        return replace(self._report(added, files), is_complete=False)
                    count = self._merge(partition, pa.concat_tables(batch.rows[partition]))
                    added[partition.table] += count
                    files += count > 0
                if len(self._set_aside) == before:
                    self._journal.advance(feed.consumer, batch.last_seq, self._in_place)
                    self._in_place.clear()
        self._journal.fill_ledger()
        if self._passed_over:
            _log.info("history_rows_of_deleted_files_passed_over", rows=self._passed_over)
        return self._report(added, files)

    def _report(self, added: Mapping[TableName, int], files: int) -> FlushReport:
        return FlushReport(
            added[TableName.RESULTS],
            added[TableName.TRACES],
            files,
            self._journal.position(CONSUMER),
            tuple(self._set_aside),
            events=added[TableName.EVENTS],
            passed_over=self._passed_over,
        )

    def _next_batch(self, feed: _Feed) -> _Batch | None:
        """The next of the feed as rows by file; None at the journal's end."""
        batch = _Batch(self._journal.position(feed.consumer))
        count = 0
        while count < self._max_batch:
            limit = min(feed.chunk, self._max_batch - count)
            entries = feed.after(batch.last_seq, limit)
            if entries:
                batch.add(entries)
                count += len(entries)
            if len(entries) < limit:
                break
        return batch if count else None

    def _merge(self, partition: Partition, new: pa.Table) -> int:
        """Puts rows into their file; how many were new to it.

        A file that retention has deleted is not made again: with what the journal still has of it,
        it would say less than it did.
        """
        if self._retired.holds(partition) and not partition.path(self._folder).exists():
            self._passed_over += len(new)
            return 0
        note, noted = self._noting(partition)
        try:
            added = add_rows(self._folder, partition, new, note)
        except UnreadableFileError as error:
            self._give_up(partition, str(error))
            added = add_rows(self._folder, partition, new, note)
        self._in_place += noted
        return added

    def _noting(self, partition: Partition) -> tuple[Note, list[FileNote]]:
        """What tells the ledger of a file before it takes its place, so that no crash leaves one
        that nobody knows; and what it has told."""
        noted: list[FileNote] = []

        def note(path: Path, rows: int) -> None:
            noted.append(fingerprint(path, partition, rows))
            self._journal.note_file(noted[-1])

        return note, noted

    def _note_deleted(self) -> None:
        """Lets the ledger know what retention deleted, for as long as the journal lives. On a full
        disk that waits: deleting is what makes room."""
        gone = {(t.value, a, period) for (t, a), period in self._retired.last.items()}
        if gone <= self._noted_as_deleted:
            return
        try:
            self._journal.note_deleted(sorted(gone))
        except StorageError as error:
            _log.warning("history_deletion_not_in_the_ledger_yet", why=str(error))
        else:
            self._noted_as_deleted = gone

    def _confirm(self) -> None:
        self._journal.confirm_files(self._in_place)
        self._in_place.clear()

    def _clear_up(self) -> None:
        """Deletes half-written files and sets unreadable ones aside."""
        try:
            if left := delete_pending(self._folder):
                _log.info("history_pending_deleted", folder=str(self._folder), files=left)
            for table in TableName:
                for partition in partitions_in(self._folder, table):
                    if not looks_whole(partition.path(self._folder)):
                        self._give_up(partition, "it is not a whole Parquet file")
        except OSError as error:
            raise StorageError(
                f"{self._folder}: the history cannot be looked through: {error}"
            ) from error

    def _give_up(self, partition: Partition, why: str) -> None:
        """Sets a file aside; the journal is taken from its start again to fill the gap.

        In this order: a crash in between leaves the file to be found again. The journal has
        nothing of `lab`: there only a copy helps.
        """
        if (consumer := _FED_BY.get(partition.table)) is not None:
            self._journal.rewind(consumer)
        path = partition.path(self._folder)
        try:
            aside = set_aside(self._folder, partition)
        except OSError as error:
            raise StorageError(f"{path}: unreadable, and cannot be set aside: {error}") from error
        self._set_aside.append(aside)
        _log.error("history_file_set_aside", path=str(path), kept_as=str(aside), why=why)
