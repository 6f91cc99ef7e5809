"""Whether the history holds what it should: every file, beside the ledger and the journal.

May run while a gateway writes. The ledger is read first, then the file, then what the journal has
that was still to come: so a row that moves meanwhile is known for one. A file that is replaced,
set aside or deleted between is looked at again.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TypeAlias

from edgeflash.errors import StorageError
from edgeflash.history.compare import Expected, OwnRows, compared, own_rows
from edgeflash.history.file_rows import (
    FACTS,
    FileRows,
    Key,
    UnknownSchemaError,
    look_at,
    plain_values,
)
from edgeflash.history.files import UnreadableFileError, open_for_arrow, read_file
from edgeflash.history.findings import Finding, Problem, Report, Sums
from edgeflash.history.journal_rows import CONSUMERS, JournalRows, Tail, feed_of, file_period
from edgeflash.history.layout import Partition, partitions_in
from edgeflash.history.retired import load_retired
from edgeflash.history.schema import TableName
from edgeflash.history.strangers import is_being_written, strangers
from edgeflash.journal import JournalReader
from edgeflash.journal.ledger import NO_LEDGER, RESULTS, LedgerPage, LedgerState, day_of
from edgeflash.journal.ledger_reading import (
    counted_days,
    ledger_page,
    ledger_state,
    noted_files,
)

_ATTEMPTS = 20
_1970 = datetime(1970, 1, 1, tzinfo=UTC)

Progress: TypeAlias = Callable[[str, int, int], None]
"""Told what is being done, how much of it is, and of how much."""


def no_progress(what: str, done: int, total: int) -> None:
    """Nobody looks on."""


def verify(
    folder: Path, journal: JournalReader | None = None, on_progress: Progress = no_progress
) -> Report:
    """Looks at every file of the history. journal: None checks the files by themselves only.

    A journal that is damaged itself is a finding too. Raises StorageError when the folder or the
    journal cannot be read.
    """
    if journal is None and not folder.is_dir():
        raise StorageError(f"{folder}: there is no history here")
    wrong = "" if journal is None else journal.integrity()
    report = Verification(folder, journal).run(on_progress)
    if journal is None or not wrong:
        return report
    sentence = f"the journal itself is damaged: {wrong}"
    finding = Finding(Problem.JOURNAL_DAMAGED, str(journal.path), sentence)
    return replace(report, findings=(finding, *report.findings))


@dataclass(frozen=True, slots=True)
class _Look:
    """One look at a file. identity: of what was opened; None when there was none."""

    identity: tuple[int, ...] | None
    held: FileRows | None = None
    problem: Finding | None = None


class Verification:
    """Looks at files, one by one or all; keeps what it needs of the journal between them."""

    def __init__(self, folder: Path, journal: JournalReader | None) -> None:
        self._folder = folder
        self._journal = journal
        self._own: dict[str, JournalRows] = {}
        self._tails = {} if journal is None else {f: Tail(journal, f) for f in CONSUMERS}
        self._begun_us: int | None = None
        self._foreign: tuple[Partition | None, frozenset[Key]] = (None, frozenset())
        self._sums = Sums()

    def run(self, on_progress: Progress = no_progress) -> Report:
        """The whole folder."""
        self.read_journal(on_progress)
        partitions = self.partitions()
        for done, partition in enumerate(partitions):
            on_progress("files", done, len(partitions))
            self._sums.findings += self.check(partition)
        on_progress("files", len(partitions), len(partitions))
        foreign, left_over = strangers(self._folder)
        return replace(
            self._sums.report(),
            findings=(*self._unreadable_entries(), *self._sums.findings, *foreign),
            left_over=left_over,
            whole_after=max(self._state(feed).whole_after for feed in CONSUMERS),
        )

    def _unreadable_entries(self) -> list[Finding]:
        if self._journal is None or not (count := self._journal.damaged()):
            return []
        sentence = (
            f"{count} entries cannot be read: damaged, or of a newer edgeflash. What the files "
            "lack of them cannot come from there"
        )
        return [Finding(Problem.JOURNAL_DAMAGED, str(self._journal.path), sentence, rows=count)]

    def read_journal(self, on_progress: Progress = no_progress) -> None:
        """Takes what the journal has, to compare the files with."""
        if self._journal is None:
            return
        begun_at = self._journal.begun_at()
        self._begun_us = None if begun_at is None else _microseconds(begun_at)
        total = self._journal.count()
        for feed, consumer in CONSUMERS.items():
            position = self._journal.position(consumer)
            self._own[feed] = JournalRows(
                self._journal, feed, position, lambda done: on_progress("journal", done, total)
            )

    def partitions(self) -> list[Partition]:
        """Every file that is there, or should be."""
        found = {p for table in FACTS for p in partitions_in(self._folder, table)}
        if self._journal is not None:
            for table, analyzer, day in counted_days(self._journal):
                with suppress(ValueError):  # a table of a newer edgeflash
                    name = TableName(table)
                    found.add(Partition(name, analyzer, file_period(name, day)))
            for table, analyzer, period in noted_files(self._journal):
                with suppress(ValueError):
                    found.add(Partition(TableName(table), analyzer, period))
        for rows in self._own.values():
            found |= set(rows.partitions())
        return sorted(found)

    def check(self, partition: Partition) -> list[Finding]:
        """What is wrong with one file."""
        for _ in range(_ATTEMPTS):
            state, page = self._ledger(partition)
            look = self._look(partition)
            expected = self._expected(partition, state, page, look)
            found = self._judged(partition, expected, look)
            if not found or not self._has_moved(partition, state, page, look):
                self._sums.count(look.held, page, expected.days, expected.whole_after)
                return found
        sentence = "it was replaced again and again while it was looked at"
        return [Finding(Problem.ALWAYS_BUSY, self._name(partition), sentence, partition)]

    def own_rows(self, partition: Partition) -> OwnRows:
        """What of the journal's own rows is in a readable file; only where no writer is at work."""
        state, page, look = *self._ledger(partition), self._look(partition)
        if look.held is None:
            return OwnRows((), (), ())
        return own_rows(partition, look.held, self._expected(partition, state, page, look))

    def own_keys(self, partition: Partition) -> Collection[Key]:
        """Of the rows that the journal still has, and that had come to the file."""
        own = self._own.get(feed_of(partition.table))
        return () if own is None else own.of(partition, self._page(partition).position).keys()

    def noted_rows(self, partition: Partition) -> int | None:
        """How many rows the file had when it was written last; None where no ledger noted it."""
        return max((note.rows for note in self._page(partition).fingerprints), default=None)

    def rows_to_come(self, partition: Partition) -> int:
        """How many rows of the file the writer has still before it."""
        tail = self._tails.get(feed_of(partition.table))
        return 0 if tail is None else len(tail.after(self._page(partition).position, partition))

    def knows_all_of(self, partition: Partition) -> bool:
        """Whether the ledger counts every row that was ever in the file: of the rows of an earlier
        journal, of before the ledger, and of the laboratory it counts none."""
        if not FACTS[partition.table].figures or self._journal is None:
            return False
        begun_at, state = self._journal.begun_at(), self._state(feed_of(partition.table))
        return (
            begun_at is not None
            and begun_at <= partition.start
            and state.whole_after < day_of(partition.start)
        )

    def _look(self, partition: Partition) -> _Look:
        path = partition.path(self._folder)
        try:
            with open_for_arrow(path) as file:
                identity = _identity(os.fstat(file.fileno()))
                try:
                    return _Look(identity, look_at(file, path, partition))
                except UnknownSchemaError as error:
                    problem = Problem.UNKNOWN_SCHEMA
                    why = str(error)
                except UnreadableFileError as error:
                    problem = Problem.UNREADABLE
                    why = str(error)
        except FileNotFoundError:
            return _Look(None)
        except OSError as error:
            raise StorageError(f"{path}: the disk refuses to read this file: {error}") from error
        why = why.removeprefix(f"{path}: ")
        return _Look(identity, None, Finding(problem, self._name(partition), why, partition))

    def _judged(self, partition: Partition, expected: Expected, look: _Look) -> list[Finding]:
        name = self._name(partition)
        if look.problem is not None:
            return [look.problem]
        if look.held is not None:
            return compared(partition, name, look.held, expected)
        rows = sum(max(0, tally.rows) for tally in expected.days.values())
        rows = max(rows, len(expected.own))
        if not self.knows_all_of(partition) and not is_being_written(self._folder, partition):
            noted = max((note.rows for note in expected.page.fingerprints), default=0)
            # Those to come may have been in it, before a crash.
            rows = max(rows, noted - len(expected.tail))
        if rows == 0 or expected.page.was_deleted:
            return []
        sentence = f"it is not there; {rows} rows belong into it"
        return [Finding(Problem.MISSING_FILE, name, sentence, partition, rows)]

    def _expected(
        self, partition: Partition, state: LedgerState, page: LedgerPage, look: _Look
    ) -> Expected:
        feed, held = feed_of(partition.table), look.held
        # Noted since: of a file that came to its place after the page was read.
        noted = (*page.fingerprints, *self._page(partition).fingerprints)
        own = self._own.get(feed)
        tail = self._tails.get(feed)
        return Expected(
            page=replace(page, fingerprints=noted),
            tail=() if tail is None else tail.after(page.position, partition),
            own={} if own is None else own.of(partition, page.position),
            is_foreign=[]
            if held is None
            else self.is_foreign(partition, held.keys, held.journals_us),
            whole_after=state.whole_after,
        )

    def _has_moved(
        self, partition: Partition, state: LedgerState, page: LedgerPage, look: _Look
    ) -> bool:
        """Whether what was seen may be of two instants that do not fit together."""
        now, state_now = self._page(partition), self._state(feed_of(partition.table))
        try:
            identity = _identity(partition.path(self._folder).stat())
        except FileNotFoundError:
            identity = None
        return (
            identity != look.identity
            or now.position < page.position
            or now.was_deleted != page.was_deleted
            or state_now.trimmed_to != state.trimmed_to
            or state_now.gaps != state.gaps
        )

    def is_foreign(
        self, partition: Partition, keys: Sequence[Key], journals_us: Sequence[int | None]
    ) -> list[bool]:
        """Of rows of a file, whether they came from another journal. keys: as the journal has
        them. journals_us: when that was made, where the table says so."""
        if self._begun_us is None or partition.table is TableName.LAB:
            return [False] * len(keys)
        if FACTS[partition.table].names_journal:
            return self._are_of_another(journals_us, feed_of(partition.table))
        results = Partition(TableName.RESULTS, partition.analyzer, partition.period[:7])
        if self._foreign[0] != results:
            self._foreign = (results, self._foreign_results(results))
        return [key in self._foreign[1] for key in keys]

    def _foreign_results(self, results: Partition) -> frozenset[Key]:
        names = ("epoch", "cycle_number", "journal_begun_at")
        try:
            table = read_file(self._folder, results, names)
        except (FileNotFoundError, UnreadableFileError):
            return frozenset()
        epochs, numbers, journals_us = (plain_values(table[name]) for name in names)
        are_foreign = self._are_of_another(journals_us, RESULTS)
        return frozenset(
            (epoch, number)
            for epoch, number, foreign in zip(epochs, numbers, are_foreign, strict=True)
            if foreign
        )

    def _are_of_another(self, journals_us: Sequence[int | None], feed: str) -> list[bool]:
        """journals_us: when the journal that each row came from was made. Rows of schema version 1
        do not say it; they are not of a journal that had a ledger from its first row on."""
        own = {self._begun_us} if not self._state(feed).whole_after else {self._begun_us, None}
        return [us not in own for us in journals_us]

    def _page(self, partition: Partition) -> LedgerPage:
        if self._journal is None:
            return LedgerPage()
        table, consumer = partition.table, CONSUMERS.get(feed_of(partition.table), "")
        page = ledger_page(
            self._journal, table.value, partition.analyzer, partition.period, consumer
        )
        # What is to be deleted is on the record before it goes; the ledger is told after.
        if not page.was_deleted and load_retired(self._folder).holds(partition):
            return replace(page, was_deleted=True)
        return page

    def _ledger(self, partition: Partition) -> tuple[LedgerState, LedgerPage]:
        return self._state(feed_of(partition.table)), self._page(partition)

    def _state(self, feed: str) -> LedgerState:
        return NO_LEDGER if self._journal is None else ledger_state(self._journal, feed)

    def _name(self, partition: Partition) -> str:
        return str(partition.path(self._folder).relative_to(self._folder))


def _identity(stat: os.stat_result) -> tuple[int, ...]:
    return (stat.st_dev, stat.st_ino, stat.st_size, stat.st_mtime_ns)


def _microseconds(moment: datetime) -> int:
    return (moment - _1970) // timedelta(microseconds=1)
