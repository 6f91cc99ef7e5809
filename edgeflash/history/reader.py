"""Reading the history, with what still stands only in the journal: each row exactly once.

The journal is read first and the files after: a row that had left the journal's tail by then is in
its file, and one that comes to its file meanwhile is known by its key.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Container, Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path

import pyarrow as pa

from edgeflash.errors import StorageError
from edgeflash.history.files import read_whole_rows
from edgeflash.history.layout import Partition, partitions_in, rows_by_partition
from edgeflash.history.merge import in_schema, with_new_rows
from edgeflash.history.retired import load_retired
from edgeflash.history.schema import KEY, TABLES, Row, TableName, part_of_schema
from edgeflash.history.selection import Selection
from edgeflash.history.writer import CONSUMER, EVENTS_CONSUMER
from edgeflash.journal import JournalReader
from edgeflash.model import Verdict

_CHUNK_RESULTS, _CHUNK_EVENTS = 256, 2048

# A file vanishes while the writer sets an unreadable one aside and writes it again, and when it
# has been kept long enough.
_ATTEMPTS = 3


class FileVanishedError(StorageError):
    """A file of the history was set aside while it was being read; reading again helps."""


class Reading:
    """One reading of one table, file by file, by analyzer and time.

    Each pass reads anew and gives a table for each file (or tail of one to come), in
    the schema of `schema`. columns: only these; no others are read, but what is needed to choose.
    A file that retention deletes meanwhile gives no rows.
    Raises StorageError for a missing folder, a file that cannot be read, or one that vanishes.
    """

    def __init__(
        self,
        folder: Path,
        table: TableName,
        journal: JournalReader | None,
        selection: Selection,
        columns: Sequence[str] | None = None,
    ) -> None:
        self._folder = folder
        self._table = table
        self._journal = journal
        self._selection = selection
        self._columns = columns
        self._deleted = 0
        self.schema = part_of_schema(table, columns)

    def begin(self) -> tuple[int, Iterator[pa.Table]]:
        """How many tables one pass gives, and the pass."""
        if self._journal is None and not self._folder.is_dir():
            raise StorageError(f"{self._folder}: there is no history here")
        tails = (
            {} if self._journal is None else tails_of(self._journal, self._table, self._selection)
        )
        return self._pass(tails)

    def all(self) -> pa.Table:
        """Every row of one pass as one table.

        When a file is deleted meanwhile, the pass is made again: what it gave of older files may
        be gone too, and would stand before a gap.
        """
        for left in reversed(range(_ATTEMPTS)):
            self._deleted = 0
            try:
                table = pa.concat_tables([self.schema.empty_table(), *self.begin()[1]])
            except FileVanishedError:
                if not left:
                    raise
                continue
            if not self._deleted or not left:
                return table
        raise AssertionError("unreachable")

    def _pass(self, tails: Mapping[Partition, pa.Table]) -> tuple[int, Iterator[pa.Table]]:
        s = self._selection
        found = set(partitions_in(self._folder, self._table, s.analyzer, s.since, s.until))
        coming = still_to_come(self._folder, self._table, tails, found)
        partitions = sorted(found.union(coming))
        return len(partitions), self._tables(partitions, found, tails)

    def _tables(
        self,
        partitions: list[Partition],
        found: set[Partition],
        tails: Mapping[Partition, pa.Table],
    ) -> Iterator[pa.Table]:
        keys = None
        if self._table is TableName.TRACES and self._selection.verdict is not None:
            keys = self._keys_of_verdict(tails)
        for partition in partitions:
            table = self._rows(partition, partition in found, tails.get(partition), keys)
            table = self._selection.filtered(table, TABLES[self._table].time)
            table = table if keys is None else only_cycles(table, keys)
            yield table.select(self.schema.names)

    def _rows(
        self,
        partition: Partition,
        found: bool,
        tail: pa.Table | None,
        keys: Container[tuple[str, int, int]] | None,
    ) -> pa.Table:
        needed = part_of_schema(self._table, self._needed(partition, tail is not None, keys))
        try:
            held = read_whole_rows(self._folder, partition, needed.names)
        except FileNotFoundError as error:
            if found:
                # What is to be deleted is on the record before it goes.
                if not load_retired(self._folder).holds(partition):
                    raise FileVanishedError(
                        f"{partition.path(self._folder)}: set aside while it was read; read again"
                    ) from error
                self._deleted += 1
                return needed.empty_table()
            held = needed.empty_table()
        if tail is not None:
            merged = with_new_rows(held, tail.select(needed.names), self._table)
            held = held if merged is None else merged
        # A file of a newer edgeflash has columns we can say nothing about.
        return in_schema(held, needed).select(needed.names)

    def _needed(self, partition: Partition, merges: bool, keys: object) -> Sequence[str] | None:
        """The columns to read: those wanted, and those that rows of this file are chosen by."""
        if self._columns is None:
            return None
        declared, s = TABLES[self._table], self._selection
        needed = [*self._columns]
        if merges:
            needed += (*declared.key_in_file, *declared.order)
        if keys is not None:
            needed += KEY
        if not s.holds_all_of(partition):
            needed.append(declared.time)
        if s.verdict is not None and self._table is TableName.RESULTS:
            needed.append("verdict")
        return tuple(dict.fromkeys(needed))

    def _keys_of_verdict(self, tails: Mapping[Partition, pa.Table]) -> set[tuple[str, int, int]]:
        """Which cycles have the wanted verdict: `results` knows, `traces` does not."""
        judged = Reading(self._folder, TableName.RESULTS, None, self._selection, KEY)
        return {key for table in judged._pass(tails)[1] for key in cycle_keys(table)}


def read_results(
    folder: Path,
    journal: JournalReader | None = None,
    analyzer: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    verdict: Verdict | None = None,
) -> pa.Table:
    """The rows of `results`, by analyzer and time, each exactly once.

    journal: adds what has not come to the files yet. since, until: aware; finished at or after,
    and before. Units and descriptions are in the fields' metadata.
    Raises StorageError, or UsageError for a naive time.
    """
    selection = Selection(analyzer, since, until, verdict)
    return Reading(folder, TableName.RESULTS, journal, selection).all()


def read_traces(
    folder: Path,
    journal: JournalReader | None = None,
    analyzer: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    verdict: Verdict | None = None,
) -> pa.Table:
    """The rows of `traces`: as `read_results`; verdict: of the cycle the trace belongs to."""
    selection = Selection(analyzer, since, until, verdict)
    return Reading(folder, TableName.TRACES, journal, selection).all()


def read_events(
    folder: Path,
    journal: JournalReader | None = None,
    analyzer: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> pa.Table:
    """The rows of `events`: as `read_results`, by `at`. An empty analyzer: only those of none."""
    selection = Selection(analyzer, since, until)
    return Reading(folder, TableName.EVENTS, journal, selection).all()


def read_lab(
    folder: Path,
    analyzer: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> pa.Table:
    """The rows of `lab`: as `read_results`, by `sampled_at`; corrections are rows of their own."""
    selection = Selection(analyzer, since, until)
    return Reading(folder, TableName.LAB, None, selection).all()


def tails_of(
    journal: JournalReader, table: TableName, selection: Selection
) -> dict[Partition, pa.Table]:
    """What only the journal holds, as rows by the file they will come to; for traces those of
    results too.

    Rows of every verdict and of the whole file's time: the selection is applied after the merge.
    """
    found: defaultdict[Partition, list[pa.Table]] = defaultdict(list)
    for some in _not_in_files(journal, table):
        for partition, new in rows_by_partition(some).items():
            if selection.takes(partition):
                found[partition].append(new)
    return {partition: pa.concat_tables(tables) for partition, tables in found.items()}


def _not_in_files(journal: JournalReader, table: TableName) -> Iterator[Sequence[Row]]:
    """What the journal holds after the position of the files, in parts. Nothing of lab."""
    match table:
        case TableName.RESULTS | TableName.TRACES:
            seq = journal.position(CONSUMER)
            while entries := journal.entries_after(seq, _CHUNK_RESULTS):
                seq = entries[-1].seq
                yield entries
        case TableName.EVENTS:
            seq = journal.position(EVENTS_CONSUMER)
            while lines := journal.event_lines_after(seq, _CHUNK_EVENTS):
                seq = lines[-1].seq
                yield lines


def still_to_come(
    folder: Path, table: TableName, tails: Mapping[Partition, pa.Table], found: set[Partition]
) -> dict[Partition, pa.Table]:
    """Those of the table's tails that belong to files found, or to ones that are to be made."""
    own = {p: rows for p, rows in tails.items() if p.table is table}
    if own.keys() <= found:
        return own
    # What was deleted does not come back for a while when the journal is taken again.
    retired = load_retired(folder)
    return {p: rows for p, rows in own.items() if p in found or not retired.holds(p)}


def cycle_keys(table: pa.Table) -> Iterator[tuple[str, int, int]]:
    """The key of each row's cycle."""
    return zip(*(table[name].to_pylist() for name in KEY), strict=True)


def only_cycles(table: pa.Table, keys: Container[tuple[str, int, int]]) -> pa.Table:
    """The rows of these cycles."""
    return table.filter(pa.array([key in keys for key in cycle_keys(table)], pa.bool_()))
