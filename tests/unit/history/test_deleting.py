"""Files that are deleted: for good, on the record, under the eyes of readers."""

from __future__ import annotations

import itertools
import json
import os
import shutil
import sys
import threading
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow.dataset as ds
import pytest

from edgeflash.errors import StorageError
from edgeflash.history import HistoryWriter, Limits, TableName, read_events, read_results
from edgeflash.history import deleting as deleting_module
from edgeflash.history import reader as reader_module
from edgeflash.history import retired as retired_module
from edgeflash.history.by_time import ResultsByTime
from edgeflash.history.deleting import delete_old
from edgeflash.history.layout import Partition, partitions_in
from edgeflash.history.retired import Retired, load_retired
from edgeflash.history.tail import ResultsTail
from edgeflash.journal import Journal
from edgeflash.model import EventEntry, EventKind
from tests.unit.journal.samples import sample_result

DAY = timedelta(days=1)
NOW = datetime(2026, 6, 20, tzinfo=UTC)
BEGIN = datetime(2026, 1, 1, tzinfo=UTC)
EVERY = 12 * timedelta(hours=1)
CYCLES = 340  # to 20 June, 0:00
KEEP_60 = {TableName.RESULTS: Limits(keep_days=60)}


def fill(journal: Journal, folder: Path, *analyzers: str) -> HistoryWriter:
    """Two cycles a day from 1 January to the present, the first with a trace."""
    done = [
        journal.append(
            sample_result(n, name, finished_at=BEGIN + n * EVERY, with_trace=n == 0, verdict=None)
        )
        for n in range(CYCLES)
        for name in analyzers or ("kestrel-1",)
    ]
    assert all(d.result(60) for d in done)
    writer = HistoryWriter(journal, folder)
    writer.flush()
    return writer


def months(folder: Path, table: TableName = TableName.RESULTS) -> list[str]:
    return [p.period for p in partitions_in(folder, table)]


def test_old_months_go_with_their_folders(journal: Journal, folder: Path) -> None:
    """January to March ended more than 60 days before 20 June; nothing is left of them."""
    writer = fill(journal, folder)
    sizes = [
        Partition(TableName.RESULTS, "kestrel-1", f"2026-0{n}").path(folder).stat().st_size
        for n in (1, 2, 3)
    ]
    told: list[EventEntry] = []
    report = writer.delete_old(KEEP_60, NOW, {}, told.append)
    assert months(folder) == ["2026-04", "2026-05", "2026-06"]
    assert (report.files, report.size_bytes) == (3, sum(sizes))
    assert sorted(p.name for p in (folder / "results/an=kestrel-1").iterdir()) == [
        "month=2026-04",
        "month=2026-05",
        "month=2026-06",
    ]
    assert months(folder, TableName.TRACES) == ["2026-01-01"]
    megabytes = f"{sum(sizes) / 1e6:.1f} MB"
    assert told == [
        EventEntry(
            NOW,
            EventKind.HISTORY_DELETED,
            "kestrel-1",
            subject="results",
            text=f"3 files from 2026-01 to 2026-03 deleted, {megabytes}: older than keep_days",
        )
    ]
    assert writer.delete_old(KEEP_60, NOW, {}, told.append).files == 0
    assert len(told) == 1


def test_an_analyzer_without_files_leaves_no_folder(journal: Journal, folder: Path) -> None:
    """Nor does what a crash left behind; the folder of the table stays."""
    writer = fill(journal, folder)
    (folder / "traces/an=gone-7/day=2026-01-02").mkdir(parents=True)
    limits = {TableName.TRACES: Limits(keep_days=1)}
    assert writer.delete_old(limits, NOW, {}).files == 1
    assert list((folder / "traces").iterdir()) == []


def test_what_was_deleted_is_not_written_again(journal: Journal, folder: Path) -> None:
    """The journal gives everything again when a file has become unreadable, and a late cycle may
    still come; what is kept is filled, what was deleted stays away."""
    writer = fill(journal, folder)
    writer.delete_old(KEEP_60, NOW, {})
    Partition(TableName.RESULTS, "kestrel-1", "2026-05").path(folder).write_bytes(b"damaged")
    late = [
        journal.append(sample_result(1000 + m, finished_at=datetime(2026, m, 9, tzinfo=UTC)))
        for m in (1, 4)
    ]
    late += [
        journal.append(
            sample_result(2000 + m, "kestrel-1", finished_at=datetime(2026, m, 9, tzinfo=UTC))
        )
        for m in (1, 4)
    ]
    assert all(d.result(60) for d in late)
    report = HistoryWriter(journal, folder).flush()
    assert len(report.set_aside) == 1
    # The cycles of 31 + 28 + 31 days, and the late one of January; none of another analyzer.
    assert report.passed_over >= 2 * 90 + 1
    assert journal.position("history") == CYCLES + 4
    kept = [p for p in partitions_in(folder, TableName.RESULTS) if p.analyzer == "kestrel-1"]
    assert [p.period for p in kept] == ["2026-04", "2026-05", "2026-06"]
    table = read_results(folder, journal, "kestrel-1")
    assert sorted(table["cycle_number"].to_pylist()) == [*range(180, CYCLES), 2004]
    other = [p.period for p in partitions_in(folder, TableName.RESULTS, "fp-101")]
    assert other == ["2026-01", "2026-04"]


def test_a_reader_does_not_see_it_either_while_the_journal_is_taken_again(
    journal: Journal, folder: Path
) -> None:
    """What only the journal holds is shown, but for what was deleted."""
    writer = fill(journal, folder)
    writer.delete_old(KEEP_60, NOW, {})
    journal.rewind("history")
    assert len(read_results(folder, journal)) == CYCLES - 180
    columns = ("epoch", "cycle_number", "finished_at", "sampled_at")
    by_time = ResultsByTime(folder, ResultsTail(journal, columns), "kestrel-1", columns)
    assert len(list(by_time.rows(BEGIN - DAY, NOW, forward=True))) == CYCLES - 180


def test_a_file_that_was_put_back_is_in_use(journal: Journal, folder: Path) -> None:
    """Late rows come to it, whatever was deleted once."""
    writer = fill(journal, folder)
    january = Partition(TableName.RESULTS, "kestrel-1", "2026-01").path(folder)
    copy = january.read_bytes()
    writer.delete_old(KEEP_60, NOW, {})
    january.parent.mkdir()
    january.write_bytes(copy)
    assert journal.append(
        sample_result(5000, "kestrel-1", finished_at=BEGIN + timedelta(hours=1))
    ).result(60)
    report = writer.flush()
    assert (report.results, report.passed_over) == (1, 0)
    assert len(read_results(folder, until=datetime(2026, 2, 1, tzinfo=UTC))) == 63


def test_a_table_kept_for_ever_again_takes_late_rows_again(journal: Journal, folder: Path) -> None:
    """The record of what was deleted ends with the limit."""
    writer = fill(journal, folder)
    writer.delete_old(KEEP_60, NOW, {})
    writer.delete_old({TableName.TRACES: Limits(keep_days=500)}, NOW, {})
    assert load_retired(folder).last == {}
    assert journal.append(sample_result(5000, "kestrel-1", finished_at=BEGIN)).result(60)
    assert writer.flush().results == 1
    writer.delete_old({}, NOW, {})
    assert load_retired(folder) == Retired()


def test_without_limits_nothing_is_touched_or_made(journal: Journal, folder: Path) -> None:
    """Not even a record."""
    writer = fill(journal, folder)
    before = sorted(folder.rglob("*"))
    assert writer.delete_old({TableName.RESULTS: Limits()}, NOW + 9000 * DAY, {}).files == 0
    assert before == sorted(folder.rglob("*"))


def test_what_is_owed_stays(journal: Journal, folder: Path) -> None:
    """From a time on, by table."""
    writer = fill(journal, folder)
    writer.delete_old(KEEP_60, NOW, {TableName.RESULTS: datetime(2026, 2, 20, tzinfo=UTC)})
    assert months(folder)[0] == "2026-02"


def test_the_largest_size_is_reached_oldest_first(journal: Journal, folder: Path) -> None:
    """Of two analyzers together; the present month stays however small the limit."""
    writer = fill(journal, folder, "kestrel-1", "kestrel-2")
    sizes = {p: p.path(folder).stat().st_size for p in partitions_in(folder, TableName.RESULTS)}
    limit = sum(sizes.values()) - 1
    told: list[EventEntry] = []
    writer.delete_old({TableName.RESULTS: Limits(keep_bytes=limit)}, NOW, {}, told.append)
    left = partitions_in(folder, TableName.RESULTS)
    gone = Partition(TableName.RESULTS, "kestrel-1", "2026-01")
    assert set(sizes) - set(left) == {gone}
    assert "the table is larger than keep_mb" in told[0].text
    writer.delete_old({TableName.RESULTS: Limits(keep_bytes=1)}, NOW, {})
    assert months(folder) == ["2026-06", "2026-06"]


def test_a_clock_that_jumps_ahead_deletes_nothing(journal: Journal, folder: Path) -> None:
    """Not for a week; and set right again, all goes on."""
    writer = fill(journal, folder)
    assert writer.delete_old({TableName.RESULTS: Limits(keep_days=170)}, NOW, {}).files == 0
    wrong = NOW + 20_000 * DAY
    report = writer.delete_old(KEEP_60, wrong, {})
    assert (report.files, report.waits_until) == (0, wrong + 7 * DAY)
    assert writer.delete_old(KEEP_60, wrong + 6 * DAY + DAY / 2, {}).files == 0
    assert len(months(folder)) == 6
    assert writer.delete_old(KEEP_60, NOW, {}).files == 3


def test_a_crash_before_the_files_go_is_made_good(
    journal: Journal, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On the record and still there: rows come to it as before, and the next run deletes it."""
    writer = fill(journal, folder)

    def crash(*arguments: Any) -> Any:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(deleting_module, "_delete", crash)
        with pytest.raises(KeyboardInterrupt):
            delete_old(folder, KEEP_60, NOW, {})
    assert len(months(folder)) == 6
    assert len(read_results(folder, journal)) == CYCLES
    writer.delete_old(KEEP_60, NOW + timedelta(hours=1), {})
    assert months(folder) == ["2026-04", "2026-05", "2026-06"]


def test_a_run_ends_early_when_the_gateway_does(journal: Journal, folder: Path) -> None:
    """A file at a time; the rest goes the next time."""
    fill(journal, folder)
    asked = iter([False, True, True, True])
    report = delete_old(folder, KEEP_60, NOW, {}, is_stopped=lambda: next(asked))
    assert report.files == 1
    assert months(folder)[0] == "2026-02"
    assert len(read_results(folder)) == CYCLES - 62
    assert delete_old(folder, KEEP_60, NOW, {}).files == 2


def test_a_full_disk_gets_room(
    journal: Journal, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not even the record finds room: the oldest file goes first, then all is on the record."""
    fill(journal, folder)
    real = retired_module._encoded

    def full(retired: Retired) -> bytes:
        if "2026-01" in months(folder):
            raise OSError(28, "No space left on device")
        return real(retired)

    monkeypatch.setattr(retired_module, "_encoded", full)
    report = delete_old(folder, KEEP_60, NOW, {})
    assert report.files == 3
    assert months(folder) == ["2026-04", "2026-05", "2026-06"]
    assert load_retired(folder).holds(Partition(TableName.RESULTS, "kestrel-1", "2026-01"))


def test_a_disk_that_refuses_is_told_with_its_path(
    journal: Journal, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing half done that a next run does not make good."""
    fill(journal, folder)

    def refuse(self: Path, missing_ok: bool = False) -> None:
        raise OSError(30, "Read-only file system")

    with monkeypatch.context() as patch:
        patch.setattr(Path, "unlink", refuse)
        with pytest.raises(StorageError, match=rf"{folder}.*Read-only"):
            delete_old(folder, KEEP_60, NOW, {})
    assert len(read_results(folder)) == CYCLES
    assert delete_old(folder, KEEP_60, NOW, {}).files == 3


def test_every_name_that_goes_is_synced(
    journal: Journal, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The folder that a file or a folder was taken out of, after it was."""
    fill(journal, folder, "kestrel-1", "kestrel-2")
    happened: list[tuple[str, str]] = []
    unlink, sync = Path.unlink, deleting_module.sync_folder

    def watched_unlink(self: Path, missing_ok: bool = False) -> None:
        if self.suffix == ".parquet":
            happened.append(("gone", self.parent.parent.name))
        unlink(self, missing_ok=missing_ok)

    def watched_sync(path: Path) -> None:
        happened.append(("synced", path.name))
        sync(path)

    monkeypatch.setattr(Path, "unlink", watched_unlink)
    monkeypatch.setattr(deleting_module, "sync_folder", watched_sync)
    delete_old(folder, KEEP_60, NOW, {})
    assert happened == [
        *[("gone", f"an=kestrel-{n}") for _ in range(3) for n in (1, 2)],
        ("synced", "an=kestrel-1"),
        ("synced", "an=kestrel-2"),
    ]


@pytest.mark.parametrize(
    "damage", [b"", b"{", b"[]", b'{"deleted_up_to": {"results": 7}, "looked_at": null}']
)
def test_a_damaged_record_stops_nothing(damage: bytes, journal: Journal, folder: Path) -> None:
    """It counts as none: rows may come back, none is lost; the next run keeps a sound one."""
    writer = fill(journal, folder)
    writer.delete_old(KEEP_60, NOW, {})
    path = folder / ".retention" / "deleted.json"
    path.write_bytes(damage)
    assert load_retired(folder) == Retired()
    assert len(read_results(folder)) == CYCLES - 180
    writer.delete_old(KEEP_60, NOW, {})
    assert json.loads(path.read_text())["format"] == 1


def test_events_of_no_analyzer_go_as_others_do(journal: Journal, folder: Path) -> None:
    """And are not written again either."""
    login = EventEntry(BEGIN, EventKind.LOGIN_FAILED, who="ole")
    for event in (login, replace(login, at=NOW)):
        journal.append_event(event).result(60)
    writer = HistoryWriter(journal, folder)
    writer.flush()
    told: list[EventEntry] = []
    writer.delete_old({TableName.EVENTS: Limits(keep_days=30)}, NOW, {}, told.append)
    assert [(e.analyzer, e.subject) for e in told] == [("", "events")]
    journal.rewind("events:history")
    assert read_events(folder, journal)["at"].to_pylist() == [NOW]
    assert writer.flush().passed_over == 1
    assert months(folder, TableName.EVENTS) == ["2026-06"]


def test_whatever_step_fails_the_next_run_makes_good(
    journal: Journal, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each sync, rename, removal in turn: what is kept is whole at once, what is old is gone after
    the next run, and nothing of it comes back from the journal."""
    fill(journal, folder, "kestrel-1", "kestrel-2")
    steps = [(os, "fsync"), (Path, "replace"), (Path, "unlink"), (Path, "rmdir")]
    failed = 0
    for number in range(1, 100):
        copy = tmp_path / f"copy-{number}"
        shutil.copytree(folder, copy)
        counted = itertools.count(1)
        has_failed = False

        def counting(real: Any, number: int = number, counted: Any = counted) -> Any:
            def step(*arguments: Any, **more: Any) -> Any:
                nonlocal has_failed
                if next(counted) == number:
                    has_failed = True
                    raise OSError(5, "Input/output error")
                return real(*arguments, **more)

            return step

        with monkeypatch.context() as patch:
            for owner, name in steps:
                patch.setattr(owner, name, counting(getattr(owner, name)))
            with suppress(StorageError):
                delete_old(copy, KEEP_60, NOW, {})
        if not has_failed:
            break
        failed += 1
        seen = read_results(copy, since=datetime(2026, 4, 1, tzinfo=UTC))
        assert len(seen) == 2 * (CYCLES - 180)
        delete_old(copy, KEEP_60, NOW + timedelta(hours=1), {})
        assert months(copy) == ["2026-04", "2026-05", "2026-06"] * 2
        assert not list((copy / "results").glob("an=*/month=2026-0[123]"))
        journal.rewind("history")
        assert HistoryWriter(journal, copy).flush().results == 0
        assert len(read_results(copy)) == 2 * (CYCLES - 180)
        shutil.rmtree(copy)
    # 3 syncs and a rename for the record, 6 files and their folders, 2 syncs of what is left.
    assert failed >= 3 + 1 + 6 * 2 + 2


# Under the eyes of readers


def test_a_reading_that_meets_a_deleted_file_is_made_again(
    journal: Journal, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So that no old month stands before a gap: February went after January was read."""
    writer = fill(journal, folder)
    real, reads = reader_module.read_whole_rows, list[str]()

    def reading(where: Path, partition: Partition, *more: Any) -> Any:
        reads.append(partition.period)
        table = real(where, partition, *more) if len(reads) == 1 else None
        if len(reads) == 1:
            writer.delete_old(KEEP_60, NOW, {})
        return real(where, partition, *more) if table is None else table

    monkeypatch.setattr(reader_module, "read_whole_rows", reading)
    table = read_results(folder, journal)
    assert table["cycle_number"].to_pylist() == list(range(180, CYCLES))
    assert reads[:3] == ["2026-01", "2026-02", "2026-03"]


def test_readers_go_on_while_files_are_deleted(journal: Journal, folder: Path) -> None:
    """Ours never fail and never see a part of a month; others fail loudly at most, and reading
    again helps."""
    writer = fill(journal, folder, "kestrel-1", "kestrel-2")
    whole = {
        (name, month): len([1 for n in range(CYCLES) if f"{BEGIN + n * EVERY:%Y-%m}" == month])
        for name in ("kestrel-1", "kestrel-2")
        for month in ("2026-01", "2026-02", "2026-03", "2026-04", "2026-05", "2026-06")
    }
    is_over, torn = threading.Event(), list[object]()

    def look() -> None:
        while not is_over.is_set():
            table = read_results(folder, journal)
            seen: dict[tuple[str, str], int] = {}
            for row in table.select(["analyzer", "finished_at"]).to_pylist():
                place = (row["analyzer"], f"{row['finished_at']:%Y-%m}")
                seen[place] = seen.get(place, 0) + 1
            torn.extend((k, n) for k, n in seen.items() if whole[k] != n)

    def look_with_arrow() -> None:
        while not is_over.is_set():
            try:
                table = ds.dataset(folder / "results", partitioning="hive").to_table(
                    columns=["analyzer", "finished_at"]
                )
            except OSError:  # a file or a folder vanished after it was listed: loud, and again
                continue
            torn.extend([] if len(table) % 2 == 0 else [len(table)])

    failures: list[BaseException] = []

    def guarded(run: Any) -> None:
        try:
            run()
        except BaseException as error:
            failures.append(error)

    threads = [
        threading.Thread(target=guarded, args=(run,)) for run in (look, look, look_with_arrow)
    ]
    for thread in threads:
        thread.start()
    try:
        for days in range(170, 20, -10):
            writer.delete_old({TableName.RESULTS: Limits(keep_days=days)}, NOW, {})
    finally:
        is_over.set()
        for thread in threads:
            thread.join(60)
    assert failures == []
    assert torn == []
    assert months(folder) == ["2026-05", "2026-06"] * 2
    assert list((folder / ".pending").iterdir()) == []


def test_an_analyzers_folder_goes_while_files_are_listed(tmp_path: Path) -> None:
    """Between the moment at which its name is read and that at which it is looked into."""
    for analyzer in ("a", "b"):
        path = Partition(TableName.RESULTS, analyzer, "2026-01").path(tmp_path)
        path.parent.mkdir(parents=True)
        path.touch()
    gone = tmp_path / "results" / "an=a"

    def hook(event: str, arguments: tuple[object, ...]) -> None:
        if event == "os.scandir" and str(arguments[0]) == str(gone) and gone.exists():
            gone.rename(tmp_path / "gone")

    sys.addaudithook(hook)  # for good; it knows this folder only
    assert [p.analyzer for p in partitions_in(tmp_path, TableName.RESULTS)] == ["b"]
    assert not gone.exists()
