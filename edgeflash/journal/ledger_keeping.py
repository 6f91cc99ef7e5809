"""What the history's writer tells the ledger, and the counting of what was there before it."""

from __future__ import annotations

import sqlite3
from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from functools import partial
from itertools import chain
from typing import TypeVar

from edgeflash.journal import ledger
from edgeflash.journal.ledger import CountedRow, FileNote
from edgeflash.journal.ledger_reading import ledger_state
from edgeflash.journal.reading import JournalReader

_T = TypeVar("_T")

# Entries of before the ledger that are counted in one commit.
_GAP_ENTRIES = 256


class LedgerKeeper(JournalReader, ABC):
    """The part of a journal that keeps the ledger of the history."""

    @abstractmethod
    def _submit(self, run: Callable[[sqlite3.Connection], _T]) -> Future[_T]:
        """Runs something inside the next commit."""

    def note_file(self, note: FileNote) -> None:
        """Notes what a file of the history will look like; before it takes its place.

        Once it stands there, durable, it is given to `confirm_files` or `advance`. A crash in
        between leaves both fingerprints, of which the file has one. Raises StorageError.
        """
        self._submit(lambda connection: ledger.note_file(connection, note)).result()

    def confirm_files(self, files: Sequence[FileNote]) -> None:
        """Notes that these files of the history stand in their places. Raises StorageError."""
        self._submit(lambda connection: ledger.confirm_files(connection, files)).result()

    def note_deleted(self, files: Sequence[tuple[str, str, str]]) -> None:
        """Notes up to which period retention has deleted files: table, analyzer, period of each."""
        self._submit(lambda connection: ledger.note_deleted(connection, files)).result()

    def fill_ledger(self) -> int:
        """Counts the entries of before the ledger that are still there; how many there were.

        Takes as long as reading them does; may be broken off at any moment, and goes on with the
        next call. Raises StorageError.
        """
        counted = 0
        for feed in ledger.FEEDS:
            while gaps := ledger_state(self, feed).gaps:
                counted += self._fill(feed, gaps[0])
        return counted

    def _fill(self, feed: str, gap: ledger.Gap) -> int:
        """Counts the beginning of a gap; how many entries."""
        found: list[tuple[int, list[CountedRow]]]
        if feed == ledger.EVENTS:
            lines = self.events_after(gap[0], _GAP_ENTRIES)
            found = [(seq, ledger.rows_of_event(seq, event)) for seq, event in lines]
        else:
            entries = self.entries_after(gap[0], _GAP_ENTRIES)
            found = [(e.seq, ledger.rows_of_result(e.result)) for e in entries]
        reached = min(found[-1][0], gap[1]) if len(found) == _GAP_ENTRIES else gap[1]
        in_gap = [rows for seq, rows in found if seq <= gap[1]]
        rows = list(chain.from_iterable(in_gap))
        job = partial(ledger.count_gap, feed=feed, gap=gap, reached=reached, rows=rows)
        self._submit(job).result()
        return len(in_gap)
