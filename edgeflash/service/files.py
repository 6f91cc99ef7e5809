"""Small files that one user alone may read: written whole, or not at all."""

from __future__ import annotations

import fcntl
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from edgeflash.errors import StorageError

PRIVATE_FOLDER = 0o700
PRIVATE_FILE = 0o600


def private_folder(folder: Path) -> Path:
    """Makes the folder, and what is missing above it, for one user alone (0700).

    Made by root, it belongs to whom the folder above belongs: a command that root runs must leave
    nothing that the gateway's user cannot read. Raises StorageError.
    """
    try:
        for missing in reversed([f for f in (folder, *folder.parents) if not f.exists()]):
            missing.mkdir(mode=PRIVATE_FOLDER, exist_ok=True)
            _give_away(missing)
        if folder.stat().st_mode & 0o077:
            folder.chmod(PRIVATE_FOLDER)
    except OSError as error:
        raise StorageError(f"{folder}: cannot be made for this user alone ({error})") from error
    return folder


def write_private(path: Path, content: bytes) -> None:
    """Replaces the file with this content, readable by this user alone (0600), synced to disk.

    A reader sees the old file or the new one, also after a power cut. Raises StorageError.
    """
    private_folder(path.parent)
    beside: str | None = None
    try:
        descriptor, beside = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        with os.fdopen(descriptor, "wb") as file:
            os.fchmod(file.fileno(), PRIVATE_FILE)
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        _give_away(Path(beside))
        Path(beside).replace(path)
        _sync_folder(path.parent)
    except OSError as error:
        if beside is not None:
            Path(beside).unlink(missing_ok=True)
        raise StorageError(f"{path}: cannot be written ({error})") from error


@contextmanager
def locked(path: Path) -> Iterator[None]:
    """Holds the lock file beside `path`, so that two writers take turns. Raises StorageError."""
    private_folder(path.parent)
    lock = path.with_name(f".{path.name}.lock")
    try:
        descriptor = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, PRIVATE_FILE)
    except OSError as error:
        raise StorageError(f"{lock}: cannot be opened ({error})") from error
    try:
        _give_away(lock)
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


def _give_away(path: Path) -> None:
    """Lets a file that root has made belong to the owner of its folder."""
    if os.geteuid() == 0:
        above = path.parent.stat()
        os.chown(path, above.st_uid, above.st_gid)


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
