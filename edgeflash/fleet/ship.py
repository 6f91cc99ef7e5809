"""Sealed days from the history folder into the store, each row once, resumable at any point.

For each day: the data file, then its manifest, then the ledger. The manifest is what makes a part
be there; killed before it, the next pass finds the same file in place and does not send it again;
killed after it, the next pass finds the manifest, for each begins with a look for manifests that
the ledger does not know.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from edgeflash.errors import StorageError
from edgeflash.fleet.ledger import Cell, Ledger
from edgeflash.fleet.manifest import Manifest, ManifestError, data_path
from edgeflash.fleet.owners import PrefixOwnedError
from edgeflash.fleet.parts import DamagedPartError, MissingManifestError, manifests_after, read_part
from edgeflash.fleet.sealed import last_sealed_day
from edgeflash.fleet.store import Store
from edgeflash.fleet.tables import (
    changed_rows,
    content_digest,
    keys_checksum,
    newest,
    rows_by_day,
)
from edgeflash.history.files import read_whole_rows
from edgeflash.history.layout import Partition, partitions_in
from edgeflash.history.schema import AS_READ, TableName

_SCHEMA_VERSION_KEY = b"schema_version"


@dataclass(slots=True)
class ShipReport:
    """What one pass did.

    parts, rows, sent_bytes: shipped by it. waiting: days past whose rows are still in the journal.
    unreadable: files of the history that could not be read, with why. damaged: parts of the store
    that had to be sent again. through: the last day (ISO 8601) up to which nothing that is sealed
    lacks in the store.
    """

    parts: int = 0
    rows: int = 0
    sent_bytes: int = 0
    waiting: int = 0
    through: str = ""
    unreadable: list[str] = field(default_factory=list)
    damaged: list[str] = field(default_factory=list)


class Shipper:
    """Pass after pass over one history folder. The ledger must be held by this process alone."""

    def __init__(
        self,
        folder: Path,
        store: Store,
        ledger: Ledger,
        site: str,
        gateway: str,
        tables: Sequence[TableName] = tuple(TableName),
    ) -> None:
        self._folder = folder
        self._store = store
        self._ledger = ledger
        self._site = site
        self._gateway = gateway
        self._tables = tables
        self.report = ShipReport()
        self._read_serials: set[tuple[TableName, int]] = set()
        self._now = datetime.now(UTC)
        self._first_lacking = date.max

    def work(self, now: datetime, in_journal: set[Cell]) -> tuple[int, Iterator[Partition]]:
        """How many files have to be looked at, and the pass over them, one at a time.

        in_journal: see sealed.still_in_journal. Raises StoreError or StorageError, at once or in
        the pass; what was shipped until then stays shipped, and the next pass goes on. Or
        PrefixOwnedError in the pass, when another gateway ships here at the same time.
        """
        self.report = ShipReport()
        self._now = now
        self._read_serials.clear()
        for table in self._tables:
            self._learn(table)
        last = last_sealed_day(now)
        self._first_lacking = last + timedelta(days=1)
        files = [
            partition
            for table in self._tables
            for partition in partitions_in(self._folder, table)
            if partition.period <= last.isoformat()[: len(partition.period)]
            and self._ledger.file_signature(partition) != signature(self._folder, partition)
        ]
        files.sort(key=lambda p: (p.period, p))
        return len(files), self._each(files, last, in_journal)

    def doubt(self) -> None:
        """Lets the next pass ask the store for everything, and read every part it compares with."""
        for table in self._tables:
            self._ledger.forget(table)

    def read_the_others(self) -> Iterator[Manifest]:
        """Parts that the pass before had no rows to compare with: each read, damaged ones reported.

        The rows of such a damaged part are gone here, and cannot be sent again.
        """
        for table in self._tables:
            for manifest in self._ledger.manifests(table):
                if (table, manifest.serial) not in self._read_serials:
                    yield manifest
                    self._read(manifest)

    def _learn(self, table: TableName) -> None:
        """Takes in parts that are in the store and not in the ledger."""
        after = self._ledger.last_serial(table)
        for serial, found in manifests_after(self._store, self._site, table, after):
            if isinstance(found, MissingManifestError):
                continue  # what it held is not known to be in the store, and is sent again
            if isinstance(found, ManifestError):
                # Its serial is used, and what it held is not known: the rows are sent again.
                self.report.damaged.append(str(found))
                self._ledger.note(table, serial, None)
            else:
                self._ledger.note(table, serial, found)

    def _each(
        self, files: list[Partition], last: date, in_journal: set[Cell]
    ) -> Iterator[Partition]:
        for partition in files:
            yield partition
            before = signature(self._folder, partition)
            try:
                rows = read_whole_rows(self._folder, partition)
            except FileNotFoundError:
                continue  # retention took it, or the writer set it aside; both know what they do
            except StorageError as error:
                self.report.unreadable.append(str(error))
                self._lacks(date.fromisoformat(f"{partition.period}-01"[:10]))
                continue
            whole = True
            for day, of_day in rows_by_day(partition.table, rows):
                cell = Cell(partition.table, partition.analyzer, day)
                if day > last or cell in in_journal:
                    whole = False
                    if day <= last:
                        self.report.waiting += 1
                        self._lacks(day)
                    continue
                self._ship_day(cell, of_day)
            if whole:
                self._ledger.note_file(partition, before)
        self.report.through = (self._first_lacking - timedelta(days=1)).isoformat()

    def _lacks(self, day: date) -> None:
        self._first_lacking = min(self._first_lacking, day)

    def _ship_day(self, cell: Cell, rows: pa.Table) -> None:
        digest = content_digest(rows)
        if self._ledger.digest(cell) == digest:
            return
        parts = self._ledger.parts(cell)
        sound, damaged = list[pa.Table](), list[int]()
        for manifest in parts:
            held = self._read(manifest)
            if held is None:
                damaged.append(manifest.serial)
            else:
                sound.append(held)
        new = changed_rows(cell.table, rows, newest(cell.table, sound)) if sound else rows
        if len(new) or damaged:
            self._put(cell, new, len(parts) + 1, tuple(damaged))
        self._ledger.note_shipped(cell, digest)

    def _read(self, manifest: Manifest) -> pa.Table | None:
        self._read_serials.add((manifest.table, manifest.serial))
        try:
            return read_part(self._store, manifest)
        except DamagedPartError as error:
            if str(error) not in self.report.damaged:
                self.report.damaged.append(str(error))
            return None

    def _put(self, cell: Cell, rows: pa.Table, part: int, withdraws: tuple[int, ...]) -> None:
        serial = self._ledger.next_serial(cell.table)
        content = parquet_bytes(rows)
        sha256 = hashlib.sha256(content).hexdigest()
        path = data_path(self._site, cell.table, cell.analyzer, cell.day, serial, sha256)
        # The name holds the checksum: same name and size, same content.
        if self._store.size(path) != len(content):
            self._store.put(path, content)
            self.report.sent_bytes += len(content)
        manifest = Manifest(
            site=self._site,
            gateway=self._gateway,
            table=cell.table,
            serial=serial,
            analyzer=cell.analyzer,
            day=cell.day,
            part=part,
            rows=len(rows),
            keys_sha256=keys_checksum(cell.table, rows),
            sha256=sha256,
            size=len(content),
            schema_version=_schema_version(rows),
            made_at=self._now.isoformat(timespec="seconds"),
            withdraws=(*withdraws, *self._ledger.unreadable(cell.table)),
        )
        if self._store.size(manifest.path) is not None:
            # Each pass begins with all manifests that are there: this one came since.
            raise PrefixOwnedError(
                f"{self._store}: part {serial} of {cell.table} was shipped by another gateway "
                f"meanwhile: two ship as site '{self._site}', or one took over while this was "
                "shipping"
            )
        self._store.put(manifest.path, manifest.encoded())
        self._ledger.note(cell.table, serial, manifest)
        self.report.parts += 1
        self.report.rows += len(rows)


def owed_since(
    folder: Path, ledger: Ledger, tables: Sequence[TableName] = tuple(TableName)
) -> Mapping[TableName, date | None]:
    """For each table the day from which on the store may lack rows; None when it lacks none.

    Nothing from that day on may be deleted. To the day for files of a day, to the month for files
    of a month. Raises StorageError.
    """
    owed: dict[TableName, date | None] = {}
    for table in tables:
        periods = [
            partition.period
            for partition in partitions_in(folder, table)
            if ledger.file_signature(partition) != signature(folder, partition)
        ]
        owed[table] = date.fromisoformat(f"{min(periods)}-01"[:10]) if periods else None
    return owed


def signature(folder: Path, partition: Partition) -> str:
    """Changes with every replacement of the file; empty when it is not there."""
    try:
        found = partition.path(folder).stat()
    except FileNotFoundError:
        return ""
    except OSError as error:
        raise StorageError(f"{partition.path(folder)}: {error}") from error
    return f"{found.st_ino} {found.st_size} {found.st_mtime_ns}"


def parquet_bytes(rows: pa.Table) -> bytes:
    """The rows as a Parquet file; the same rows give the same bytes."""
    texts = [f.name for f in rows.schema if pa.types.is_string(f.type) and f.name != AS_READ]
    sink = pa.BufferOutputStream()
    pq.write_table(rows, sink, compression="zstd", use_dictionary=texts, store_schema=True)
    return bytes(memoryview(sink.getvalue()))


def _schema_version(rows: pa.Table) -> int:
    metadata = rows.schema.metadata or {}
    return int(metadata.get(_SCHEMA_VERSION_KEY, b"1"))
