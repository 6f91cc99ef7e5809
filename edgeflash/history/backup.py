"""A copy of journal and history that fits together, made while a gateway writes.

The files first, the journal last: so every row of a file is in the journal's ledger. In the copy of
the journal the history's positions are set back to where they stood before the files were read:
what came to the files later is still in the journal then, and comes to them again after a restore.
Nothing is ever there twice, for a row that a file holds is known by its key.

A folder of backups is `STAMP/` for each, with `manifest.json`, `SHA256SUMS`, `journal.sqlite3` and
`history/`. A file that the backup before has in the same bytes is a second name of that one; its
bytes there are read again first, for a disk may have spoiled them since.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

import pyarrow.parquet as pq

from edgeflash import __version__
from edgeflash.errors import StorageError, UsageError
from edgeflash.history.files import sync_folder
from edgeflash.history.journal_rows import CONSUMERS, feed_of
from edgeflash.history.layout import Partition, partitions_in
from edgeflash.history.manifest import FORMAT, Manifest, load_manifest, save_manifest
from edgeflash.history.one_writer import alone_in
from edgeflash.history.retired import FILE_NAME, RETENTION_FOLDER
from edgeflash.history.schema import TableName
from edgeflash.history.verify import Progress, no_progress
from edgeflash.journal import JOURNAL_NAME, JournalReader
from edgeflash.journal.copying import copy_journal
from edgeflash.journal.ledger import FileNote
from edgeflash.journal.ledger_reading import ledger_page, ledger_state, noted_files

HISTORY = "history"
_STAMP = "[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]T[0-9][0-9][0-9][0-9][0-9][0-9]Z"
_ATTEMPTS = 5
_REPLACED = 100
_CHUNK_BYTES = 1024 * 1024


@dataclass(frozen=True, slots=True)
class BackupReport:
    """folder: of this backup. copied, linked: files written anew, and shared with the backup
    before. doubtful: files of the history that are not as the gateway wrote them; they are in the
    backup as they are."""

    folder: Path
    files: int
    bytes: int
    copied: int
    linked: int
    doubtful: tuple[str, ...]


def back_up(
    history: Path,
    journal: JournalReader,
    target: Path,
    now: datetime,
    on_progress: Progress = no_progress,
) -> BackupReport:
    """Makes one backup below the target folder. The folder has its name only once it is whole.

    Raises StorageError when a disk refuses, or while another backup is made there; nothing is left
    of a backup that was broken off but a folder that the next one deletes. Raises UsageError for a
    target inside what is backed up.
    """
    if target.resolve().is_relative_to(history.resolve()):
        raise UsageError(f"{target}: a backup cannot be inside the history")
    name = now.strftime("%Y-%m-%dT%H%M%SZ")
    pending, final = target / f".{name}.pending", target / name
    if final.exists():
        raise UsageError(f"{final}: there is a backup of this second already")
    # A second one would take the first one's folder for broken off.
    with alone_in(target, "another backup"):
        return _made(history, journal, pending, final, now, on_progress)


def _made(
    history: Path,
    journal: JournalReader,
    pending: Path,
    final: Path,
    now: datetime,
    on_progress: Progress,
) -> BackupReport:
    target = final.parent
    try:
        _delete_broken_off(target)
        before = newest(target)
        for _ in range(_ATTEMPTS):
            pending.mkdir()
            work = _Backup(history, journal, pending, before)
            if work.run(on_progress):
                manifest = work.finished(now)
                pending.rename(final)
                sync_folder(target)
                return work.report(final, manifest)
            shutil.rmtree(pending)
    except OSError as error:
        with suppress(OSError):
            shutil.rmtree(pending)
        raise StorageError(f"{final}: the backup cannot be made: {error}") from error
    except BaseException:
        with suppress(OSError):
            shutil.rmtree(pending)
        raise
    raise StorageError(f"{final}: rows left the journal at each attempt; try again")


def newest(target: Path) -> Path | None:
    """The last whole backup of a folder of backups; None when there is none."""
    found = [p for p in target.glob(_STAMP) if (p / "manifest.json").is_file()]
    return max(found, default=None)


@dataclass(slots=True)
class _Backup:
    """One attempt."""

    history: Path
    journal: JournalReader
    pending: Path
    before: Path | None
    sums: dict[str, tuple[str, int]] = field(default_factory=dict)
    notes: list[FileNote] = field(default_factory=list)
    doubtful: list[str] = field(default_factory=list)
    copied: int = 0
    linked: int = 0

    def run(self, on_progress: Progress) -> bool:
        """Copies everything; False when rows were trimmed between files and journal, which then
        may be in neither."""
        known = _known(self.before)
        noted = noted_files(self.journal)
        positions = {f: self.journal.position(c) for f, c in CONSUMERS.items()}
        trimmed = {f: ledger_state(self.journal, f).trimmed_to for f in CONSUMERS}
        partitions = [p for t in TableName for p in partitions_in(self.history, t)]
        for done, partition in enumerate(partitions):
            on_progress("backup", done, len(partitions) + 1)
            with suppress(FileNotFoundError):  # deleted as old, or set aside
                self._copy_partition(partition, known)
        self._keep_notes_of_missing(noted)
        with suppress(FileNotFoundError):
            inside = Path(RETENTION_FOLDER) / FILE_NAME
            with (self.history / inside).open("rb") as held:
                self._copy(held, inside, known)
        copy = self.pending / JOURNAL_NAME
        # No file has rows that this does not: it is copied after them.
        copy_journal(
            self.journal, copy, {c: positions[f] for f, c in CONSUMERS.items()}, self.notes
        )
        self.sums[JOURNAL_NAME] = digest_of(copy)
        on_progress("backup", len(partitions) + 1, len(partitions) + 1)
        with JournalReader(copy) as there:
            now = {f: ledger_state(there, f).trimmed_to for f in CONSUMERS}
        return all(now[f] == trimmed[f] or now[f] <= positions[f] for f in CONSUMERS)

    def finished(self, now: datetime) -> Manifest:
        """Writes the manifest, and makes everything durable. Raises OSError when a file is gone."""
        for name, (_, size) in self.sums.items():
            if (self.pending / name).stat().st_size != size:
                raise OSError(f"{name} was changed by another program")
        with JournalReader(self.pending / JOURNAL_NAME) as there:
            manifest = Manifest(
                format=FORMAT,
                made_at=now,
                edgeflash=__version__,
                journal_begun_at=there.begun_at(),
                results=there.last_seq(),
                files=dict(sorted(self.sums.items())),
                doubtful=tuple(self.doubtful),
            )
        save_manifest(self.pending, manifest)
        for top, _, _ in os.walk(self.pending, topdown=False):
            sync_folder(Path(top))
        return manifest

    def report(self, folder: Path, manifest: Manifest) -> BackupReport:
        """What was done."""
        total = sum(size for _, size in manifest.files.values())
        return BackupReport(
            folder, len(manifest.files), total, self.copied, self.linked, manifest.doubtful
        )

    def _copy_partition(self, partition: Partition, known: Mapping[str, tuple[str, int]]) -> None:
        path = partition.path(self.history)
        inside = path.relative_to(self.history)
        for _ in range(_REPLACED):
            with path.open("rb") as held:
                noted = self._noted(partition)
                # Else it may have been replaced before the ledger was asked, and be struck out.
                if os.path.samestat(os.fstat(held.fileno()), path.stat()):
                    sha256, size = self._copy(held, inside, known)
                    break
        else:
            raise OSError(f"{path}: it is replaced again and again")
        if not noted:
            return
        if sha256 not in {n.sha256 for n in noted}:
            # In the copy too it shall be seen that this is not what was written.
            self.doubtful.append(str(inside))
            self.notes += noted
            return
        with pq.ParquetFile(self.pending / HISTORY / inside) as parquet:
            rows = parquet.metadata.num_rows
        place = (partition.table.value, partition.analyzer, partition.period)
        self.notes.append(FileNote(*place, sha256, size, rows))

    def _keep_notes_of_missing(self, noted: Sequence[tuple[str, str, str]]) -> None:
        """In the copy too it shall be seen that a file is gone. noted: before any was copied."""
        for table, analyzer, period in noted:
            with suppress(ValueError):  # a table of a newer edgeflash
                partition = Partition(TableName(table), analyzer, period)
                name = str(Path(HISTORY) / partition.path(Path()))
                if name not in self.sums:
                    self.notes += self._noted(partition)

    def _noted(self, partition: Partition) -> list[FileNote]:
        consumer = CONSUMERS.get(feed_of(partition.table), "")
        page = ledger_page(
            self.journal, partition.table.value, partition.analyzer, partition.period, consumer
        )
        return list(page.fingerprints)

    def _copy(
        self, held: BinaryIO, inside: Path, known: Mapping[str, tuple[str, int]]
    ) -> tuple[str, int]:
        """Copies a file of the history, or gives the one of the backup before a second name."""
        name = str(Path(HISTORY) / inside)
        target = self.pending / name
        target.parent.mkdir(parents=True, exist_ok=True)
        found = copy_open_file(held, target)
        self.sums[name] = found
        if self.before is not None and known.get(name) == found:
            shared = target.with_name(f".{target.name}")
            with suppress(OSError):  # gone meanwhile, or a file system without hard links
                os.link(self.before / name, shared)
                if digest_of(shared) == found:
                    shared.replace(target)
                    self.linked += 1
                    return found
            shared.unlink(missing_ok=True)
        self.copied += 1
        return found


def copy_file(source: Path, target: Path) -> tuple[str, int]:
    """Copies one file, synced; its SHA-256 and size. Raises OSError."""
    with source.open("rb") as held:
        return copy_open_file(held, target)


def copy_open_file(held: BinaryIO, target: Path) -> tuple[str, int]:
    """As `copy_file`, of a file that may have been replaced since it was opened."""
    digest, size = hashlib.sha256(), 0
    with target.open("wb") as made:
        while chunk := held.read(_CHUNK_BYTES):
            digest.update(chunk)
            size += len(chunk)
            made.write(chunk)
        made.flush()
        os.fsync(made.fileno())
    return digest.hexdigest(), size


def digest_of(path: Path) -> tuple[str, int]:
    """SHA-256 and size of a file. Raises OSError."""
    with path.open("rb") as file:
        sha256 = hashlib.file_digest(file, "sha256").hexdigest()
        return sha256, file.tell()


def _known(before: Path | None) -> Mapping[str, tuple[str, int]]:
    if before is None:
        return {}
    try:
        return load_manifest(before).files
    except StorageError:
        return {}


def _delete_broken_off(target: Path) -> None:
    for left in target.glob(f".{_STAMP}.pending"):
        shutil.rmtree(left)
