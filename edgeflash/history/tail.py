"""What of the results stands only in the journal, kept up to date from look to look."""

from __future__ import annotations

import threading
from collections import defaultdict
from collections.abc import Mapping, Sequence

import pyarrow as pa

from edgeflash.history.columns import TableName
from edgeflash.history.layout import Partition, partition_of
from edgeflash.history.schema import rows
from edgeflash.history.writer import CONSUMER
from edgeflash.journal import Entry, JournalReader

_CHUNK = 256
_PARTS_JOINED = 64
"""Small tables of one file, before they are made into one."""


class ResultsTail:
    """The tail's results by the file they will come to. For several threads.

    Decoding an entry costs far more than reading its row again: so what was seen is kept, until
    the files have it. columns: only these are; what is kept is small, however far behind the
    files are.
    """

    def __init__(self, journal: JournalReader, columns: Sequence[str]) -> None:
        self._journal = journal
        self._columns = tuple(columns)
        self._lock = threading.Lock()
        self._position = -1
        self._seen = -1
        self._parts: dict[Partition, list[pa.Table]] = {}

    def now(self, analyzer: str) -> Mapping[Partition, pa.Table]:
        """The analyzer's. Raises StorageError."""
        with self._lock:
            self._catch_up()
            for partition, parts in self._parts.items():
                if len(parts) > _PARTS_JOINED:
                    self._parts[partition] = [pa.concat_tables(parts).combine_chunks()]
            return {
                partition: pa.concat_tables(parts)
                for partition, parts in self._parts.items()
                if partition.analyzer == analyzer
            }

    def _catch_up(self) -> None:
        position = self._journal.position(CONSUMER)
        if position != self._position:
            # The files have more, or the journal is told to begin anew.
            self._parts.clear()
            self._position = self._seen = position
        while entries := self._journal.entries_after(self._seen, _CHUNK):
            for partition, table in self._rows(entries).items():
                self._parts.setdefault(partition, []).append(table)
            self._seen = entries[-1].seq

    def _rows(self, entries: Sequence[Entry]) -> dict[Partition, pa.Table]:
        groups: defaultdict[Partition, list[Entry]] = defaultdict(list)
        for entry in entries:
            cycle = entry.result.cycle
            groups[partition_of(TableName.RESULTS, cycle.analyzer, cycle.finished_at)].append(entry)
        return {p: rows(TableName.RESULTS, group, self._columns) for p, group in groups.items()}
