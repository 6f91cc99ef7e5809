"""A sound history is called sound whatever happens around it; each damage is found and named."""

from __future__ import annotations

import os
import shutil
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest

from edgeflash.history import HistoryWriter, read_results, rewriting
from edgeflash.history.findings import Problem, Report
from edgeflash.history.layout import Partition
from edgeflash.history.retention import Limits
from edgeflash.history.schema import TableName
from edgeflash.history.verify import Verification, verify
from edgeflash.journal import Journal
from edgeflash.model import EventEntry, EventKind, LabResult, LabStatus
from tests.unit.history.made_history import changed, store, with_value
from tests.unit.journal.samples import START, sample_pulse, sample_result

MAY = "results/an=fp-101/month=2026-05/results.parquet"
FIRST_OF_MAY = "traces/an=fp-101/day=2026-05-01/traces.parquet"


def filled(journal: Journal, folder: Path, trim: bool = False) -> None:
    """120 cycles of two analyzers, on both sides of midnight; with trim, the journal has only the
    last of them."""
    for analyzer in ("fp-101", "fp-102"):
        store(journal, *(sample_result(n, analyzer) for n in range(118)))
        store(journal, sample_result(118, analyzer, with_trace=False))
        pulse = sample_pulse(119)
        store(journal, sample_result(119, analyzer, with_trace=False, pulse=pulse))
    HistoryWriter(journal, folder).flush()
    if trim:
        assert journal.trim(datetime.now(UTC) + timedelta(days=1), ("history",)) > 0


def problems(report: Report) -> list[tuple[Problem, str, int | None]]:
    return [(f.problem, f.path, f.rows) for f in report.findings]


@pytest.mark.parametrize("trim", [False, True])
def test_a_sound_history_is_sound(trim: bool, journal: Journal, folder: Path) -> None:
    """With all rows in the journal or few; with rows that are still to come; without a journal."""
    filled(journal, folder, trim)
    store(journal, *(sample_result(n) for n in range(120, 130)))
    report = verify(folder, journal)
    assert problems(report) == []
    assert (report.files, report.rows, report.whole_after) == (8, 2 * 120 + 2 * 119, "")
    assert (report.unknown_files, report.unnoted_files, report.left_over) == (0, 0, ())
    assert report.bytes == sum(p.stat().st_size for p in folder.rglob("*.parquet"))
    alone = verify(folder)
    assert (problems(alone), alone.files, alone.unknown_files) == ([], 8, 8)


def test_events_and_laboratory_results_are_checked(journal: Journal, folder: Path) -> None:
    """Events beside the ledger; laboratory results, which no journal has, by themselves."""

    def tell(first: int, last: int) -> None:
        for n in range(first, last):
            at = START + timedelta(minutes=n)
            entry = EventEntry(at, EventKind.ALARM, "fp-101" if n % 2 else "", subject="stale")
            journal.append_event(entry).result(30)

    tell(0, 20)
    writer = HistoryWriter(journal, folder)
    writer.flush()
    lab = LabResult("fp-101", "e-1", "4711", START, 61.5, LabStatus.FINAL, START)
    writer.add_lab([lab])
    tell(20, 25)
    report = verify(folder, journal)
    assert (problems(report), report.files, report.rows) == ([], 3, 21)
    site = "events/an=_site/month=2026-04/events.parquet"
    changed(folder, site, lambda t: t.slice(0, len(t) - 1))
    assert problems(verify(folder, journal)) == [
        (Problem.CHANGED_BYTES, site, None),
        (Problem.MISSING_ROWS, site, 1),
        (Problem.TOO_FEW_ROWS, site, 1),
    ]
    entered = "lab/an=fp-101/month=2026-04/lab.parquet"
    changed(folder, entered, lambda t: t)
    assert (Problem.CHANGED_BYTES, entered, None) in problems(verify(folder, journal))


def test_an_empty_history_is_sound(journal: Journal, folder: Path) -> None:
    """Also with rows that wait in the journal."""
    store(journal, sample_result(1))
    assert verify(folder, journal) == Report()


@pytest.mark.parametrize("trim", [False, True])
def test_each_damage_is_found(trim: bool, journal: Journal, folder: Path) -> None:
    """In a file of results, with a count where there is one."""
    numbers = range(30, 120) if trim else range(30, 50)
    store(journal, *(sample_result(n) for n in numbers), sample_result(31, "fp-102"))
    HistoryWriter(journal, folder).flush()
    if trim:
        assert journal.trim(datetime.now(UTC) + timedelta(days=1), ("history",)) == 26
    sound = (folder / MAY).read_bytes()
    held = pq.ParquetFile(folder / MAY).read()

    def found(change: Callable[[pa.Table], pa.Table]) -> set[tuple[Problem, int | None]]:
        changed(folder, MAY, change)
        seen = problems(verify(folder, journal))
        assert {path for _, path, _ in seen} == {MAY}
        (folder / MAY).write_bytes(sound)
        return {(problem, rows) for problem, _, rows in seen}

    bytes_only = {(Problem.CHANGED_BYTES, None)}
    assert found(lambda t: t) == bytes_only
    assert found(lambda t: t[::-1]) == bytes_only | {(Problem.UNSORTED, 1)}
    doubled = found(lambda t: pa.concat_tables([t.slice(0, 3), t]).sort_by("finished_at"))
    assert doubled == bytes_only | {(Problem.DOUBLED_ROWS, 3), (Problem.TOO_MANY_ROWS, 3)}
    last = len(held) - 2
    missing = found(lambda t: t.slice(0, last))
    assert missing == bytes_only | {(Problem.MISSING_ROWS, 2), (Problem.TOO_FEW_ROWS, 2)}
    first = found(lambda t: t.slice(2))
    lost = {(Problem.TOO_FEW_ROWS, 2)} | (set() if trim else {(Problem.MISSING_ROWS, 2)})
    assert first == bytes_only | lost

    other = found(with_value("published_c", 0, 99.0))
    own = set() if trim else {(Problem.CHANGED_ROWS, 1)}
    assert other == bytes_only | own | {(Problem.OTHER_CONTENT, len(held))}
    # A figure that the digest does not cover is seen by the bytes alone.
    assert found(with_value("peak_kpa", 0, 99.0)) == bytes_only
    nameless = found(with_value("epoch", 0, None))
    assert (Problem.DAMAGED_ROWS, 1) in nameless
    strange = found(with_value("analyzer", 0, "fp-102"))
    assert (Problem.MISPLACED_ROWS, 1) in strange
    before = datetime(2026, 4, 30, 23, 59, tzinfo=UTC)
    assert (Problem.MISPLACED_ROWS, 1) in found(with_value("finished_at", 0, before))
    assert problems(verify(folder, journal)) == []


def test_one_changed_sample_of_a_trace_is_found(journal: Journal, folder: Path) -> None:
    """Single precision: the last bit counts."""
    filled(journal, folder)

    def change(table: pa.Table) -> pa.Table:
        lists = table["pressure_kpa"].to_pylist()
        lists[4][7] *= 1.000001
        place = table.schema.get_field_index("pressure_kpa")
        field = table.schema.field(place)
        return table.set_column(place, field, pa.array(lists, field.type))

    changed(folder, FIRST_OF_MAY, change)
    assert {p for p, _, _ in problems(verify(folder, journal))} == {
        Problem.CHANGED_BYTES,
        Problem.CHANGED_ROWS,
        Problem.OTHER_CONTENT,
    }


@pytest.mark.parametrize("where", ["head", "middle", "page", "tail"])
def test_unreadable_files_are_found(where: str, journal: Journal, folder: Path) -> None:
    """Cut or overwritten anywhere."""
    filled(journal, folder)
    path = folder / FIRST_OF_MAY
    data = bytearray(path.read_bytes())
    if where == "tail":
        data = data[:-100]
    else:
        begin = {"head": 0, "middle": len(data) // 2, "page": 60}[where]
        data[begin : begin + 40] = bytes(40)
    path.write_bytes(data)
    seen = problems(verify(folder, journal))
    assert {path for _, path, _ in seen} == {FIRST_OF_MAY}
    # A page of which the compression took the damage for data has other rows, or other bytes.
    assert seen[0][0] in (Problem.UNREADABLE, Problem.CHANGED_BYTES, Problem.CHANGED_ROWS)


def test_one_flipped_bit_anywhere_is_found(journal: Journal, folder: Path) -> None:
    """Every byte of a file counts, also in what no reader looks at."""
    store(journal, sample_result(40))
    HistoryWriter(journal, folder).flush()
    sound = (folder / MAY).read_bytes()
    verification = Verification(folder, journal)
    partition = Partition(TableName.RESULTS, "fp-101", "2026-05")
    assert verification.check(partition) == []
    for place in range(0, len(sound), 97):
        data = bytearray(sound)
        data[place] ^= 1
        (folder / MAY).write_bytes(data)
        assert verification.check(partition), place


def test_a_missing_file_is_found(journal: Journal, folder: Path) -> None:
    """By the ledger alone when the journal has nothing of it any more."""
    filled(journal, folder, trim=True)
    april = "results/an=fp-102/month=2026-04/results.parquet"
    (folder / april).unlink()
    assert problems(verify(folder, journal)) == [(Problem.MISSING_FILE, april, 30)]


def test_what_retention_deleted_is_not_missing(journal: Journal, folder: Path) -> None:
    """Once it is noted, before and after the file goes; late rows may stand there alone."""
    filled(journal, folder, trim=True)
    journal.note_deleted([("results", "fp-102", "2026-04")])
    assert problems(verify(folder, journal)) == []
    (folder / "results/an=fp-102/month=2026-04/results.parquet").unlink()
    report = verify(folder, journal)
    assert (problems(report), report.deleted_files) == ([], 1)
    store(journal, sample_result(5, "fp-102", epoch=1))
    HistoryWriter(journal, folder).flush()
    assert {f.partition.period for f in verify(folder, journal).findings if f.partition} <= {
        "2026-04-30"
    }
    assert problems(verify(folder, journal)) == []


def test_retention_gives_no_alarm(journal: Journal, folder: Path) -> None:
    """Files deleted by age, rows that come later for that time, and rows for a time before; also
    when nothing is to be deleted any more."""
    filled(journal, folder)
    writer = HistoryWriter(journal, folder)
    now = datetime(2026, 5, 2, 1, tzinfo=UTC)
    limits = {TableName.TRACES: Limits(keep_days=0.5)}
    assert writer.delete_old(limits, now, {}).files == 2
    assert not (folder / "traces/an=fp-101/day=2026-04-30").exists()
    store(
        journal,
        sample_result(3, epoch=1),
        sample_result(4, finished_at=START - timedelta(days=9), epoch=1),
    )
    assert writer.flush().passed_over == 2
    report = verify(folder, journal)
    assert (problems(report), report.deleted_files) == ([], 3)
    writer.delete_old({}, now, {})
    assert problems(verify(folder, journal)) == []
    (folder / FIRST_OF_MAY).unlink()
    assert problems(verify(folder, journal)) == [(Problem.MISSING_FILE, FIRST_OF_MAY, 89)]


def test_a_file_of_another_schema_is_named(journal: Journal, folder: Path) -> None:
    """Newer, or none at all."""
    filled(journal, folder)
    for told in (b"999", b""):
        changed(
            folder,
            MAY,
            lambda t, told=told: t.replace_schema_metadata({b"schema_version": told}),  # type: ignore[misc]
        )
        assert problems(verify(folder, journal)) == [(Problem.UNKNOWN_SCHEMA, MAY, None)]


def test_strangers_and_left_overs_are_named(journal: Journal, folder: Path) -> None:
    """A stranger in a table's folder is wrong: readers would take it in."""
    filled(journal, folder)
    stranger = "results/an=fp-101/month=2026-05/copy.parquet"
    shutil.copy(folder / MAY, folder / stranger)
    (folder / ".pending" / "results~fp-101~2026-05~77").write_bytes(b"PAR1")
    (folder / "notes.txt").write_text("mine")
    report = verify(folder, journal)
    assert problems(report) == [(Problem.FOREIGN_FILE, stranger, None)]
    assert report.left_over == (".pending/results~fp-101~2026-05~77", "notes.txt")


def test_a_file_that_comes_while_strangers_are_sought_is_none(
    journal: Journal, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first of a new day, made by the gateway after the folder was listed."""
    filled(journal, folder)
    store(journal, sample_result(2000))
    real = os.walk

    def late(top: Path) -> object:
        HistoryWriter(journal, folder).flush()
        return real(top)

    monkeypatch.setattr(os, "walk", late)
    assert problems(verify(folder, journal)) == []
    assert (folder / "traces/an=fp-101/day=2026-05-06/traces.parquet").exists()


def test_rows_of_an_earlier_journal_are_no_mistake(tmp_path: Path, folder: Path) -> None:
    """A journal begun anew knows nothing of what the one before recorded."""
    with Journal.open(tmp_path / "first.sqlite3") as journal:
        filled(journal, folder)
    with Journal.open(tmp_path / "second.sqlite3") as journal:
        assert problems(verify(folder, journal)) == []
        store(journal, *(sample_result(n) for n in range(120, 160)))
        HistoryWriter(journal, folder).flush()
        assert problems(verify(folder, journal)) == []
        changed(folder, MAY, lambda t: t.slice(0, len(t) - 1))
        assert {p for p, _, _ in problems(verify(folder, journal))} == {
            Problem.CHANGED_BYTES,
            Problem.MISSING_ROWS,
            Problem.TOO_FEW_ROWS,
        }


def test_a_key_that_an_earlier_journal_took_is_told(tmp_path: Path, folder: Path) -> None:
    """The counter began again, and the new journal did not know: its row has no place."""
    with Journal.open(tmp_path / "first.sqlite3") as journal:
        store(journal, sample_result(40))
        HistoryWriter(journal, folder).flush()
    with Journal.open(tmp_path / "second.sqlite3") as journal:
        later = sample_result(40).judged_at + timedelta(hours=1)
        store(journal, sample_result(40, finished_at=later))
        HistoryWriter(journal, folder).flush()
        assert (Problem.KEY_TAKEN, MAY, 1) in problems(verify(folder, journal))


@pytest.mark.parametrize("moment", ["before", "after"])
def test_a_crash_between_note_and_file_gives_no_alarm(
    moment: str, journal: Journal, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed before the file takes its place, or after it and before the ledger is told."""
    filled(journal, folder)
    store(journal, *(sample_result(n) for n in range(120, 130)))
    real = Path.replace

    class Killed(BaseException):
        pass

    def dying(self: Path, target: Path) -> Path:
        if moment == "after":
            real(self, target)
        raise Killed

    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", dying)
        with suppress(Killed):
            HistoryWriter(journal, folder).flush()
    assert problems(verify(folder, journal)) == []
    HistoryWriter(journal, folder).flush()
    report = verify(folder, journal)
    assert (problems(report), report.rows) == ([], 2 * 120 + 2 * 119 + 20)


def test_a_writer_at_work_gives_no_alarm(
    journal: Journal, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Verified before and after each file of a flush is replaced, and between look and ledger."""
    filled(journal, folder)
    store(journal, *(sample_result(n) for n in range(120, 140)))
    real, looks = rewriting.write_file, 0

    def watched(*arguments: object) -> Path:
        nonlocal looks
        looks += 1
        assert problems(verify(folder, journal)) == []
        path = real(*arguments)  # type: ignore[arg-type]
        assert problems(verify(folder, journal)) == []
        return path

    monkeypatch.setattr(rewriting, "write_file", watched)
    HistoryWriter(journal, folder).flush()
    assert looks == 2


def test_a_file_replaced_in_the_middle_of_a_look_is_looked_at_again(
    journal: Journal, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between the ledger's page and the file, and between the file and the ledger."""
    filled(journal, folder)
    writer, number = HistoryWriter(journal, folder), 120
    looked = Verification._look

    def flush() -> None:
        nonlocal number
        store(journal, sample_result(number), sample_result(number, "fp-102"))
        number += 1
        writer.flush()

    def between(self: Verification, partition: object) -> object:
        if number < 124:
            flush()
            seen = looked(self, partition)  # type: ignore[arg-type]
            flush()
            return seen
        return looked(self, partition)  # type: ignore[arg-type]

    monkeypatch.setattr(Verification, "_look", between)
    assert problems(verify(folder, journal)) == []
    assert number >= 124


@pytest.mark.slow
def test_no_alarm_while_a_writer_never_rests(journal: Journal, folder: Path) -> None:
    """Appending, flushing and trimming go on in other threads."""
    filled(journal, folder)
    ended = threading.Event()
    writer = HistoryWriter(journal, folder, max_batch=7)

    def work() -> None:
        number = 120
        while not ended.is_set():
            store(journal, *(sample_result(number + n, "fp-101") for n in range(9)))
            number += 9
            writer.flush()
            journal.trim(datetime.now(UTC) + timedelta(days=1), ("history",))

    thread = threading.Thread(target=work)
    thread.start()
    try:
        for _ in range(8):
            assert problems(verify(folder, journal)) == []
    finally:
        ended.set()
        thread.join()
    assert pc.max(pq.read_table(folder / MAY)["cycle_number"]).as_py() > 130


def test_a_damaged_entry_of_the_journal_is_told(journal: Journal, folder: Path) -> None:
    """It counts for nothing: neither is the file's row called wrong by it, nor is it hidden that
    nothing can come from there."""
    store(journal, *(sample_result(n) for n in range(30, 60)))
    HistoryWriter(journal, folder).flush()
    with closing(sqlite3.connect(journal.path)) as spoiling, spoiling:
        body = "replace(body, '\"cycle_number\":31', '\"cycle_number\":99')"
        spoiling.execute(f"UPDATE results SET body = {body} WHERE cycle_number = 31")
        assert spoiling.execute("SELECT changes()").fetchone() == (1,)
    assert problems(verify(folder, journal)) == [
        (Problem.JOURNAL_DAMAGED, str(journal.path), 1),
    ]


def test_a_damaged_journal_is_told(tmp_path: Path, folder: Path) -> None:
    """As SQLite itself finds it."""
    path = tmp_path / "journal.sqlite3"
    with Journal.open(path) as journal:
        store(journal, *(sample_result(n) for n in range(30, 130)))
        HistoryWriter(journal, folder).flush()
    with closing(sqlite3.connect(path)) as reading:
        sql = "SELECT rootpage FROM sqlite_schema WHERE name = 'results_by_verdict'"
        ((page,),) = reading.execute(sql)
        ((size,),) = reading.execute("PRAGMA page_size")
    data = bytearray(path.read_bytes())
    begin = (page - 1) * size
    data[begin + 8 : begin + 60] = bytes(52)
    path.write_bytes(data)
    with Journal.open_readonly(path) as damaged:
        found = verify(folder, damaged).findings
        assert (found[0].problem, found[0].path) == (Problem.JOURNAL_DAMAGED, str(path))


def test_rows_of_the_first_schema_are_of_an_earlier_journal(tmp_path: Path, folder: Path) -> None:
    """They do not say of which. A journal that counted from its first row on did not write them."""
    with Journal.open(tmp_path / "first.sqlite3") as first:
        store(first, *(sample_result(n) for n in range(30, 60)))
        HistoryWriter(first, folder).flush()
    changed(
        folder,
        MAY,
        lambda t: t.drop_columns(["journal_begun_at", "journal_seq"]).replace_schema_metadata(
            {**t.schema.metadata, b"schema_version": b"1"}
        ),
    )
    with Journal.open(tmp_path / "second.sqlite3") as second:
        store(second, *(sample_result(n) for n in range(60, 70)))
        HistoryWriter(second, folder).flush()
        assert problems(verify(folder, second)) == []


def test_somebodys_copy_of_a_folder_is_a_stranger(journal: Journal, folder: Path) -> None:
    """Beside the month it was made of, in a name that is no month; and in another spelling of the
    analyzer's name. Our readers see each row once all the same."""
    store(journal, *(sample_result(n) for n in range(30, 60)))
    HistoryWriter(journal, folder).flush()
    own = folder / "results/an=fp-101"
    shutil.copytree(own, folder / "results/an=fp%2D101")
    shutil.copytree(own / "month=2026-05", own / "month=2026-05.old")
    shutil.copytree(own / "month=2026-05", own / "month=202605")
    names = ["an=fp%2D101/month=2026-05", "an=fp-101/month=2026-05.old", "an=fp-101/month=202605"]
    assert sorted(problems(verify(folder, journal))) == [
        (Problem.FOREIGN_FILE, f"results/{name}/results.parquet", None) for name in names
    ]
    assert len(read_results(folder)) == 30
    assert len(read_results(folder, since=START)) == 30


def test_times_at_the_limits_have_their_files(journal: Journal, folder: Path) -> None:
    """An analyzer's clock may say anything; nothing else stops for it."""
    far = [datetime(year, 12, 31, 23, tzinfo=UTC) for year in (901, 1, 9999)]
    store(journal, *(sample_result(n, finished_at=at) for n, at in enumerate(far)))
    store(journal, sample_result(40))
    writer = HistoryWriter(journal, folder)
    assert writer.flush().results == 4
    assert problems(verify(folder, journal)) == []
    assert len(read_results(folder, since=START)) == 2
    assert len(read_results(folder, since=datetime(900, 1, 1, tzinfo=UTC))) == 3
    assert len(read_results(folder, until=datetime.max.replace(tzinfo=UTC))) == 4
    limits = {TableName.RESULTS: Limits(keep_days=100)}
    assert writer.delete_old(limits, START, {}).files == 2
    assert len(read_results(folder)) == 2
