"""Operations on files that fail on demand: the k-th write, sync or rename of a kind.

Stands before the functions of `os` and the methods that `open` gives, for paths below one folder;
what does not fail is done. A write that fails has written half of what it was given, as a full disk
does. SQLite's own writes do not come here: see `tests/unit/journal/test_full_disk.py` for those.
"""

from __future__ import annotations

import errno
import os
import shutil
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

KINDS = ("open", "write", "fsync", "sync_folder", "rename", "link", "unlink", "mkdir")

ERRORS = (errno.ENOSPC, errno.EIO)


class Failing:
    """Counts operations by kind; the one numbered `at` of a kind, from 1, fails with an error.

    has_failed: whether it came to that. counts: how many there were of each kind.
    """

    def __init__(self, top: Path, kind: str = "", at: int = 0, error: int = 0) -> None:
        self._top = str(top)
        self._kind, self._at, self._error = kind, at, error
        self.counts: Counter[str] = Counter()
        self.has_failed = False

    def done(self, kind: str, path: object) -> None:
        """One operation is about to be done. Raises OSError when it is the one that fails."""
        if not str(path).startswith(self._top):
            return
        self.counts[kind] += 1
        if kind == self._kind and self.counts[kind] == self._at:
            self.has_failed = True
            raise OSError(self._error, os.strerror(self._error), str(path))

    @contextmanager
    def in_force(self) -> Iterator[None]:
        """For as long as the block runs."""
        with pytest.MonkeyPatch.context() as patch:
            self._patch(patch)
            yield

    def _patch(self, patch: pytest.MonkeyPatch) -> None:
        real_open, real_fsync = Path.open, os.fsync

        def opened(path: Path, mode: str = "r", *more: Any, **named: Any) -> Any:
            if not any(letter in mode for letter in "wax"):
                return real_open(path, mode, *more, **named)
            self.done("open", path)
            return _Written(real_open(path, mode, *more, **named), self, path)

        def synced(descriptor: int) -> None:
            path = Path(f"/proc/self/fd/{descriptor}").readlink()
            self.done("sync_folder" if path.is_dir() else "fsync", path)
            real_fsync(descriptor)

        patch.setattr(Path, "open", opened)
        patch.setattr(os, "fsync", synced)
        for kind, owner, name in (
            ("rename", os, "replace"),
            ("rename", os, "rename"),
            ("link", os, "link"),
            ("unlink", os, "unlink"),
            ("mkdir", os, "mkdir"),
        ):
            patch.setattr(owner, name, self._counted(kind, getattr(owner, name)))

    def _counted(self, kind: str, real: Callable[..., Any]) -> Callable[..., Any]:
        def counted(path: Any, *more: Any, **named: Any) -> Any:
            self.done(kind, path)
            return real(path, *more, **named)

        return counted


class _Written:
    """A file open for writing."""

    def __init__(self, file: Any, failing: Failing, path: Path) -> None:
        self._file, self._failing, self._path = file, failing, path

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)

    def __enter__(self) -> _Written:
        return self

    def __exit__(self, *failure: object) -> None:
        self._file.close()

    def write(self, data: Any) -> Any:
        try:
            self._failing.done("write", self._path)
        except OSError:
            self._file.write(data[: len(data) // 2])
            raise
        return self._file.write(data)


def copied(source: Path, target: Path) -> Path:
    """A whole folder anew, in the place of what was there."""
    if target.exists():
        shutil.rmtree(target)
    shutil.copytree(source, target)
    return target
