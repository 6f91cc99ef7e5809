"""The journal's tables and how a connection to them is opened."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from urllib.parse import quote

from edgeflash.errors import StorageError
from edgeflash.journal.ledger import day_of, open_ledger
from edgeflash.journal.statements import microseconds
from edgeflash.service.clock import SYSTEM_CLOCK

SCHEMA_VERSION = 1

# "EFJ1": tells our file from another program's database (PRAGMA application_id).
APPLICATION_ID = 0x45464A31

_BUSY_TIMEOUT_S = 10.0

# After a burst the write-ahead file is cut back to this, in bytes.
_WAL_KEPT_BYTES = 16 * 1024 * 1024

# seq rises and is never used again (AUTOINCREMENT), because the consumers' positions count on it.
# Small columns come before the body, so that looking through them reads no overflow pages.
_CREATE = f"""
BEGIN IMMEDIATE;
CREATE TABLE results (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    analyzer TEXT NOT NULL,
    epoch INTEGER NOT NULL,
    cycle_number INTEGER NOT NULL,
    verdict TEXT NOT NULL,
    judged_us INTEGER NOT NULL,
    checksum INTEGER NOT NULL,
    body TEXT NOT NULL,
    trace BLOB,
    UNIQUE (analyzer, epoch, cycle_number)
);
CREATE INDEX results_by_verdict ON results (analyzer, verdict, seq);
CREATE INDEX results_by_analyzer ON results (analyzer, seq);
CREATE TABLE positions (consumer TEXT PRIMARY KEY, seq INTEGER NOT NULL) WITHOUT ROWID;
PRAGMA application_id = {APPLICATION_ID};
PRAGMA user_version = {SCHEMA_VERSION};
COMMIT;
"""


# Came later: made at the opening, also in a journal of before. Old versions pass them over.
_CREATE_LATER = (
    "CREATE TABLE IF NOT EXISTS states (key TEXT PRIMARY KEY, text TEXT NOT NULL) WITHOUT ROWID",
    "CREATE TABLE IF NOT EXISTS beginning "
    "(only_row INTEGER PRIMARY KEY CHECK (only_row = 1), begun_us INTEGER NOT NULL)",
    "CREATE TABLE IF NOT EXISTS events (seq INTEGER PRIMARY KEY AUTOINCREMENT, "
    "at_us INTEGER NOT NULL, kind TEXT NOT NULL, analyzer TEXT NOT NULL, who TEXT NOT NULL, "
    "via TEXT NOT NULL, subject TEXT NOT NULL, text TEXT NOT NULL, until_us INTEGER)",
    "CREATE INDEX IF NOT EXISTS events_by_time ON events (at_us)",
)
_BEGIN = "INSERT OR IGNORE INTO beginning VALUES (1, ?)"


def connect_writer(path: Path) -> sqlite3.Connection:
    """A connection for the writer thread; creates the file and its tables. Raises StorageError."""
    connection = _connect(path, "rwc")
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        # FULL: the write-ahead file is synced at every commit, not only at a checkpoint.
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute(f"PRAGMA journal_size_limit = {_WAL_KEPT_BYTES}")
        if _is_empty(connection):
            connection.executescript(_CREATE)
        _check_version(path, connection)
        for later in _CREATE_LATER:
            connection.execute(later)
        now = SYSTEM_CLOCK.utc_now()
        connection.execute(_BEGIN, (microseconds(now),))
        open_ledger(connection, day_of(now))
    except sqlite3.Error as error:
        connection.close()
        raise _cannot_open(path, error) from error
    except StorageError:
        connection.close()
        raise
    return connection


def connect_reader(path: Path) -> sqlite3.Connection:
    """A connection that cannot write. Raises StorageError.

    A reader without the right to write in the folder can still look on while the gateway runs
    (the shared-memory file is there), and when it was stopped cleanly (no write-ahead file: the
    database is whole in itself).
    """
    if not path.is_file():
        raise StorageError(f"{path}: there is no journal here; has the gateway ever run?")
    try:
        return _checked(path, _connect(path, "ro"))
    except StorageError:
        if path.with_name(path.name + "-wal").exists():
            raise
    return _checked(path, _connect(path, "ro", "&immutable=1"))


def _checked(path: Path, connection: sqlite3.Connection) -> sqlite3.Connection:
    # Damaged text must reach the checksum, not stop the reading of a whole batch.
    connection.text_factory = lambda data: data.decode("utf-8", "replace")
    try:
        _check_version(path, connection)
    except sqlite3.Error as error:
        connection.close()
        raise _cannot_open(path, error) from error
    except StorageError:
        connection.close()
        raise
    return connection


def _connect(path: Path, mode: str, more: str = "") -> sqlite3.Connection:
    uri = f"file:{quote(str(path.absolute()))}?mode={mode}{more}"
    try:
        # Threads share a connection only under a lock of ours.
        return sqlite3.connect(
            uri,
            uri=True,
            timeout=_BUSY_TIMEOUT_S,
            isolation_level=None,
            check_same_thread=False,
        )
    except sqlite3.Error as error:
        raise _cannot_open(path, error) from error


def _is_empty(connection: sqlite3.Connection) -> bool:
    count: int = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
    return count == 0


def _check_version(path: Path, connection: sqlite3.Connection) -> None:
    application: int = connection.execute("PRAGMA application_id").fetchone()[0]
    version: int = connection.execute("PRAGMA user_version").fetchone()[0]
    if application != APPLICATION_ID:
        raise StorageError(f"{path}: this database is not an edgeflash journal; move it away")
    if version != SCHEMA_VERSION:
        raise StorageError(
            f"{path}: journal schema version {version}, this edgeflash knows {SCHEMA_VERSION}; "
            "run the edgeflash that wrote it, or move the file away to begin a new journal"
        )


def _cannot_open(path: Path, error: sqlite3.Error) -> StorageError:
    return StorageError(
        f"{path}: the journal cannot be opened: {error}. Check the rights on the folder and the "
        "room on the disk; if the file is damaged, move it away (with its -wal file) and start "
        "again: the history keeps what it holds"
    )
