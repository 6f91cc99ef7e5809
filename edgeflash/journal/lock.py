"""One gateway per journal."""

from __future__ import annotations

import fcntl
import os
from contextlib import suppress
from pathlib import Path
from typing import IO

from edgeflash.errors import StorageError


class JournalInUseError(StorageError):
    """A gateway has the journal; there must not be a second writer."""


def only_writer(path: Path) -> IO[bytes]:
    """Holds the lock that keeps a second gateway off this journal; freed when the process ends."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        lock_file = path.with_name(path.name + ".lock").open("a+b", buffering=0)
    except OSError as error:
        raise StorageError(f"{path}: the journal's folder cannot be written: {error}") from error
    try:
        fcntl.flock(lock_file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        lock_file.seek(0)
        holder = lock_file.read().decode("ascii", "replace") or "unknown"
        lock_file.close()
        raise JournalInUseError(
            f"{path}: another gateway uses this journal (process {holder}); stop it first"
        ) from error
    except OSError as error:
        lock_file.close()
        raise StorageError(f"{path}: the journal cannot be locked: {error}") from error
    # Only a help for people: on a full disk the lock holds without it.
    with suppress(OSError):
        lock_file.truncate(0)
        lock_file.write(str(os.getpid()).encode("ascii"))
    return lock_file
