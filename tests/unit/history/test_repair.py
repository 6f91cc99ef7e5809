"""What the journal has comes back; what it has not is told; nothing is thrown away."""

from __future__ import annotations

import random
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from edgeflash.history import HistoryWriter, read_results, read_traces
from edgeflash.history.findings import Problem
from edgeflash.history.repair import RepairReport, repair
from edgeflash.history.verify import verify
from edgeflash.journal import Journal
from edgeflash.model import EventEntry, EventKind, Result
from tests.unit.journal.samples import START, sample_result

MAY = "results/an=fp-101/month=2026-05/results.parquet"
APRIL = "results/an=fp-101/month=2026-04/results.parquet"
TRACES = "traces/an=fp-101/day=2026-05-01/traces.parquet"
EVENTS = "events/an=_site/month=2026-04/events.parquet"

Change = Callable[[pa.Table], pa.Table]


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal.open(tmp_path / "journal.sqlite3") as opened:
        yield opened


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "history"


def store(journal: Journal, *results: Result) -> None:
    for done in [journal.append(r) for r in results]:
        assert done.result(30)


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


def changed(folder: Path, name: str, change: Change) -> None:
    """The file as another program would write it."""
    table = change(pq.ParquetFile(folder / name).read())
    pq.write_table(table, folder / name)


def mended(journal: Journal, folder: Path) -> RepairReport:
    return repair(folder, journal, HistoryWriter(journal, folder))


def with_value(name: str, row: int, value: object) -> Change:
    def change(table: pa.Table) -> pa.Table:
        values = table[name].to_pylist()
        values[row] = value
        place = table.schema.get_field_index(name)
        field = table.schema.field(name)
        return table.set_column(place, field, pa.array(values, field.type))

    return change


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
