"""A disk without room: the journal says so, keeps what it has, and goes on when there is room."""

from __future__ import annotations

import ctypes
import os
import resource
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from edgeflash.errors import StorageError
from edgeflash.history.backup import back_up
from edgeflash.journal import Journal
from edgeflash.journal.digest import result_digest
from edgeflash.journal.ledger import FileNote, Tally
from edgeflash.journal.ledger_reading import ledger_page
from edgeflash.model import Result, Trace, TraceSource
from tests.unit.journal.samples import sample_result

_libc = ctypes.CDLL(None, use_errno=True)

Room = Callable[[], None]
"""Gives the disk room again."""


def big_result(number: int) -> Result:
    """A result of some 50 kB on disk: noise does not compress."""
    noise = np.random.default_rng(number).random((3, 2000))
    return sample_result(number, trace=Trace(TraceSource.BLOCK, *noise))


@contextmanager
def small_tmpfs(folder: Path) -> Iterator[Room]:
    """A file system of 2 MiB (root only): writes fail with ENOSPC."""
    if _libc.mount(b"tmpfs", os.fsencode(folder), b"tmpfs", 0, b"size=2m") != 0:
        raise OSError(ctypes.get_errno(), "mount")
    try:
        yield lambda: _remount(folder)
    finally:
        _libc.umount2(os.fsencode(folder), 2)


def _remount(folder: Path) -> None:
    remount = 32
    assert _libc.mount(b"tmpfs", os.fsencode(folder), b"tmpfs", remount, b"size=64m") == 0


@contextmanager
def small_files(folder: Path) -> Iterator[Room]:
    """No file of this process may grow beyond 2 MiB: writes fail with EFBIG."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (2 * 1024 * 1024, hard))
    try:
        yield lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def _may_mount(probe: Path) -> bool:
    try:
        with small_tmpfs(probe):
            return True
    except OSError:
        return False


def _kinds() -> list[Callable[[Path], object]]:
    import tempfile

    with tempfile.TemporaryDirectory() as probe:
        return [small_files, small_tmpfs] if _may_mount(Path(probe)) else [small_files]


@pytest.mark.parametrize("small", _kinds())
def test_a_full_disk_loses_nothing_and_heals(
    small: Callable[[Path], object], tmp_path: Path
) -> None:
    """Appends fail with StorageError while there is no room; what was acknowledged is kept; when
    room returns the same results go in, and nothing is there twice."""
    folder = tmp_path / "disk"
    folder.mkdir()
    with small(folder) as room:
        with Journal.open(folder / "journal.sqlite3") as journal:
            stored, refused = [], None
            for number in range(200):
                try:
                    assert journal.append(big_result(number)).result(30)
                    stored.append(number)
                except StorageError as error:
                    refused = (number, str(error))
                    break
            assert refused is not None
            assert str(folder / "journal.sqlite3") in refused[1]
            assert len(stored) > 5
            several = [journal.append(big_result(n)) for n in range(500, 510)]
            assert all(isinstance(d.exception(30), StorageError) for d in several)
            assert stored == numbers(journal)
            assert journal.latest("fp-101") is not None

            room()
            assert journal.append(big_result(refused[0])).result(30)
            assert all(journal.append(big_result(n)).result(30) for n in range(500, 510))
            assert journal.append(big_result(stored[0])).result(30) is False
            expected = [*stored, refused[0], *range(500, 510)]
            assert expected == numbers(journal)
        with Journal.open(folder / "journal.sqlite3") as journal:
            assert expected == numbers(journal)


@pytest.mark.parametrize("small", _kinds())
@pytest.mark.parametrize("has_states", [True, False])
def test_a_journal_opens_on_a_full_disk(
    small: Callable[[Path], object], has_states: bool, tmp_path: Path
) -> None:
    """A restart without room still gives the last value to the outlets.

    Also from a journal of before there was a table of states, for which a new one needs room.
    """
    folder = tmp_path / "disk"
    folder.mkdir()
    path = folder / "journal.sqlite3"
    with small(folder):
        with Journal.open(path) as journal:
            assert journal.append(big_result(4)).result(30)
        if not has_states:
            with closing(sqlite3.connect(path)) as before:
                before.execute("DROP TABLE states")
        filler = folder / "filler"
        with suppress(OSError), filler.open("wb", buffering=0) as file:
            while True:
                file.write(bytes(4096))
        with Journal.open(path) as journal:
            assert journal.last_accepted("fp-101") == big_result(4)


def numbers(journal: Journal) -> list[int]:
    return [e.result.cycle.cycle_number for e in journal.entries_after(0, 1000)]


@pytest.mark.parametrize("small", _kinds())
def test_the_ledger_counts_what_is_stored_and_no_more(
    small: Callable[[Path], object], tmp_path: Path
) -> None:
    """SQLite's own writes fail: what was refused is not counted, what was stored is."""
    folder = tmp_path / "disk"
    folder.mkdir()
    with small(folder) as room, Journal.open(folder / "journal.sqlite3") as journal:
        for number in range(200):
            if journal.append(big_result(number)).exception(30) is not None:
                break
        with suppress(StorageError):
            journal.note_file(FileNote("results", "fp-101", "2026-05", "aa", 1, 1))
        room()
        assert all(journal.append(big_result(n)).result(30) for n in range(500, 503))
        counted = Tally()
        for period in ("2026-04", "2026-05"):
            for tally in ledger_page(journal, "results", "fp-101", period, "history").days.values():
                counted += tally
        stored = Tally()
        for entry in journal.entries_after(0, 1000):
            stored += Tally(1, result_digest(entry.result))
        assert counted == stored
        assert counted.rows > 5


@pytest.mark.parametrize("small", _kinds())
def test_a_backup_on_a_full_disk_leaves_nothing(
    small: Callable[[Path], object], tmp_path: Path
) -> None:
    """Neither files nor the copy of the journal, of which SQLite writes the pages."""
    folder = tmp_path / "disk"
    folder.mkdir()
    now = datetime(2026, 5, 2, tzinfo=UTC)
    with Journal.open(tmp_path / "state" / "journal.sqlite3") as journal:
        assert all(journal.append(big_result(n)).result(30) for n in range(120))
        with small(folder) as room:
            with pytest.raises(StorageError, match="journal cannot be copied"):
                back_up(tmp_path / "history", journal, folder / "backups", now)
            assert list((folder / "backups").iterdir()) == []
            room()
            made = back_up(tmp_path / "history", journal, folder / "backups", now)
            assert list((folder / "backups").iterdir()) == [made.folder]
