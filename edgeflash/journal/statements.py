"""What the journal's writer thread says to the database, each inside a commit of its caller."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime, timedelta

from edgeflash.journal.codec import UnstorableResultError, encode
from edgeflash.model import Result

_1970 = datetime(1970, 1, 1, tzinfo=UTC)


def insert(connection: sqlite3.Connection, result: Result) -> bool:
    """Adds a result; False when its key was there already."""
    stored = encode(result)
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
    return cursor.rowcount == 1


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


def delete(connection: sqlite3.Connection, seqs: list[tuple[int]]) -> int:
    """Deletes entries; how many there were."""
    return connection.executemany("DELETE FROM results WHERE seq = ?", seqs).rowcount


def microseconds(moment: datetime) -> int:
    """Microseconds since 1970 UTC, without passing through a float."""
    if moment.tzinfo is None:
        raise UnstorableResultError(f"the time {moment.isoformat()} lacks its timezone")
    return (moment.astimezone(UTC) - _1970) // timedelta(microseconds=1)


def moment_of(microseconds_since_1970: int) -> datetime:
    """The moment that `microseconds` was given, in UTC."""
    return _1970 + timedelta(microseconds=microseconds_since_1970)
