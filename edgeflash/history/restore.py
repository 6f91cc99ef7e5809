"""A backup put back into empty folders, with every sum checked.

The journal comes last: as long as it is not there, nothing has been restored. No gateway can start
on it meanwhile.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from edgeflash.errors import StorageError, UsageError
from edgeflash.history.backup import HISTORY, copy_file, digest_of
from edgeflash.history.files import sync_folder
from edgeflash.history.findings import Report
from edgeflash.history.manifest import Manifest, load_manifest
from edgeflash.history.verify import Progress, no_progress, verify
from edgeflash.journal import JOURNAL_NAME, JournalReader
from edgeflash.journal.lock import JournalInUseError, only_writer


@dataclass(frozen=True, slots=True)
class RestoreReport:
    """manifest: of the backup. left_out: files that were damaged in it, and were not restored.
    found: what verification says of what is there now."""

    manifest: Manifest
    left_out: tuple[str, ...]
    found: Report


def restore(
    backup: Path,
    state: Path,
    history: Path,
    leave_out_damaged: bool = False,
    on_progress: Progress = no_progress,
) -> RestoreReport:
    """Puts a backup back, then verifies what is there.

    state: the folder of the journal, which must have none. history: must be empty or missing.
    leave_out_damaged: goes on without files of the history that are damaged in the backup.
    Raises UsageError when the folders are in use, StorageError when the backup is damaged or a
    disk refuses; then empty the folders and begin again.
    """
    manifest = load_manifest(backup)
    _refuse_in_use(state, history)
    damaged = _damaged(backup, manifest, on_progress)
    if damaged and (not leave_out_damaged or JOURNAL_NAME in damaged):
        shown = ", ".join(damaged[:5]) + (", …" if len(damaged) > 5 else "")
        raise StorageError(
            f"{backup}: {len(damaged)} files of this backup are damaged or missing: {shown}. "
            "Nothing was restored; take another backup"
        )
    with _gateway_kept_off(state):
        _refuse_in_use(state, history)  # a gateway may have begun and ended meanwhile
        _put_back(backup, manifest, damaged, state, history, on_progress)
        with JournalReader(state / JOURNAL_NAME) as journal:
            return RestoreReport(manifest, tuple(damaged), verify(history, journal, on_progress))


def _put_back(
    backup: Path,
    manifest: Manifest,
    damaged: Collection[str],
    state: Path,
    history: Path,
    on_progress: Progress,
) -> None:
    names = [n for n in manifest.files if n != JOURNAL_NAME and n not in damaged]
    try:
        for done, name in enumerate(names):
            on_progress("restore", done, len(names))
            target = history / Path(name).relative_to(HISTORY)
            target.parent.mkdir(parents=True, exist_ok=True)
            _copied(backup / name, target, manifest.files[name])
        history.mkdir(parents=True, exist_ok=True)
        for top, _, _ in os.walk(history, topdown=False):
            sync_folder(Path(top))
        pending = state / f"{JOURNAL_NAME}.restoring"
        _copied(backup / JOURNAL_NAME, pending, manifest.files[JOURNAL_NAME])
        pending.rename(state / JOURNAL_NAME)
        sync_folder(state)
    except OSError as error:
        raise StorageError(
            f"{backup}: cannot be restored: {error}. Empty {history} before you try again"
        ) from error


@contextmanager
def _gateway_kept_off(state: Path) -> Iterator[None]:
    """A service manager may start the gateway at any moment; it would begin a journal of its own.

    Raises UsageError when one runs.
    """
    try:
        lock = only_writer(state / JOURNAL_NAME)
    except JournalInUseError as error:
        raise UsageError(f"{error}; a restore puts nothing below a running gateway") from error
    with lock:
        yield


def check_backup(backup: Path, on_progress: Progress = no_progress) -> list[str]:
    """Files of a backup that are damaged or missing. Raises StorageError when it is none."""
    return _damaged(backup, load_manifest(backup), on_progress)


def _damaged(backup: Path, manifest: Manifest, on_progress: Progress) -> list[str]:
    damaged = []
    for done, (name, wanted) in enumerate(manifest.files.items()):
        on_progress("check", done, len(manifest.files))
        try:
            if digest_of(backup / name) != wanted:
                damaged.append(name)
        except OSError:
            damaged.append(name)
    if JOURNAL_NAME not in manifest.files:
        raise StorageError(f"{backup}: this backup has no journal")
    return damaged


def _refuse_in_use(state: Path, history: Path) -> None:
    for name in (JOURNAL_NAME, f"{JOURNAL_NAME}-wal"):
        if (state / name).exists():
            raise UsageError(
                f"{state / name} is there: stop the gateway and move its journal (with -wal and "
                "-shm) away first; a restore puts nothing in its place"
            )
    if history.exists() and (not history.is_dir() or any(history.iterdir())):
        raise UsageError(f"{history} is not empty: move it away first")


def _copied(source: Path, target: Path, wanted: tuple[str, int]) -> None:
    if copy_file(source, target) != wanted:
        raise OSError(f"{source} has changed while it was restored")
