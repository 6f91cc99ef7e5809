"""Our own reading: files and journal together, each row once, and only what is wanted."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest

from edgeflash.errors import StorageError, UsageError
from edgeflash.history import HistoryWriter, read_results, read_traces, rewriting, summary
from edgeflash.history.reader import FileVanishedError, Reading
from edgeflash.history.schema import TableName, schema
from edgeflash.history.selection import Selection
from edgeflash.journal import Entry, Journal
from edgeflash.model import Verdict
from tests.unit.history.made_history import store
from tests.unit.journal.samples import CYCLE, START, sample_result


def half_and_half(journal: Journal, folder: Path) -> None:
    """Two analyzers with 40 cycles each over a month's end: 25 in the files, 15 in the journal."""
    names = ("fp-101", "fp-102")
    store(journal, *(sample_result(n, name) for n in range(25) for name in names))
    HistoryWriter(journal, folder).flush()
    store(journal, *(sample_result(n, name) for n in range(25, 40) for name in names))


def numbers(table: pa.Table) -> list[Any]:
    return table["cycle_number"].to_pylist()


def test_rows_only_in_the_journal_are_read_too(journal: Journal, folder: Path) -> None:
    """By analyzer and time, whether in a file or not; without journal only the files' rows."""
    half_and_half(journal, folder)
    for read in (read_results, read_traces):
        assert numbers(read(folder, journal)) == [*range(40), *range(40)]
        assert numbers(read(folder)) == [*range(25), *range(25)]
        assert numbers(read(folder, journal, analyzer="fp-102")) == [*range(40)]


def test_the_whole_is_the_same_before_and_after_a_flush(journal: Journal, folder: Path) -> None:
    """A row reads the same from the journal and from its file, traces included."""
    half_and_half(journal, folder)
    before = read_results(folder, journal), read_traces(folder, journal)
    HistoryWriter(journal, folder).flush()
    assert before[0].equals(read_results(folder, journal))
    assert before[1].equals(read_traces(folder))


def test_rows_in_both_are_read_once(journal: Journal, folder: Path) -> None:
    """Files written, position not yet moved: known by their keys."""
    half_and_half(journal, folder)
    HistoryWriter(journal, folder).flush()
    journal.rewind("history")
    assert numbers(read_results(folder, journal)) == [*range(40), *range(40)]


def test_rows_that_move_during_a_flush_are_read_once(
    journal: Journal, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Read before and after each file of a flush is replaced: always all rows, each once."""
    half_and_half(journal, folder)
    real, looks = rewriting.write_file, 0

    def look() -> None:
        nonlocal looks
        looks += 1
        for read in (read_results, read_traces):
            assert numbers(read(folder, journal)) == [*range(40), *range(40)]

    def watched(*arguments: Any) -> Path:
        look()
        path = real(*arguments)
        look()
        return path

    monkeypatch.setattr(rewriting, "write_file", watched)
    HistoryWriter(journal, folder).flush()
    assert looks == 2 * 8  # two analyzers, two tables, both sides of midnight


@pytest.mark.parametrize("moment", ["before", "after"])
def test_rows_that_move_during_a_reading_are_read_once(
    moment: str, journal: Journal, folder: Path
) -> None:
    """A flush just before or just after the journal is looked at takes no row from the reading."""
    half_and_half(journal, folder)

    class Moving(Journal):
        """A journal that is flushed into the files when its position is asked for."""

        asked = False

        def position(self, consumer: str) -> int:
            if Moving.asked:
                return super().position(consumer)
            Moving.asked = True
            before = super().position(consumer)
            HistoryWriter(self, folder).flush()
            return super().position(consumer) if moment == "before" else before

    journal.close()
    with Moving(journal.path) as moving:
        found = read_results(folder, moving)
    assert Moving.asked
    assert numbers(found) == [*range(40), *range(40)]


@pytest.mark.parametrize("flushed", [True, False])
def test_since_is_included_and_until_is_not(flushed: bool, journal: Journal, folder: Path) -> None:
    """Finished at or after since, before until; to the microsecond."""
    half_and_half(journal, folder)
    if flushed:
        HistoryWriter(journal, folder).flush()
    since, until = START + 20 * CYCLE, START + 33 * CYCLE
    tick = timedelta(microseconds=1)
    for read in (read_results, read_traces):
        assert numbers(read(folder, journal, "fp-101", since, until)) == [*range(20, 33)]
        assert numbers(read(folder, journal, "fp-101", since + tick, until + tick)) == [
            *range(21, 34)
        ]


@pytest.mark.parametrize("flushed", [True, False])
def test_by_verdict(flushed: bool, journal: Journal, folder: Path) -> None:
    """Traces have no verdict of their own; that of their cycle counts."""
    half_and_half(journal, folder)
    if flushed:
        HistoryWriter(journal, folder).flush()
    expected = [n for n in range(40) if n % 4 == 3]
    for read in (read_results, read_traces):
        found = read(folder, journal, "fp-101", verdict=Verdict.REJECTED)
        assert numbers(found) == expected


def test_a_naive_time_is_refused(folder: Path) -> None:
    """Which noon? Better to ask than to guess."""
    with pytest.raises(UsageError, match=r"until.*timezone"):
        read_results(folder, until=datetime(2026, 5, 1))  # noqa: DTZ001  # the mistake under test


def test_no_folder_is_an_error_without_a_journal(journal: Journal, folder: Path) -> None:
    """A wrong path is said; a gateway that has not flushed yet is no mistake."""
    with pytest.raises(StorageError, match="there is no history here"):
        read_results(folder)
    store(journal, sample_result(1))
    assert numbers(read_results(folder, journal)) == [1]


def test_nothing_found_has_the_schema(journal: Journal, folder: Path) -> None:
    """An empty answer has every column."""
    half_and_half(journal, folder)
    found = read_traces(folder, journal, analyzer="fp-999")
    assert len(found) == 0
    assert found.schema.equals(schema(TableName.TRACES))


def test_units_reach_the_reader(journal: Journal, folder: Path) -> None:
    """The fields' metadata says the unit, also after merging and filtering."""
    half_and_half(journal, folder)
    found = read_results(folder, journal, verdict=Verdict.ACCEPTED)
    assert found.schema.field("published_c").metadata[b"unit"] == "°C".encode()


def test_a_damaged_file_is_named(journal: Journal, folder: Path) -> None:
    """Reading a damaged file gives an error with its path, not fewer rows."""
    half_and_half(journal, folder)
    path = folder / "results/an=fp-101/month=2026-04/results.parquet"
    path.write_bytes(path.read_bytes()[:-100])
    with pytest.raises(StorageError, match=str(path)):
        read_results(folder, journal)


def test_a_file_that_is_written_again_meanwhile_is_read_again(
    journal: Journal, folder: Path
) -> None:
    """A pass that meets a vanished file fails; reading as a whole begins anew and gets all."""
    half_and_half(journal, folder)
    HistoryWriter(journal, folder).flush()
    path = folder / "results/an=fp-102/month=2026-05/results.parquet"
    _, tables = Reading(folder, TableName.RESULTS, journal, Selection()).begin()
    whole = path.read_bytes()
    path.unlink()
    with pytest.raises(FileVanishedError, match=str(path)):
        list(tables)

    class Restoring(Journal):
        """A journal at whose second reading the file is back."""

        readings = 0

        def entries_after(self, seq: int, limit: int) -> list[Entry]:
            Restoring.readings += 1
            if Restoring.readings == 2:
                path.write_bytes(whole)
            elif Restoring.readings == 1:
                path.write_bytes(whole)
                _vanish_after_listing(path, monkey)
            return super().entries_after(seq, limit)

    monkey = pytest.MonkeyPatch()
    journal.close()
    try:
        with Restoring(journal.path) as restoring:
            assert numbers(read_results(folder, restoring)) == [*range(40), *range(40)]
    finally:
        monkey.undo()
    assert Restoring.readings == 2


def _vanish_after_listing(path: Path, monkey: pytest.MonkeyPatch) -> None:
    """Takes the file away between the listing and the reading, once."""
    from edgeflash.history import reader

    real = reader.partitions_in

    def listing(*arguments: Any) -> Any:
        found = real(*arguments)
        path.unlink()
        monkey.undo()
        return found

    monkey.setattr(reader, "partitions_in", listing)


def test_summary_counts_by_analyzer(journal: Journal, folder: Path) -> None:
    """First, last, counts and the span of the accepted values, journal included."""
    half_and_half(journal, folder)
    first, second = summary(folder, journal)
    assert (first.analyzer, second.analyzer) == ("fp-101", "fp-102")
    assert (first.first, first.last) == (START, START + 39 * CYCLE)
    assert (first.cycles, first.accepted, first.doubtful, first.rejected) == (40, 20, 10, 10)
    # Published: reported 62.0 to 62.6 °C plus 0.5, by the samples.
    assert first.low_c == pytest.approx(62.5)
    assert first.high_c == pytest.approx(63.1)
    assert summary(folder, journal, since=START + 40 * CYCLE) == []


def test_summary_without_accepted_cycles(journal: Journal, folder: Path) -> None:
    """No accepted value, no span."""
    store(journal, sample_result(1, verdict=Verdict.REJECTED))
    (found,) = summary(folder, journal)
    assert (found.cycles, found.rejected, found.low_c, found.high_c) == (1, 1, None, None)
