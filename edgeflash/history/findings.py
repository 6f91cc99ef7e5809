"""What verification can find in a history, and its report. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum

from edgeflash.history.file_rows import FileRows
from edgeflash.history.layout import Partition
from edgeflash.journal.ledger import LedgerPage


class Problem(StrEnum):
    """What is not as it should be."""

    UNREADABLE = "unreadable"
    UNKNOWN_SCHEMA = "unknown_schema"
    UNSORTED = "unsorted"
    DAMAGED_ROWS = "damaged_rows"
    DOUBLED_ROWS = "doubled_rows"
    MISPLACED_ROWS = "misplaced_rows"
    MISSING_FILE = "missing_file"
    MISSING_ROWS = "missing_rows"
    CHANGED_ROWS = "changed_rows"
    KEY_TAKEN = "key_taken"
    TOO_FEW_ROWS = "too_few_rows"
    TOO_MANY_ROWS = "too_many_rows"
    OTHER_CONTENT = "other_content"
    CHANGED_BYTES = "changed_bytes"
    ALWAYS_BUSY = "always_busy"
    FOREIGN_FILE = "foreign_file"
    LOST_ROWS = "lost_rows"
    JOURNAL_DAMAGED = "journal_damaged"
    NO_JOURNAL = "no_journal"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is wrong. partition: None for what is no file of ours. path: below the
    history folder. rows: how many it is about; None where that cannot be said."""

    problem: Problem
    path: str
    sentence: str
    partition: Partition | None = None
    rows: int | None = None


@dataclass(frozen=True, slots=True)
class Report:
    """What verification found.

    files, rows, bytes: that were read. unknown_files: of days that the ledger does not know whole,
    so that rows may be missing unseen. unnoted_files: without a fingerprint. deleted_files: that
    retention deleted. left_over: half-written and set-aside files, below the history folder.
    whole_after: of days after it the ledger knows every row; empty: of all.
    """

    findings: tuple[Finding, ...] = ()
    files: int = 0
    rows: int = 0
    bytes: int = 0
    unknown_files: int = 0
    unnoted_files: int = 0
    deleted_files: int = 0
    left_over: tuple[str, ...] = ()
    whole_after: str = ""


@dataclass(slots=True)
class Sums:
    """A report in the making."""

    findings: list[Finding] = field(default_factory=list)
    files: int = 0
    rows: int = 0
    bytes: int = 0
    unknown_files: int = 0
    unnoted_files: int = 0
    deleted_files: int = 0

    def count(
        self, held: FileRows | None, page: LedgerPage, days: Iterable[str], whole_after: str
    ) -> None:
        """Adds one file. days: that it has rows of, by the ledger."""
        self.deleted_files += page.was_deleted
        if held is None:
            return
        self.files += 1
        self.rows += held.rows
        self.bytes += held.bytes
        self.unnoted_files += not page.fingerprints
        self.unknown_files += min({*days, *held.days}, default="~") <= whole_after

    def report(self) -> Report:
        """As it stands."""
        return Report(
            files=self.files,
            rows=self.rows,
            bytes=self.bytes,
            unknown_files=self.unknown_files,
            unnoted_files=self.unnoted_files,
            deleted_files=self.deleted_files,
        )
