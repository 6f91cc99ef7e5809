"""What the journal's writer thread says to the database, each inside a commit of its caller."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime, timedelta

from edgeflash.journal import ledger
from edgeflash.journal.codec import UnstorableResultError, encode
from edgeflash.model import EventEntry, Result

_1970 = datetime(1970, 1, 1, tzinfo=UTC)


def insert(connection: sqlite3.Connection, result: Result, counts: ledger.Counts) -> bool:
    """Adds a result and counts it; False when its key was there already.

    counts: of this transaction; to be written at its end.
    """
    stored = encode(result)
    # Before anything is changed: what cannot be counted must not be half stored.
    rows = ledger.rows_of_result(result)
    cursor = connection.execute(
        "INSERT INTO results (analyzer, epoch, cycle_number, verdict, judged_us, checksum, body, "
        "trace) VALUES (?, ?, ?, ?, ?, ?, ?, ?) "
        "ON CONFLICT (analyzer, epoch, cycle_number) DO NOTHING",
        (
            *result.key,
            result.verdict.value,
            microseconds(result.judged_at),
            stored.checksum,
            stored.body,
            stored.trace,
        ),
    )
    if cursor.rowcount != 1:
        return False
    counts.add(ledger.RESULTS, cursor.lastrowid or 0, rows)
    return True


def advance(connection: sqlite3.Connection, consumer: str, seq: int) -> None:
    """Moves a consumer's position, never back."""
    connection.execute(
        "INSERT INTO positions (consumer, seq) VALUES (?, ?) "
        "ON CONFLICT (consumer) DO UPDATE SET seq = max(seq, excluded.seq)",
        (consumer, seq),
    )


def put_state(connection: sqlite3.Connection, key: str, text: str) -> None:
    """Keeps a text under a key."""
    connection.execute(
        "INSERT INTO states (key, text) VALUES (?, ?) "
        "ON CONFLICT (key) DO UPDATE SET text = excluded.text",
        (key, text),
    )


def insert_event(connection: sqlite3.Connection, entry: EventEntry) -> int:
    """Adds a line to the event record and counts it; its number."""
    cursor = connection.execute(
        "INSERT INTO events (at_us, kind, analyzer, who, via, subject, text, until_us) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (
            microseconds(entry.at),
            entry.kind.value,
            entry.analyzer,
            entry.who,
            entry.via,
            entry.subject,
            entry.text,
            None if entry.until is None else microseconds(entry.until),
        ),
    )
    seq = int(cursor.lastrowid or 0)
    ledger.count_new(connection, ledger.EVENTS, seq, ledger.rows_of_event(seq, entry))
    return seq


def delete_events(
    connection: sqlite3.Connection, before_us: int, most: int, passed: int, rows: int
) -> int:
    """Deletes at most so many old lines of the event record: those from before a time, and those
    beyond the newest `most`; none with a number above `passed`. How many there were."""
    gone = connection.execute(
        "DELETE FROM events WHERE seq IN (SELECT seq FROM events WHERE seq <= ? AND (at_us < ? "
        "OR seq <= (SELECT max(seq) FROM events) - ?) ORDER BY seq LIMIT ?) RETURNING seq",
        (passed, before_us, most, rows),
    ).fetchall()
    if gone:
        ledger.note_trimmed(connection, ledger.EVENTS, max(seq for (seq,) in gone))
    return len(gone)


def delete(connection: sqlite3.Connection, seqs: list[tuple[int]]) -> int:
    """Deletes entries; how many there were."""
    if seqs:
        ledger.note_trimmed(connection, ledger.RESULTS, max(seq for (seq,) in seqs))
    return connection.executemany("DELETE FROM results WHERE seq = ?", seqs).rowcount


def microseconds(moment: datetime) -> int:
    """Microseconds since 1970 UTC, without passing through a float."""
    if moment.tzinfo is None:
        raise UnstorableResultError(f"the time {moment.isoformat()} lacks its timezone")
    return (moment.astimezone(UTC) - _1970) // timedelta(microseconds=1)


def moment_of(microseconds_since_1970: int) -> datetime:
    """The moment that `microseconds` was given, in UTC."""
    return _1970 + timedelta(microseconds=microseconds_since_1970)
