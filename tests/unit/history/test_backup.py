"""Backup and restore: what comes back is whole, fits together, and goes on."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import BinaryIO

import pytest

from edgeflash.errors import StorageError, UsageError
from edgeflash.history import HistoryWriter, read_results, read_traces
from edgeflash.history.backup import back_up
from edgeflash.history.findings import Problem
from edgeflash.history.restore import check_backup, restore
from edgeflash.history.verify import verify
from edgeflash.journal import JOURNAL_NAME, Journal
from edgeflash.journal.lock import JournalInUseError, only_writer
from edgeflash.model import LabResult, LabStatus
from tests.unit.history.made_history import another_process_in, flipped, store
from tests.unit.journal.samples import sample_result

NOW = datetime(2026, 5, 2, 6, tzinfo=UTC)
MAY = "history/results/an=fp-101/month=2026-05/results.parquet"


@pytest.fixture
def state(tmp_path: Path) -> Path:
    return tmp_path / "state"


@pytest.fixture
def journal(state: Path) -> Iterator[Journal]:
    """40 results in the files and 10 in the journal only."""
    with Journal.open(state / JOURNAL_NAME) as opened:
        store(opened, *(sample_result(n) for n in range(20, 60)))
        HistoryWriter(opened, state / "history").flush()
        store(opened, *(sample_result(n) for n in range(60, 70)))
        yield opened


def numbers(history: Path, journal: Journal | None = None) -> list[int]:
    found: list[int] = read_results(history, journal)["cycle_number"].to_pylist()
    assert read_traces(history, journal)["cycle_number"].to_pylist() == found
    return found


def test_a_restored_gateway_goes_on_where_the_backup_was_made(
    journal: Journal, state: Path, tmp_path: Path
) -> None:
    """Nothing lost up to then, nothing doubled; epochs, positions and events go on."""
    made = back_up(state / "history", journal, tmp_path / "backups", NOW)
    assert made.folder.name == "2026-05-02T060000Z"
    assert (made.copied, made.linked, made.doubtful) == (4, 0, ())
    store(journal, sample_result(70))
    HistoryWriter(journal, state / "history").flush()

    restored = tmp_path / "restored"
    report = restore(made.folder, restored, restored / "history")
    assert (report.found.findings, report.found.files, report.left_out) == ((), 4, ())
    with Journal.open(restored / JOURNAL_NAME) as again:
        assert again.latest("fp-101") == sample_result(69)
        assert again.begun_at() == journal.begun_at()
        assert again.position("history") == 40
        assert numbers(restored / "history", again) == list(range(20, 70))
        store(again, sample_result(70), sample_result(0, epoch=1))
        assert again.append(sample_result(69)).result(30) is False
        writer = HistoryWriter(again, restored / "history")
        assert writer.flush().results == 12
        assert numbers(restored / "history") == [0, *range(20, 71)]
        assert verify(restored / "history", again).findings == ()


def test_what_is_flushed_while_the_files_are_copied_comes_again(
    journal: Journal, state: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A flush and appends between any two files of the backup: the copy still fits together."""
    writer, number = HistoryWriter(journal, state / "history"), 70
    from edgeflash.history import backup as module

    real, noted = module.copy_open_file, module._Backup._noted

    def flush() -> None:
        nonlocal number
        store(journal, sample_result(number), sample_result(number - 50, epoch=1))
        number += 1
        writer.flush()

    def between(held: BinaryIO, target: Path) -> tuple[str, int]:
        flush()
        found = real(held, target)
        flush()
        return found

    asked = 0

    def late(self: object, partition: object) -> object:
        nonlocal asked
        asked += 1
        if asked % 3:
            flush()
            flush()
        return noted(self, partition)  # type: ignore[arg-type]

    monkeypatch.setattr(module, "copy_open_file", between)
    monkeypatch.setattr(module._Backup, "_noted", late)
    made = back_up(state / "history", journal, tmp_path / "backups", NOW)
    monkeypatch.undo()
    assert made.doubtful == ()
    restored = tmp_path / "restored"
    report = restore(made.folder, restored, restored / "history")
    assert report.found.findings == ()
    with Journal.open(restored / JOURNAL_NAME) as again:
        assert again.position("history") == 40
        HistoryWriter(again, restored / "history").flush()
        wanted = numbers(state / "history")
        assert numbers(restored / "history") == wanted
        assert len(wanted) == 50 + 2 * (number - 70)
        assert asked > 4  # files replaced while they were opened were opened again
        assert verify(restored / "history", again).findings == ()


def test_rows_trimmed_meanwhile_make_it_begin_again(
    journal: Journal, state: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They came to the files after those were copied, and had left the journal before it was."""
    from edgeflash.history import backup as module

    real, attempts = module.copy_journal, 0

    def late(*arguments: object) -> None:
        nonlocal attempts
        attempts += 1
        if attempts == 1:
            store(journal, *(sample_result(n) for n in range(70, 200)))
            HistoryWriter(journal, state / "history").flush()
            assert journal.trim(datetime.now(UTC) + timedelta(days=1), ("history",)) > 60
        real(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(module, "copy_journal", late)
    made = back_up(state / "history", journal, tmp_path / "backups", NOW)
    assert attempts == 2
    restored = tmp_path / "restored"
    assert restore(made.folder, restored, restored / "history").found.findings == ()
    assert numbers(restored / "history") == list(range(20, 200))


def test_unchanged_files_share_their_room(journal: Journal, state: Path, tmp_path: Path) -> None:
    """With the backup before; each backup is whole by itself all the same."""
    backups = tmp_path / "backups"
    first = back_up(state / "history", journal, backups, NOW)
    HistoryWriter(journal, state / "history").flush()
    second = back_up(state / "history", journal, backups, NOW + timedelta(hours=1))
    assert (second.copied, second.linked) == (2, 2)
    shutil.rmtree(first.folder)
    restored = tmp_path / "restored"
    assert restore(second.folder, restored, restored / "history").found.findings == ()
    assert numbers(restored / "history") == list(range(20, 70))


def test_the_sums_are_those_of_sha256sum(journal: Journal, state: Path, tmp_path: Path) -> None:
    """GNU coreutils agree with the manifest; every file but the lists themselves is in it."""
    folder = back_up(state / "history", journal, tmp_path / "backups", NOW).folder
    told = subprocess.run(
        ["sha256sum", "--check", "--strict", "SHA256SUMS"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    files = {str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file()}
    listed = {line.removesuffix(": OK") for line in told.splitlines()}
    assert files - listed == {"SHA256SUMS", "manifest.json"}
    assert listed <= files


def test_a_damaged_backup_is_refused(journal: Journal, state: Path, tmp_path: Path) -> None:
    """Before anything is written; without the damaged files only when that is asked for."""
    folder = back_up(state / "history", journal, tmp_path / "backups", NOW).folder
    data = bytearray((folder / MAY).read_bytes())
    data[len(data) // 2] ^= 1
    (folder / MAY).write_bytes(data)
    restored = tmp_path / "restored"
    with pytest.raises(StorageError, match="1 files of this backup are damaged"):
        restore(folder, restored, restored / "history")
    assert not restored.exists()
    report = restore(folder, restored, restored / "history", leave_out_damaged=True)
    assert report.left_out == (MAY,)
    assert [f.problem for f in report.found.findings] == [Problem.MISSING_FILE]
    (folder / JOURNAL_NAME).write_bytes(b"")
    with pytest.raises(StorageError, match="damaged"):
        restore(folder, tmp_path / "other", tmp_path / "other" / "history", True)


def test_damage_in_the_history_is_not_hidden_by_a_backup(
    journal: Journal, state: Path, tmp_path: Path
) -> None:
    """It is copied as it is and said, and verification says it still after the restore."""
    path = state / MAY
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    made = back_up(state / "history", journal, tmp_path / "backups", NOW)
    assert made.doubtful == (MAY.removeprefix("history/"),)
    restored = tmp_path / "restored"
    report = restore(made.folder, restored, restored / "history")
    assert report.found.findings
    assert {f.path for f in report.found.findings} == {MAY.removeprefix("history/")}


def test_a_file_that_is_gone_is_not_hidden_by_a_backup(
    journal: Journal, state: Path, tmp_path: Path
) -> None:
    """Also one of the laboratory, whose rows no journal has."""
    at = sample_result(30).sampled_at
    given = LabResult("fp-101", "e-1", "4711", at, 61.5, LabStatus.FINAL, at)
    HistoryWriter(journal, state / "history").add_lab([given])
    (gone,) = (state / "history").glob("lab/*/*/lab.parquet")
    gone.unlink()
    (state / MAY).unlink()
    made = back_up(state / "history", journal, tmp_path / "backups", NOW)
    restored = tmp_path / "restored"
    found = restore(made.folder, restored, restored / "history").found.findings
    assert {(f.problem, f.path) for f in found} == {
        (Problem.MISSING_FILE, MAY.removeprefix("history/")),
        (Problem.MISSING_FILE, str(gone.relative_to(state / "history"))),
    }


def test_nothing_is_restored_over_what_is_there(
    journal: Journal, state: Path, tmp_path: Path
) -> None:
    """Neither over a journal nor over files of a history."""
    folder = back_up(state / "history", journal, tmp_path / "backups", NOW).folder
    with pytest.raises(UsageError, match="stop the gateway"):
        restore(folder, state, tmp_path / "elsewhere")
    with pytest.raises(UsageError, match="not empty"):
        restore(folder, tmp_path / "new", state / "history")
    with pytest.raises(StorageError, match="no backup"):
        restore(tmp_path, tmp_path / "new", tmp_path / "new" / "history")
    with pytest.raises(UsageError, match="inside the history"):
        back_up(state / "history", journal, state / "history" / "backups", NOW)


def test_a_backup_broken_off_leaves_no_backup(
    journal: Journal, state: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its folder is deleted by the next one, when it could not be at once."""
    from edgeflash.history import backup as module

    def killed(*arguments: object) -> None:
        raise KeyboardInterrupt

    backups = tmp_path / "backups"
    with monkeypatch.context() as patch:
        patch.setattr(module, "copy_journal", killed)
        patch.setattr(shutil, "rmtree", lambda path: None)
        with pytest.raises(KeyboardInterrupt):
            back_up(state / "history", journal, backups, NOW)
    assert [p.name for p in backups.iterdir()] == [".2026-05-02T060000Z.pending"]
    made = back_up(state / "history", journal, backups, NOW)
    assert list(backups.iterdir()) == [made.folder]


def test_a_spoiled_copy_of_before_is_not_shared(
    journal: Journal, state: Path, tmp_path: Path
) -> None:
    """A bit that a disk flips in one backup stays in that one."""
    backups = tmp_path / "backups"
    first = back_up(state / "history", journal, backups, NOW)
    flipped(first.folder / MAY, 1000)
    second = back_up(state / "history", journal, backups, NOW + timedelta(hours=1))
    assert (second.copied, second.linked) == (1, 3)
    assert check_backup(first.folder) == [MAY]
    assert check_backup(second.folder) == []
    assert (second.folder / MAY).read_bytes() == (state / MAY).read_bytes()


def test_two_backups_are_not_made_at_once(journal: Journal, state: Path, tmp_path: Path) -> None:
    """The second would take the first one's folder for a broken-off one, and delete it."""
    backups = tmp_path / "backups"
    with another_process_in(backups), pytest.raises(StorageError, match="another backup"):
        back_up(state / "history", journal, backups, NOW)
    strange = backups / ".mine.pending"
    strange.mkdir()
    back_up(state / "history", journal, backups, NOW)
    assert strange.is_dir()


def test_a_file_that_vanishes_from_a_backup_in_the_making_is_seen(
    journal: Journal, state: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """There is no backup then, rather than one that lacks a file."""
    from edgeflash.history import backup as module

    real = module.copy_journal

    def late(source: Journal, target: Path, *more: object) -> None:
        (target.parent / MAY).unlink()
        real(source, target, *more)  # type: ignore[arg-type]

    monkeypatch.setattr(module, "copy_journal", late)
    with pytest.raises(StorageError, match="cannot be made"):
        back_up(state / "history", journal, tmp_path / "backups", NOW)
    assert list((tmp_path / "backups").iterdir()) == []


def test_no_gateway_starts_in_the_middle_of_a_restore(
    journal: Journal, state: Path, tmp_path: Path
) -> None:
    """A service manager may try: its new journal would be replaced under it."""
    folder = back_up(state / "history", journal, tmp_path / "backups", NOW).folder
    restored = tmp_path / "restored"
    tried = 0

    def start(what: str, done: int, total: int) -> None:
        nonlocal tried
        if what == "restore":
            tried += 1
            with pytest.raises(JournalInUseError):
                Journal.open(restored / JOURNAL_NAME)

    assert restore(folder, restored, restored / "history", on_progress=start).found.findings == ()
    assert tried == 4
    with Journal.open(restored / JOURNAL_NAME):
        pass


def test_a_gateway_that_has_just_begun_is_not_restored_over(
    journal: Journal, state: Path, tmp_path: Path
) -> None:
    """It holds the journal's lock before there is a journal."""
    folder = back_up(state / "history", journal, tmp_path / "backups", NOW).folder
    restored = tmp_path / "restored"
    with (
        only_writer(restored / JOURNAL_NAME),
        pytest.raises(UsageError, match="below a running gateway"),
    ):
        restore(folder, restored, restored / "history")
    assert not (restored / "history").exists()
