"""What the journal has comes back; what it has not is told; nothing is thrown away."""

from __future__ import annotations

import random
import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from edgeflash.errors import StorageError
from edgeflash.history import HistoryWriter, read_results, read_traces
from edgeflash.history.findings import Problem
from edgeflash.history.repair import RepairReport, repair
from edgeflash.history.report import repair_record
from edgeflash.history.verify import verify
from edgeflash.journal import Journal
from edgeflash.model import EventEntry, EventKind, LabResult, LabStatus
from tests.unit.history.made_history import Change, changed, store, with_value
from tests.unit.journal.samples import START, sample_result

MAY = "results/an=fp-101/month=2026-05/results.parquet"
APRIL = "results/an=fp-101/month=2026-04/results.parquet"
TRACES = "traces/an=fp-101/day=2026-05-01/traces.parquet"
EVENTS = "events/an=_site/month=2026-04/events.parquet"


def filled(journal: Journal, folder: Path, trim: bool = False) -> None:
    """Cycles on both sides of midnight; with trim, the journal has only the last of them."""
    for analyzer in ("fp-101", "fp-102"):
        numbers = range(120) if trim and analyzer == "fp-101" else range(24, 48)
        store(journal, *(sample_result(n, analyzer) for n in numbers))
    for n in range(10):
        at = START + timedelta(minutes=n)
        journal.append_event(EventEntry(at, EventKind.ALARM, subject=f"alarm {n}")).result(30)
    HistoryWriter(journal, folder).flush()
    if trim:
        assert journal.trim(datetime.now(UTC) + timedelta(days=1), ("history",)) > 0


def mended(journal: Journal, folder: Path) -> RepairReport:
    return repair(folder, journal, HistoryWriter(journal, folder))


DAMAGE: dict[str, tuple[str, Change]] = {
    "rewritten": (MAY, lambda t: t),
    "reversed": (MAY, lambda t: t[::-1]),
    "doubled": (MAY, lambda t: pa.concat_tables([t.slice(0, 3), t]).sort_by("finished_at")),
    "shortened": (MAY, lambda t: t.slice(3)),
    "emptied": (MAY, lambda t: t.slice(0, 0)),
    "figure": (MAY, with_value("published_c", 5, 99.0)),
    "other figure": (MAY, with_value("peak_kpa", 5, 99.0)),
    "no key": (MAY, with_value("epoch", 5, None)),
    "other analyzer": (MAY, with_value("analyzer", 5, "fp-102")),
    "other month": (MAY, with_value("finished_at", 5, START)),
    "samples": (TRACES, with_value("pressure_kpa", 5, [1.0])),
    "event": (EVENTS, with_value("subject", 5, "forged")),
    "events lost": (EVENTS, lambda t: t.slice(4)),
}


@pytest.mark.parametrize("damage", DAMAGE)
def test_what_the_journal_has_comes_back_whole(damage: str, journal: Journal, folder: Path) -> None:
    """Every column of every row, as it was; what the file was before is kept."""
    filled(journal, folder)
    name, change = DAMAGE[damage]
    sound = pq.ParquetFile(folder / name).read()
    changed(folder, name, change)
    spoiled = (folder / name).read_bytes()
    report = mended(journal, folder)
    assert report.before.findings
    assert report.left == ()
    (done,) = report.mended
    assert (folder / done.kept_as).read_bytes() == spoiled
    assert done.unproven == 0
    assert pq.ParquetFile(folder / name).read().equals(sound)
    after = verify(folder, journal)
    assert after.findings == ()
    assert after.left_over == (done.kept_as,)


@pytest.mark.parametrize("damage", ["cut", "gone", "all gone"])
def test_files_that_cannot_be_read_are_made_again(
    damage: str, journal: Journal, folder: Path
) -> None:
    """From the journal, in every table."""
    filled(journal, folder)
    before = read_results(folder), read_traces(folder)
    match damage:
        case "cut":
            data = (folder / TRACES).read_bytes()
            (folder / TRACES).write_bytes(data[: len(data) // 2])
        case "gone":
            (folder / TRACES).unlink()
        case _:
            shutil.rmtree(folder)
            folder.mkdir()
    report = mended(journal, folder)
    assert report.left == ()
    assert sum(m.brought_back for m in report.mended) in (18, 106)
    assert (read_results(folder), read_traces(folder)) == before
    assert verify(folder, journal).findings == ()


def test_what_cannot_be_mended_is_told(journal: Journal, folder: Path) -> None:
    """By analyzer, period and number of rows; the rest is mended all the same."""
    filled(journal, folder, trim=True)
    (folder / APRIL).unlink()
    changed(folder, MAY, lambda t: t.slice(10, len(t) - 12))
    report = mended(journal, folder)
    left = [(f.problem, f.path, f.rows) for f in report.left]
    assert left == [(Problem.MISSING_FILE, APRIL, 30), (Problem.TOO_FEW_ROWS, MAY, 10)]
    numbers = pq.ParquetFile(folder / MAY).read()["cycle_number"].to_pylist()
    assert numbers == list(range(40, 120))
    (done,) = report.mended
    # 64 of each analyzer stay in the journal.
    assert (done.brought_back, done.unproven) == (64, 16)


def test_figures_that_cannot_be_proved_are_told(journal: Journal, folder: Path) -> None:
    """Rows that the journal has no longer, in a file of other bytes: said once, then accepted when
    the ledger's sum holds, else never."""
    filled(journal, folder, trim=True)
    changed(folder, MAY, with_value("peak_kpa", 0, 99.0))
    report = mended(journal, folder)
    assert [(m.unproven, m.brought_back) for m in report.mended] == [(26, 64)]
    assert report.left == ()
    assert verify(folder, journal).findings == ()
    changed(folder, MAY, with_value("published_c", 0, 99.0))
    (left,) = mended(journal, folder).left
    assert (left.problem, left.path) == (Problem.OTHER_CONTENT, MAY)


def test_a_sound_history_is_left_alone(journal: Journal, folder: Path) -> None:
    """No byte of it is written."""
    filled(journal, folder)
    before = {p: p.stat().st_mtime_ns for p in folder.rglob("*")}
    report = mended(journal, folder)
    assert (report.mended, report.left, report.noted) == ((), (), 0)
    assert {p: p.stat().st_mtime_ns for p in folder.rglob("*")} == before


def test_files_of_before_the_ledger_get_a_fingerprint(tmp_path: Path, folder: Path) -> None:
    """Once they are found sound."""
    path = tmp_path / "old.sqlite3"
    with Journal.open(path) as journal:
        filled(journal, folder)
    with closing(sqlite3.connect(path)) as before:
        for table in ("ledger", "ledger_state", "ledger_gaps", "history_files", "history_deleted"):
            before.execute(f"DROP TABLE {table}")
    with Journal.open(path) as journal:
        journal.fill_ledger()
        report = verify(folder, journal)
        assert (report.findings, report.unnoted_files, report.unknown_files) == ((), 9, 9)
        assert mended(journal, folder).noted == 9
        assert verify(folder, journal).unnoted_files == 0
        changed(folder, MAY, lambda t: t)
        (finding,) = verify(folder, journal).findings
        assert finding.problem is Problem.CHANGED_BYTES


def test_any_damage_is_mended_or_told(journal: Journal, folder: Path) -> None:
    """Random files spoiled in random places, several at once; all comes back."""
    filled(journal, folder)
    chance = random.Random(20260505)
    before = read_results(folder), read_traces(folder)
    files = sorted(p.relative_to(folder) for p in folder.rglob("*.parquet"))
    for _ in range(6):
        for name in chance.sample(files, 3):
            data = bytearray((folder / name).read_bytes())
            begin = chance.randrange(len(data))
            length = chance.randrange(1, 200)
            data[begin : begin + length] = chance.randbytes(length)
            (folder / name).write_bytes(data)
        assert verify(folder, journal).findings
        assert mended(journal, folder).left == ()
        assert (read_results(folder), read_traces(folder)) == before
        assert verify(folder, journal).findings == ()


def test_a_lost_laboratory_file_stays_told(journal: Journal, folder: Path) -> None:
    """No journal has its rows: set aside or deleted by hand, it is missing until a copy is back."""
    writer = HistoryWriter(journal, folder)
    given = LabResult("fp-101", "e-0", "4711", START, 61.5, LabStatus.FINAL, START)
    writer.add_lab([replace(given, entry_id=f"e-{n}") for n in range(5)])
    name = "lab/an=fp-101/month=2026-04/lab.parquet"
    sound = (folder / name).read_bytes()
    (folder / name).write_bytes(b"PAR1")
    for _ in range(2):
        report = repair(folder, journal, writer)
        assert [(f.problem, f.path, f.rows) for f in report.left] == [
            (Problem.MISSING_FILE, name, 5)
        ]
        assert repair_record(report)["sound"] is False
    assert [f.problem for f in verify(folder, journal).findings] == [Problem.MISSING_FILE]
    (folder / name).parent.mkdir(exist_ok=True)
    (folder / name).write_bytes(sound)
    assert verify(folder, journal).findings == ()
    changed(folder, name, lambda t: t.slice(2))
    (found,) = verify(folder, journal).findings
    assert "it has 3 rows, and had 5" in found.sentence
    (left,) = repair(folder, journal, writer).left
    assert (left.problem, left.rows) == (Problem.LOST_ROWS, 2)


def test_rows_that_come_again_are_not_called_lost(
    journal: Journal, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A flush that ended between the file and its position: the next one brings them."""
    store(journal, *(sample_result(n) for n in range(30, 40)))
    HistoryWriter(journal, folder).flush()
    store(journal, *(sample_result(n) for n in range(40, 60)))

    def refused(*given: object) -> None:
        raise StorageError("full")

    with monkeypatch.context() as patch:
        patch.setattr(journal, "advance", refused)
        with pytest.raises(StorageError):
            HistoryWriter(journal, folder).flush()
    whole = read_results(folder)
    assert len(whole) == 30
    (folder / MAY).write_bytes(b"PAR1")
    report = mended(journal, folder)
    assert (report.left, [m.brought_back for m in report.mended]) == ((), [10])
    HistoryWriter(journal, folder).flush()
    assert read_results(folder) == whole


@pytest.mark.parametrize("gone", [False, True])
def test_rows_of_an_earlier_journal_are_not_called_mended(
    gone: bool, tmp_path: Path, folder: Path
) -> None:
    """The journal of now never knew them, but how many the file had."""
    with Journal.open(tmp_path / "first.sqlite3") as first:
        store(first, *(sample_result(n) for n in range(30, 60)))
        HistoryWriter(first, folder).flush()
    with Journal.open(tmp_path / "second.sqlite3") as second:
        store(second, *(sample_result(n) for n in range(60, 70)))
        HistoryWriter(second, folder).flush()
        if gone:
            (folder / MAY).unlink()
        else:
            (folder / MAY).write_bytes(b"PAR1")
        report = mended(second, folder)
        lost = [(f.problem, f.path, f.rows) for f in report.left if f.path == MAY]
        assert lost == [(Problem.LOST_ROWS, MAY, 30)]
        assert read_results(folder)["cycle_number"].to_pylist() == list(range(60, 70))


def test_a_file_of_before_the_ledger_is_not_called_mended(tmp_path: Path, folder: Path) -> None:
    """Nobody ever noted how many rows it had."""
    with Journal.open(tmp_path / "first.sqlite3") as first:
        store(first, *(sample_result(n) for n in range(30, 60)))
        HistoryWriter(first, folder).flush()
    (folder / MAY).write_bytes(b"PAR1")
    with Journal.open(tmp_path / "second.sqlite3") as second:
        left = [(f.problem, f.rows) for f in mended(second, folder).left if f.path == MAY]
        assert left == [(Problem.LOST_ROWS, None)]


def test_a_trim_in_the_middle_of_a_repair_loses_no_row(journal: Journal, folder: Path) -> None:
    """What the journal has no longer is kept as it is, though it was to be renewed from there."""
    store(journal, *(sample_result(n) for n in range(30, 130)))
    writer = HistoryWriter(journal, folder)
    writer.flush()
    before = read_results(folder)
    changed(folder, MAY, lambda t: t)
    trimmed = 0

    def trim(what: str, done: int, total: int) -> None:
        nonlocal trimmed
        if what == "repair":
            trimmed += journal.trim(datetime.now(UTC) + timedelta(days=1), ("history",))

    report = repair(folder, journal, writer, trim)
    assert trimmed == 36
    assert (report.left, report.unproven) == ((), 36)
    assert repair_record(report)["sound"] is False
    assert read_results(folder) == before
