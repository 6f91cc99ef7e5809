"""A folder as a store: whole objects or none. Object storage: tests/peers/test_fleet_s3.py."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

import pytest

from edgeflash.errors import UsageError
from edgeflash.fleet.store import StoreError, open_store


def test_what_is_put_is_read(tmp_path: Path) -> None:
    """Under its name, with any characters; None and nothing where there is none."""
    store = open_store(f"file://{tmp_path}")
    assert store.read("a/b") is None
    assert store.size("a/b") is None
    assert store.names("a") == []
    store.put("a/ö b=%2F", b"one")
    store.put("a/c", b"")
    assert store.read("a/ö b=%2F") == b"one"
    assert store.size("a/c") == 0
    assert store.names("a") == ["c", "ö b=%2F"]
    assert store.names("") == ["a"]
    assert store.read("a/c/d") is None


def test_an_object_is_replaced_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full disk leaves the old one, and nothing half."""
    store = open_store(str(tmp_path))
    store.put("a", b"old")

    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("edgeflash.fleet.store.os.fsync", full)
    with pytest.raises(StoreError, match="No space left"):
        store.put("a", b"new")
    assert store.read("a") == b"old"
    assert [p for p in tmp_path.rglob("*") if p.is_file()] == [tmp_path / "a"]


def test_a_share_that_is_not_mounted_is_not_made(tmp_path: Path) -> None:
    """Else the local disk would fill with what nobody collects."""
    with pytest.raises(StoreError, match="make it, or mount it"):
        open_store(str(tmp_path / "share")).put("a", b"")
    assert not (tmp_path / "share").exists()


@pytest.mark.parametrize(
    ("url", "words"),
    [
        ("s3://key:secret@bucket/x", "keys do not belong in the URL"),
        ("s3:///x", "names no bucket"),
        ("ftp://host/x", "unknown kind of store"),
    ],
)
def test_a_url_that_cannot_be(url: str, words: str) -> None:
    """Said, and no key is repeated."""
    with pytest.raises(UsageError, match=words) as caught:
        open_store(url)
    assert "secret" not in str(caught.value)


def test_a_share_that_goes_in_between_is_noticed(tmp_path: Path) -> None:
    """What is left is the mount point, an empty folder."""
    place = tmp_path / "share"
    place.mkdir()
    store = open_store(str(place))
    store.put("a", b"1")
    place.rename(tmp_path / "gone")
    place.mkdir()
    with pytest.raises(StoreError, match="unmounted"):
        store.put("b", b"2")
    assert not list(place.iterdir())


def test_a_share_without_sync_of_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It refuses that as an invalid argument; files are synced all the same."""
    synced = list[bool]()
    fsync = os.fsync

    def refusing(descriptor: int) -> None:
        is_folder = stat.S_ISDIR(os.fstat(descriptor).st_mode)
        synced.append(not is_folder)
        if is_folder:
            raise OSError(errno.EINVAL, "Invalid argument")
        fsync(descriptor)

    monkeypatch.setattr(os, "fsync", refusing)
    store = open_store(str(tmp_path))
    store.put("x/y/a", b"1")
    assert store.read("x/y/a") == b"1"
    assert any(synced)
