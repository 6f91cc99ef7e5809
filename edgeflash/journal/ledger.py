"""The ledger: how many rows the history must hold of each day, and what its files look like.

Kept in the journal's database, each count in the very commit that stores its result, and never
trimmed. `rows` and `checksum` are of all results ever stored with a day (UTC, of `finished_at`);
checksum: the sum of `digest.row_digest`.

A journal of before the ledger, or one in which an edgeflash of before it has written since, has a
gap: entries not counted yet. `fill` counts what is still there; what had been trimmed by then
nobody knows, so that of days up to `whole_after` the ledger says "at least".

Of each file there are the fingerprints that it may have. A new one is noted before the file takes
its place and the others are struck out after: whatever moment a crash comes at, the file that
stands is among them.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

from edgeflash.journal.digest import added, event_digest, result_digest, trace_digest
from edgeflash.model import EventEntry, Result

RESULTS, TRACES, EVENTS = "results", "traces", "events"
"""The tables of the history that are counted, by their names there."""

FEEDS = (RESULTS, EVENTS)
"""The tables of the journal that are counted. From its results come two tables of the history."""

CREATE = (
    "CREATE TABLE IF NOT EXISTS ledger (tbl TEXT NOT NULL, analyzer TEXT NOT NULL, "
    "day TEXT NOT NULL, rows INTEGER NOT NULL, checksum INTEGER NOT NULL, "
    "PRIMARY KEY (tbl, analyzer, day)) WITHOUT ROWID",
    # counted_to: the last entry counted, but for those of a gap. trimmed_to: the last deleted.
    "CREATE TABLE IF NOT EXISTS ledger_state (feed TEXT PRIMARY KEY, counted_to INTEGER NOT NULL, "
    "trimmed_to INTEGER NOT NULL, whole_after TEXT NOT NULL) WITHOUT ROWID",
    "CREATE TABLE IF NOT EXISTS ledger_gaps (feed TEXT NOT NULL, after_seq INTEGER NOT NULL, "
    "to_seq INTEGER NOT NULL)",
    "CREATE TABLE IF NOT EXISTS history_files (tbl TEXT NOT NULL, analyzer TEXT NOT NULL, "
    "period TEXT NOT NULL, sha256 TEXT NOT NULL, bytes INTEGER NOT NULL, rows INTEGER NOT NULL, "
    "PRIMARY KEY (tbl, analyzer, period, sha256)) WITHOUT ROWID",
    "CREATE TABLE IF NOT EXISTS history_deleted (tbl TEXT NOT NULL, analyzer TEXT NOT NULL, "
    "period TEXT NOT NULL, PRIMARY KEY (tbl, analyzer)) WITHOUT ROWID",
)


@dataclass(frozen=True, slots=True)
class CountedRow:
    """A row that the history must hold. day: in UTC. key: names it among the rows of one analyzer:
    epoch and cycle number, or the number of a line of the event record."""

    table: str
    analyzer: str
    day: str
    key: tuple[int, ...]
    digest: int


@dataclass(frozen=True, slots=True)
class Tally:
    """A number of rows and the sum of their digests."""

    rows: int = 0
    checksum: int = 0

    def __add__(self, other: Tally) -> Tally:
        return Tally(self.rows + other.rows, added(self.checksum, other.checksum))

    def __sub__(self, other: Tally) -> Tally:
        return Tally(self.rows - other.rows, added(self.checksum, -other.checksum))


NONE_YET = Tally()

_Day = tuple[str, str, str]
"""Table, analyzer and day."""


@dataclass(frozen=True, slots=True)
class FileNote:
    """What a file of the history looks like. period: month or day, as in its path."""

    table: str
    analyzer: str
    period: str
    sha256: str
    bytes: int
    rows: int


@dataclass(frozen=True, slots=True)
class LedgerPage:
    """What the ledger says of one file of the history, all of one instant.

    position: up to where the history's writer was done. last_seq: the last entry of the journal.
    days: of each day of the period. fingerprints: those the file may have; empty for a file of
    before the ledger. was_deleted: by retention, or from a time before a file that was, so that
    rows may be missing.
    """

    position: int = 0
    last_seq: int = 0
    days: Mapping[str, Tally] = field(default_factory=dict)
    fingerprints: tuple[FileNote, ...] = ()
    was_deleted: bool = False


Gap = tuple[int, int]
"""Entries not counted yet: after the first number, up to the second."""


@dataclass(frozen=True, slots=True)
class LedgerState:
    """How far one feed is counted.

    whole_after: of days after it the ledger knows every row; empty: of every day. gaps: entries
    that it has still to count. trimmed_to: the last entry deleted from the journal."""

    counted_to: int = 0
    trimmed_to: int = 0
    whole_after: str = ""
    gaps: tuple[Gap, ...] = ()


NO_LEDGER = LedgerState(whole_after="9999-12-31")
"""Of a journal that was never opened by an edgeflash with a ledger."""


def day_of(moment: datetime) -> str:
    """The UTC day of a time, as the ledger has it."""
    # Not strftime, which writes years before 1000 with fewer digits.
    return moment.astimezone(UTC).date().isoformat()


def rows_of_result(result: Result) -> list[CountedRow]:
    """The rows of a result: one in `results`, and one in `traces` when it has samples."""
    cycle = result.cycle
    place = (cycle.analyzer, day_of(cycle.finished_at), (cycle.epoch, cycle.cycle_number))
    found = [CountedRow(RESULTS, *place, result_digest(result))]
    traced = trace_digest(result)
    return found if traced is None else [*found, CountedRow(TRACES, *place, traced)]


def rows_of_event(seq: int, entry: EventEntry) -> list[CountedRow]:
    """The row of a line of the event record, in `events`."""
    digest = event_digest(seq, entry)
    return [CountedRow(EVENTS, entry.analyzer, day_of(entry.at), (seq,), digest)]


def open_ledger(connection: sqlite3.Connection, today: str) -> None:
    """Makes the tables in a journal that lacks them, and notes entries that were not counted.

    today: the UTC day; on the first opening, and after an older edgeflash has written, the ledger
    is not whole up to it.
    """
    connection.create_function("add64", 2, added, deterministic=True)
    for statement in CREATE:
        connection.execute(statement)
    for feed in FEEDS:
        if _is_counted(connection, feed):
            continue
        connection.execute("BEGIN IMMEDIATE")
        connection.execute("INSERT OR IGNORE INTO ledger_state VALUES (?, 0, 0, '')", (feed,))
        if not _is_counted(connection, feed):
            connection.execute(
                f"INSERT INTO ledger_gaps SELECT feed, counted_to, (SELECT max(seq) FROM {feed}) "
                "FROM ledger_state WHERE feed = ?",
                (feed,),
            )
            connection.execute(
                f"UPDATE ledger_state SET counted_to = (SELECT max(seq) FROM {feed}), "
                "whole_after = max(whole_after, ?) WHERE feed = ?",
                (today, feed),
            )
        connection.execute("COMMIT")


def _is_counted(connection: sqlite3.Connection, feed: str) -> bool:
    row = connection.execute(
        f"SELECT counted_to >= coalesce((SELECT max(seq) FROM {feed}), 0) FROM ledger_state "
        "WHERE feed = ?",
        (feed,),
    ).fetchone()
    return row is not None and bool(row[0])


def count(connection: sqlite3.Connection, rows: Iterable[CountedRow]) -> None:
    """Adds rows to their days."""
    _add(connection, _by_day(rows))


def _by_day(rows: Iterable[CountedRow]) -> dict[_Day, Tally]:
    days: dict[_Day, Tally] = {}
    for row in rows:
        day = (row.table, row.analyzer, row.day)
        days[day] = days.get(day, NONE_YET) + Tally(1, row.digest)
    return days


def _add(connection: sqlite3.Connection, days: Mapping[_Day, Tally]) -> None:
    connection.executemany(
        "INSERT INTO ledger VALUES (?, ?, ?, ?, ?) ON CONFLICT (tbl, analyzer, day) DO UPDATE SET "
        "rows = rows + excluded.rows, checksum = add64(checksum, excluded.checksum)",
        [(*day, tally.rows, tally.checksum) for day, tally in days.items()],
    )


class Counts:
    """What a commit will have counted: each day is written once, however many results are stored.

    Of one thread. Begun anew with every transaction, written as the last of it.
    """

    def __init__(self) -> None:
        self._rows: list[CountedRow] = []
        self._last_seq: dict[str, int] = {}

    def begin(self) -> None:
        """Forgets what a transaction that failed had counted."""
        self._rows.clear()
        self._last_seq.clear()

    def add(self, feed: str, seq: int, rows: Iterable[CountedRow]) -> None:
        """Counts an entry that this transaction has stored."""
        self._rows += rows
        self._last_seq[feed] = seq

    def write(self, connection: sqlite3.Connection) -> None:
        """Counts them in the transaction that stores them."""
        count(connection, self._rows)
        for feed, seq in self._last_seq.items():
            _note_counted(connection, feed, seq)
        self.begin()


def count_new(
    connection: sqlite3.Connection, feed: str, seq: int, rows: Iterable[CountedRow]
) -> None:
    """Counts an entry in the commit that stores it."""
    count(connection, rows)
    _note_counted(connection, feed, seq)


def _note_counted(connection: sqlite3.Connection, feed: str, seq: int) -> None:
    connection.execute("UPDATE ledger_state SET counted_to = ? WHERE feed = ?", (seq, feed))


def count_gap(
    connection: sqlite3.Connection, feed: str, gap: Gap, reached: int, rows: Sequence[CountedRow]
) -> None:
    """Counts entries of the beginning of a gap, up to entry `reached`. Does nothing when the gap is
    no longer that one."""
    cursor = connection.execute(
        "DELETE FROM ledger_gaps WHERE feed = ? AND after_seq = ? AND to_seq = ?", (feed, *gap)
    )
    if cursor.rowcount != 1:
        return
    count(connection, rows)
    last_day = max((r.day for r in rows), default="")
    connection.execute(
        "UPDATE ledger_state SET whole_after = max(whole_after, ?) WHERE feed = ?",
        (last_day, feed),
    )
    if reached < gap[1]:
        connection.execute("INSERT INTO ledger_gaps VALUES (?, ?, ?)", (feed, reached, gap[1]))


def note_trimmed(connection: sqlite3.Connection, feed: str, seq: int) -> None:
    """Notes that entries up to this one may be gone."""
    connection.execute(
        "UPDATE ledger_state SET trimmed_to = max(trimmed_to, ?) WHERE feed = ?", (seq, feed)
    )


def note_file(connection: sqlite3.Connection, note: FileNote) -> None:
    """Adds a fingerprint that the file may have from now on."""
    connection.execute(
        "INSERT OR REPLACE INTO history_files VALUES (?, ?, ?, ?, ?, ?)",
        (note.table, note.analyzer, note.period, note.sha256, note.bytes, note.rows),
    )


def confirm_files(connection: sqlite3.Connection, notes: Iterable[FileNote]) -> None:
    """Strikes out every other fingerprint of these files: they are in their places, durable."""
    connection.executemany(
        "DELETE FROM history_files WHERE tbl = ? AND analyzer = ? AND period = ? AND sha256 <> ?",
        [(n.table, n.analyzer, n.period, n.sha256) for n in notes],
    )


def note_deleted(connection: sqlite3.Connection, files: Iterable[tuple[str, str, str]]) -> None:
    """Notes up to which period retention has deleted files: table, analyzer, period."""
    connection.executemany(
        "INSERT INTO history_deleted VALUES (?, ?, ?) ON CONFLICT (tbl, analyzer) "
        "DO UPDATE SET period = max(period, excluded.period)",
        list(files),
    )
