"""Private files: rights, whole replacement, turns."""

from __future__ import annotations

import os
import stat
import threading
from pathlib import Path

import pytest

from edgeflash.errors import StorageError
from edgeflash.service.files import locked, private_folder, write_private


def test_rights_do_not_depend_on_the_umask_or_on_before(tmp_path: Path) -> None:
    """0600 and 0700, also where a loose file and folder were."""
    folder = tmp_path / "a" / "b"
    folder.mkdir(parents=True, mode=0o777)
    folder.chmod(0o777)
    path = folder / "secret"
    path.write_bytes(b"old")
    path.chmod(0o666)
    write_private(path, b"new")
    assert path.read_bytes() == b"new"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert [p.name for p in folder.iterdir()] == ["secret"]


@pytest.mark.skipif(os.geteuid() != 0, reason="only root gives files away")
def test_what_root_makes_belongs_to_the_folders_owner(tmp_path: Path) -> None:
    """A command that root runs leaves nothing that the gateway's user cannot read."""
    state = tmp_path / "state"
    state.mkdir()
    os.chown(state, 4321, 4322)
    write_private(state / "keys" / "own" / "key.pem", b"x")
    with locked(state / "users.json"):
        pass
    owners = {(p.stat().st_uid, p.stat().st_gid) for p in state.rglob("*")}
    assert owners == {(4321, 4322)}


def test_what_cannot_be_written_is_named(tmp_path: Path) -> None:
    """A file where a folder should be; nothing is left beside it."""
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(StorageError, match="file"):
        private_folder(tmp_path / "file" / "below")
    (tmp_path / "folder").mkdir()
    with pytest.raises(StorageError, match="folder"):
        write_private(tmp_path / "folder", b"x")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["file", "folder"]


def test_locks_take_turns(tmp_path: Path) -> None:
    """One at a time between threads, each with a descriptor of its own, as between processes."""
    inside, most, guard = 0, 0, threading.Lock()

    def work() -> None:
        nonlocal inside, most
        for _ in range(50):
            with locked(tmp_path / "users.json"):
                with guard:
                    inside += 1
                    most = max(most, inside)
                with guard:
                    inside -= 1

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30.0)
    assert (inside, most) == (0, 1)
