"""The rows that a journal holds, as verification compares them: by file, key and digest only."""

from __future__ import annotations

from array import array
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping

from edgeflash.history.columns import TableName
from edgeflash.history.file_rows import FACTS, Key
from edgeflash.history.layout import Partition
from edgeflash.history.schema import TABLES
from edgeflash.history.writer import CONSUMER, EVENTS_CONSUMER
from edgeflash.journal import JournalReader
from edgeflash.journal.ledger import (
    EVENTS,
    RESULTS,
    CountedRow,
    rows_of_event,
    rows_of_result,
)

_CHUNK = 256

Found = tuple[int, list[CountedRow]]
"""The number of an entry and its rows."""

CONSUMERS: Mapping[str, str] = {RESULTS: CONSUMER, EVENTS: EVENTS_CONSUMER}
"""For each feed of the journal the position of the history's writer in it."""


def feed_of(table: TableName) -> str:
    """The feed of the journal that a table comes from."""
    return EVENTS if table is TableName.EVENTS else RESULTS


def partition_of_row(row: CountedRow) -> Partition:
    """The file that a row belongs to."""
    table = TableName(row.table)
    return Partition(table, row.analyzer, file_period(table, row.day))


def file_period(table: TableName, day: str) -> str:
    """The period of the file that a day belongs to."""
    return day if TABLES[table].day_files else day[:7]


def rows_after(journal: JournalReader, feed: str, seq: int) -> Iterator[Found]:
    """What a feed holds after an entry. Raises StorageError."""
    while found := _chunk_after(journal, feed, seq):
        yield from found
        seq = found[-1][0]


def _chunk_after(journal: JournalReader, feed: str, seq: int) -> list[Found]:
    if feed == EVENTS:
        lines = journal.events_after(seq, _CHUNK)
        return [(number, rows_of_event(number, event)) for number, event in lines]
    entries = journal.entries_after(seq, _CHUNK)
    return [(entry.seq, rows_of_result(entry.result)) for entry in entries]


class JournalRows:
    """The rows of a feed up to an entry, by the file they belong to: 40 bytes or so for each."""

    def __init__(
        self,
        journal: JournalReader,
        feed: str,
        up_to: int,
        on_entry: Callable[[int], None] = lambda done: None,
    ) -> None:
        """Reads the whole feed; on_entry is told how many are done. Raises StorageError."""
        self._numbers: defaultdict[Partition, array[int]] = defaultdict(lambda: array("q"))
        for done, (seq, rows) in enumerate(rows_after(journal, feed, 0), start=1):
            if seq > up_to:
                break
            for row in rows:
                numbers = self._numbers[partition_of_row(row)]
                numbers.append(seq)
                numbers.extend(row.key)
                numbers.append(row.digest)
            on_entry(done)

    def partitions(self) -> Iterable[Partition]:
        """The files that have rows."""
        return self._numbers.keys()

    def of(self, partition: Partition, up_to: int) -> dict[Key, int]:
        """Key and digest of the rows of a file from entries up to this one."""
        numbers = self._numbers.get(partition)
        if numbers is None:
            return {}
        step = 2 + len(FACTS[partition.table].journal_key)
        return {
            tuple(numbers[i + 1 : i + step - 1]): numbers[i + step - 1]
            for i in range(0, len(numbers), step)
            if numbers[i] <= up_to
        }


class Tail:
    """Rows of a feed that the history's writer has still before it, kept up to date."""

    def __init__(self, journal: JournalReader, feed: str) -> None:
        self._journal = journal
        self._feed = feed
        self._position = self._seen = -1
        self._rows: defaultdict[Partition, list[tuple[int, CountedRow]]] = defaultdict(list)

    def after(self, position: int, partition: Partition) -> list[tuple[int, CountedRow]]:
        """Those of a file, with the numbers of their entries, up to the journal's end now.

        Raises StorageError.
        """
        if position != self._position:
            if position < self._position or position > self._seen:
                self._seen = position
                self._rows.clear()
            else:
                for place, rows in self._rows.items():
                    self._rows[place] = [(seq, row) for seq, row in rows if seq > position]
            self._position = position
        for seq, found in rows_after(self._journal, self._feed, self._seen):
            for row in found:
                self._rows[partition_of_row(row)].append((seq, row))
            self._seen = seq
        return list(self._rows.get(partition, ()))
