"""What a gateway knows of its own shipping, in its state folder.

The manifests in the store are the ledger proper: what has one is shipped, whoever remembers it.
This file only spares asking for them again, ten years of them at every pass. Lost or older than the
store, it costs requests, never a row twice.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Self

from edgeflash.errors import StorageError
from edgeflash.fleet.manifest import Manifest, decoded
from edgeflash.history.layout import Partition
from edgeflash.history.schema import TableName

LEDGER_NAME = "ship.sqlite3"

_CREATE = """
CREATE TABLE IF NOT EXISTS parts (store TEXT, tbl TEXT, serial INTEGER, analyzer TEXT, day TEXT,
    manifest BLOB, PRIMARY KEY (store, tbl, serial)) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS parts_by_day ON parts (store, tbl, analyzer, day);
CREATE TABLE IF NOT EXISTS days (store TEXT, tbl TEXT, analyzer TEXT, day TEXT, digest TEXT,
    PRIMARY KEY (store, tbl, analyzer, day)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS used (store TEXT, tbl TEXT, serial INTEGER,
    PRIMARY KEY (store, tbl)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS files (store TEXT, tbl TEXT, analyzer TEXT, period TEXT, signature TEXT,
    PRIMARY KEY (store, tbl, analyzer, period)) WITHOUT ROWID;
"""


@dataclass(frozen=True, slots=True)
class Cell:
    """What one part belongs to: a table, an analyzer, a UTC day."""

    table: TableName
    analyzer: str
    day: date


class Ledger:
    """The memory of shipping to one store. For one thread."""

    def __init__(self, path: Path, store_url: str, site: str) -> None:
        """Raises StorageError when the file cannot be opened or is damaged."""
        self.path = path
        self._store = f"{store_url.rstrip('/')} {site}"
        self._site = site
        with self._refusals():
            self._db = sqlite3.connect(path, isolation_level=None, timeout=30.0)
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.executescript(_CREATE)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Ends the use."""
        self._db.close()

    def last_serial(self, table: TableName) -> int:
        """The serial of the last part that is known; 0 without one."""
        found = self._all(
            "SELECT max(serial) FROM parts WHERE store = ? AND tbl = ?", self._store, table.value
        )
        return found[0][0] or 0

    def next_serial(self, table: TableName) -> int:
        """A serial that no part has had, as far as was ever known; see `forget`."""
        found = self._all(
            "SELECT serial FROM used WHERE store = ? AND tbl = ?", self._store, table.value
        )
        return max(self.last_serial(table), found[0][0] if found else 0) + 1

    def note(self, table: TableName, serial: int, manifest: Manifest | None) -> None:
        """Remembers a part of the store; None: its manifest cannot be read, the serial is used."""
        place = ("", "") if manifest is None else (manifest.analyzer, manifest.day.isoformat())
        content = None if manifest is None else manifest.encoded()
        with self._refusals():
            self._db.execute(
                "INSERT OR REPLACE INTO parts VALUES (?, ?, ?, ?, ?, ?)",
                (self._store, table.value, serial, *place, content),
            )

    def parts(self, cell: Cell) -> list[Manifest]:
        """The parts of a day that are in the store and not withdrawn, oldest first."""
        rows = self._all(
            "SELECT serial, manifest FROM parts WHERE store = ? AND tbl = ? AND analyzer = ? "
            "AND day = ? ORDER BY serial",
            *self._place(cell),
        )
        return _standing([decoded(m, self._site, cell.table, serial) for serial, m in rows])

    def manifests(self, table: TableName) -> Iterator[Manifest]:
        """All parts of the table, by serial."""
        rows = self._all(
            "SELECT serial, manifest FROM parts WHERE store = ? AND tbl = ? AND manifest NOTNULL "
            "ORDER BY serial",
            self._store,
            table.value,
        )
        return (decoded(content, self._site, table, serial) for serial, content in rows)

    def digest(self, cell: Cell) -> str:
        """Of the rows of the day when all of them were in the store; empty when never."""
        found = self._all(
            "SELECT digest FROM days WHERE store = ? AND tbl = ? AND analyzer = ? AND day = ?",
            *self._place(cell),
        )
        return str(found[0][0]) if found else ""

    def note_shipped(self, cell: Cell, digest: str) -> None:
        """Remembers that these rows of the day are in the store."""
        with self._refusals():
            self._db.execute(
                "INSERT OR REPLACE INTO days VALUES (?, ?, ?, ?, ?)", (*self._place(cell), digest)
            )

    def file_signature(self, partition: Partition) -> str:
        """What the file looked like when all of its rows were in the store; empty when never."""
        found = self._all(
            "SELECT signature FROM files WHERE store = ? AND tbl = ? AND analyzer = ? "
            "AND period = ?",
            *self._file(partition),
        )
        return str(found[0][0]) if found else ""

    def note_file(self, partition: Partition, signature: str) -> None:
        """Remembers that every row of the file, as it looks so, is in the store."""
        with self._refusals():
            self._db.execute(
                "INSERT OR REPLACE INTO files VALUES (?, ?, ?, ?, ?)",
                (*self._file(partition), signature),
            )

    def forget(self, table: TableName) -> None:
        """Forgets what is in the store, for it to be asked again.

        Not which serials were used: collectors take none again, whatever became of its part.
        """
        last = self.next_serial(table) - 1
        with self._refusals():
            self._db.execute(
                "INSERT OR REPLACE INTO used VALUES (?, ?, ?)", (self._store, table.value, last)
            )
            for name in ("parts", "days", "files"):
                self._db.execute(
                    f"DELETE FROM {name} WHERE store = ? AND tbl = ?", (self._store, table.value)
                )

    def unreadable(self, table: TableName) -> tuple[int, ...]:
        """Serials whose manifests cannot be read, and that no part has withdrawn yet."""
        rows = self._all(
            "SELECT serial FROM parts WHERE store = ? AND tbl = ? AND manifest ISNULL "
            "ORDER BY serial",
            self._store,
            table.value,
        )
        withdrawn = {serial for part in self.manifests(table) for serial in part.withdraws}
        return tuple(serial for (serial,) in rows if serial not in withdrawn)

    def _place(self, cell: Cell) -> tuple[str, str, str, str]:
        return (self._store, cell.table.value, cell.analyzer, cell.day.isoformat())

    def _file(self, partition: Partition) -> tuple[str, str, str, str]:
        return (self._store, partition.table.value, partition.analyzer, partition.period)

    def _all(self, sql: str, *values: str) -> list[Any]:
        with self._refusals():
            return self._db.execute(sql, values).fetchall()

    @contextmanager
    def _refusals(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise StorageError(
                f"{self.path}: {error}. If the file is damaged, delete it: the store is asked again"
            ) from error


def _standing(parts: list[Manifest]) -> list[Manifest]:
    gone = {serial for part in parts for serial in part.withdraws}
    return [part for part in parts if part.serial not in gone]
