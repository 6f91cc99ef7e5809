"""From the journal into the files: everything, once, and in its own month and day."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from edgeflash.errors import StorageError
from edgeflash.history import FlushReport, HistoryWriter, read_results, read_traces
from edgeflash.history import files as history_files
from edgeflash.history.schema import TableName, schema
from edgeflash.journal import Journal
from edgeflash.journal.ledger import FileNote
from edgeflash.journal.store import RESTART_ENTRIES
from tests.unit.history.made_history import store
from tests.unit.journal.samples import START, sample_result

MAY = "results/an=fp-101/month=2026-05/results.parquet"


def files_in(folder: Path) -> list[str]:
    return sorted(str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file())


def numbers(folder: Path) -> list[int]:
    found: list[int] = read_results(folder)["cycle_number"].to_pylist()
    return found


def test_files_lie_by_analyzer_and_time(journal: Journal, folder: Path) -> None:
    """Cycles from 22:00 on 30 April: months and days change at midnight UTC."""
    store(journal, *(sample_result(n) for n in range(40)))
    report = HistoryWriter(journal, folder).flush()
    assert files_in(folder) == [
        "results/an=fp-101/month=2026-04/results.parquet",
        "results/an=fp-101/month=2026-05/results.parquet",
        "traces/an=fp-101/day=2026-04-30/traces.parquet",
        "traces/an=fp-101/day=2026-05-01/traces.parquet",
    ]
    assert report == FlushReport(results=40, traces=40, files=4, position=40)
    assert numbers(folder) == list(range(40))


def test_a_second_flush_writes_nothing(journal: Journal, folder: Path) -> None:
    """Without news no file is touched."""
    store(journal, sample_result(1))
    writer = HistoryWriter(journal, folder)
    writer.flush()
    before = {p: (folder / p).stat().st_mtime_ns for p in files_in(folder)}
    assert writer.flush() == FlushReport(position=1)
    assert before == {p: (folder / p).stat().st_mtime_ns for p in files_in(folder)}


def test_late_rows_go_to_their_own_month(journal: Journal, folder: Path) -> None:
    """A cycle fetched from the ring weeks later lands in the file of its time, in its place."""
    writer = HistoryWriter(journal, folder)
    store(journal, sample_result(1), sample_result(500), sample_result(9000))
    writer.flush()
    store(journal, sample_result(2), sample_result(499))
    report = writer.flush()
    assert (report.results, report.files) == (2, 4)
    april = pq.read_table(folder / "results/an=fp-101/month=2026-04/results.parquet")
    assert april["cycle_number"].to_pylist() == [1, 2]
    assert numbers(folder) == [1, 2, 499, 500, 9000]


def test_the_month_is_that_of_utc(journal: Journal, folder: Path) -> None:
    """A time given in another zone counts by its UTC month."""
    local = datetime(2026, 5, 1, 1, 0, tzinfo=timezone(timedelta(hours=2)))
    store(journal, sample_result(1, finished_at=local))
    HistoryWriter(journal, folder).flush()
    assert files_in(folder)[0] == "results/an=fp-101/month=2026-04/results.parquet"


def test_a_repeat_after_a_crash_is_harmless(journal: Journal, folder: Path) -> None:
    """Killed after the files and before the position: the same rows come again, once."""
    store(journal, *(sample_result(n) for n in range(40)))
    HistoryWriter(journal, folder).flush()
    journal.rewind("history")
    store(journal, sample_result(40))
    report = HistoryWriter(journal, folder).flush()
    assert (report.results, report.traces, report.position) == (1, 1, 41)
    assert numbers(folder) == list(range(41))


def test_half_written_files_are_deleted(journal: Journal, folder: Path) -> None:
    """What a killed writer left is gone after the start of the next."""
    (folder / ".pending").mkdir(parents=True)
    (folder / ".pending" / "results~fp-101~2026-05~1").write_bytes(b"PAR1 half")
    HistoryWriter(journal, folder).flush()
    assert files_in(folder) == []


@pytest.mark.parametrize("damage", ["empty", "cut", "foreign", "inside"])
def test_an_unreadable_file_is_set_aside_and_filled_again(
    damage: str, journal: Journal, folder: Path
) -> None:
    """The damaged file is kept under another name; its rows come back from the journal."""
    store(journal, *(sample_result(n) for n in range(60)))
    HistoryWriter(journal, folder).flush()
    path = folder / MAY
    sound = path.read_bytes()
    damaged = {
        "empty": b"",
        "cut": sound[: len(sound) // 2],
        "foreign": b"this is no Parquet file at all",
        # The ends are sound; the pages between are not: only reading can tell.
        "inside": sound[:200] + bytes(len(sound) // 2) + sound[200 + len(sound) // 2 :],
    }[damage]
    path.write_bytes(damaged)
    store(journal, sample_result(60))
    report = HistoryWriter(journal, folder).flush()
    (aside,) = report.set_aside
    assert aside.read_bytes() == damaged
    assert aside.name == "results~fp-101~2026-05~1.unreadable"
    assert aside.parent.name == ".unreadable"
    assert numbers(folder) == list(range(61))
    assert journal.position("history") == 61


def test_what_the_journal_no_longer_holds_is_lost_alone(journal: Journal, folder: Path) -> None:
    """After a trim only the trimmed rows of the damaged file are missing; nothing else stops."""
    store(journal, *(sample_result(n) for n in range(60 + RESTART_ENTRIES)))
    writer = HistoryWriter(journal, folder)
    writer.flush()
    journal.trim(sample_result(50).judged_at, ("history",))
    (folder / MAY).write_bytes(b"")
    assert HistoryWriter(journal, folder).flush().results == 10 + RESTART_ENTRIES
    assert numbers(folder) == [*range(30), *range(50, 60 + RESTART_ENTRIES)]


def test_memory_is_bounded_by_the_batch(journal: Journal, folder: Path) -> None:
    """A backlog larger than a batch is taken in several, each advancing the position."""
    store(journal, *(sample_result(n) for n in range(60)))
    seen: list[int] = []

    class Watching(Journal):
        """The journal, telling where the position goes."""

        def advance(self, consumer: str, seq: int, files: Sequence[FileNote] = ()) -> None:
            super().advance(consumer, seq, files)
            seen.append(seq)

    journal.close()
    with Watching(journal.path) as watching:
        HistoryWriter(watching, folder, max_batch=25).flush()
    assert seen == [25, 50, 60]
    assert numbers(folder) == list(range(60))


def test_a_stopped_writer_ends_after_its_file(journal: Journal, folder: Path) -> None:
    """At the end of the gateway a long catching up does not hold it; nothing is lost."""
    store(journal, *(sample_result(n) for n in range(40)))
    writer = HistoryWriter(journal, folder)
    writer.stop()
    assert writer.flush() == FlushReport(is_complete=False)
    assert len(read_results(folder, journal)) == 40
    assert HistoryWriter(journal, folder).flush().results == 40


def test_a_disk_that_refuses_keeps_the_old_file(
    journal: Journal, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A failing sync: StorageError naming the file, the old file whole, the position unmoved,
    nothing half-written left; and the next flush brings all."""
    store(journal, sample_result(100))
    writer = HistoryWriter(journal, folder)
    writer.flush()
    store(journal, sample_result(101))

    def refuse(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(history_files.os, "fsync", refuse)
        with pytest.raises(StorageError, match=r"month=2026-05.*No space left"):
            writer.flush()
    assert numbers(folder) == [100]
    assert journal.position("history") == 1
    assert not any((folder / ".pending").iterdir())
    writer.flush()
    assert numbers(folder) == [100, 101]


def test_a_folder_that_cannot_be_made_is_an_error_with_its_path(
    journal: Journal, folder: Path
) -> None:
    """A file stands where the folder should be."""
    folder.write_text("in the way")
    store(journal, sample_result(1))
    with pytest.raises(StorageError, match=str(folder)):
        HistoryWriter(journal, folder).flush()
    assert journal.position("history") == 0


def test_an_analyzer_name_cannot_leave_the_folder(journal: Journal, folder: Path) -> None:
    """Whatever the name, it is one folder below the table, and is read back as it was."""
    store(journal, sample_result(1, "../../etc"), sample_result(1, "a b=c"))
    HistoryWriter(journal, folder).flush()
    assert {p.split("/")[0] for p in files_in(folder)} == {"results", "traces"}
    assert sorted(p.name for p in folder.parent.iterdir() if p.is_dir()) == ["history"]
    assert read_results(folder)["analyzer"].to_pylist() == ["../../etc", "a b=c"]
    assert len(read_results(folder, analyzer="a b=c")) == 1


def test_files_carry_schema_and_units(journal: Journal, folder: Path) -> None:
    """What is on disk is the declared schema with its metadata, and the last rules' version."""
    late = dataclasses.replace(sample_result(101), rules_version="2026.2")
    writer = HistoryWriter(journal, folder)
    store(journal, sample_result(100))
    writer.flush()
    store(journal, late)
    writer.flush()
    on_disk = pq.read_schema(folder / MAY)
    assert on_disk.equals(schema(TableName.RESULTS, "2026.2"), check_metadata=True)
    assert on_disk.field("peak_kpa").metadata[b"unit"] == b"kPa"


def test_traces_come_back_as_float32(journal: Journal, folder: Path) -> None:
    """Half the room of float64, and finer than any transducer: 45 °C to 4 µK."""
    result = sample_result(5)
    store(journal, result)
    HistoryWriter(journal, folder).flush()
    table = read_traces(folder)
    (row,) = table.to_pylist()
    trace = result.cycle.trace
    assert trace is not None
    assert row["source"] == "block"
    assert row["temperature_c"] == pytest.approx(trace.temperature_c, abs=4e-6)
    assert table.schema.field("time_s").metadata[b"unit"] == b"s"


def test_the_process_id_keeps_half_written_files_apart(journal: Journal, folder: Path) -> None:
    """The name of a file being written holds the writer's process id."""
    seen: list[str] = []
    real = os.fsync

    def look(descriptor: int) -> None:
        seen.extend(p.name for p in (folder / ".pending").iterdir())
        real(descriptor)

    store(journal, sample_result(100, with_trace=False))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(history_files.os, "fsync", look)
        HistoryWriter(journal, folder).flush()
    assert f"results~fp-101~2026-05~{os.getpid()}" in seen


def test_start_is_the_evening_of_april() -> None:
    """The samples straddle midnight UTC, as the tests above count on."""
    assert datetime(2026, 4, 30, 22, 0, tzinfo=UTC) == START
