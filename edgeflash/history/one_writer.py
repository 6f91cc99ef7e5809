"""One process at a time writes in a folder.

Two gateways with one history folder would each write back what the other has just replaced: rows
whose position in the journal has moved on would be gone. The lock is on the folder itself, so that
nothing lies in it for that; it is freed when the process ends, however it does.
"""

from __future__ import annotations

import fcntl
import os
import threading
import weakref
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import structlog

from edgeflash.errors import StorageError

_log = structlog.get_logger(__name__)

_Place = tuple[int, int]


class FolderInUseError(StorageError):
    """Another process writes in this folder."""


class HeldFolder:
    """The right to write in a folder, for as long as this lives. place: device and inode."""

    def __init__(self, descriptor: int, place: _Place) -> None:
        self.place = place
        weakref.finalize(self, os.close, descriptor)


_held: weakref.WeakValueDictionary[_Place, HeldFolder] = weakref.WeakValueDictionary()
_turn = threading.Lock()


def held_folder(folder: Path, who: str) -> HeldFolder:
    """The right to write in this folder, which is made if it is not there.

    Within one process all share it: those who write in one folder there take turns by other means.
    who: the other one may be, for people. On a file system without locks nobody is kept off, which
    is logged. Raises FolderInUseError, or StorageError when the folder cannot be opened.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    except OSError as error:
        raise StorageError(f"{folder}: cannot be written: {error}") from error
    found = os.fstat(descriptor)
    place = (found.st_dev, found.st_ino)
    with _turn:
        held = _held.get(place)
        if held is not None:
            os.close(descriptor)
            return held
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            os.close(descriptor)
            raise FolderInUseError(
                f"{folder}: {who} writes in this folder; there must not be a second one"
            ) from error
        except OSError as error:
            # A network file system, most often.
            _log.warning("folder_cannot_be_locked", folder=str(folder), why=str(error))
        held = _held[place] = HeldFolder(descriptor, place)
        return held


@contextmanager
def alone_in(folder: Path, who: str) -> Iterator[None]:
    """Holds the right to write in a folder; see `held_folder`."""
    held = held_folder(folder, who)
    try:
        yield
    finally:
        del held


def is_held(held: HeldFolder, folder: Path) -> bool:
    """Whether it is still this folder that stands at the path."""
    try:
        found = folder.stat()
    except OSError:
        return False
    return held.place == (found.st_dev, found.st_ino)
