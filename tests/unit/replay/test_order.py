"""The order in which recorded cycles were judged, whatever the clocks and the journal went through.

The reference is the order in which they were written.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from contextlib import closing
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from edgeflash.history import HistoryWriter, read_results
from edgeflash.journal import Journal
from edgeflash.model import Result
from edgeflash.replay.cases import Recordings
from tests.unit.journal.samples import START, sample_result

BACK = timedelta(hours=1)
"""By how much the wall clock is set back: some cycles of four minutes."""


def cycle(number: int, at: datetime, epoch: int = 0) -> Result:
    """A cycle that finished and was judged when the wall clock showed `at`."""
    result = sample_result(number, "kestrel-1", epoch=epoch, finished_at=at, with_trace=False)
    return replace(result, judged_at=at + timedelta(seconds=2))


def set_back(count: int, at: int, start: datetime = START, epoch: int = 0) -> list[Result]:
    """Cycles four minutes apart; before number `at` the clock was set back."""
    return [
        cycle(n, start + timedelta(minutes=4 * n) - (BACK if n >= at else timedelta()), epoch)
        for n in range(count)
    ]


def append(journal: Journal, results: Iterable[Result]) -> None:
    for result in results:
        assert journal.append(result).result(10)


def order(folder: Path, journal: Journal | None = None) -> list[tuple[int, int]]:
    return [place.key for place in Recordings(folder, journal).places("kestrel-1")]


def keys(results: Iterable[Result]) -> list[tuple[int, int]]:
    return [(r.cycle.epoch, r.cycle.cycle_number) for r in results]


@pytest.mark.parametrize("flushed", [0, 5, 15, 20, 30])
def test_a_clock_set_back_does_not_mix_the_cycles(tmp_path: Path, flushed: int) -> None:
    """In the files, in the journal's tail, and with some in each; over a month's end."""
    made = set_back(30, 20, START + timedelta(hours=1))
    assert made[10].judged_at > made[20].judged_at
    with Journal.open(tmp_path / "journal.sqlite3") as journal:
        append(journal, made[:flushed])
        HistoryWriter(journal, tmp_path / "history").flush()
        append(journal, made[flushed:])
        assert order(tmp_path / "history", journal) == keys(made)


def test_a_new_journal_counts_from_one_again(tmp_path: Path) -> None:
    """The old one was lost: what came after stands after, whatever its numbers."""
    folder = tmp_path / "history"
    made = [*set_back(30, 20), *set_back(12, 6, START + timedelta(hours=3), epoch=1)]
    for name, some in (("first", made[:30]), ("second", made[30:])):
        with Journal.open(tmp_path / f"{name}.sqlite3") as journal:
            append(journal, some)
            HistoryWriter(journal, folder).flush()
    assert order(folder) == keys(made)
    rows = read_results(folder)
    assert sorted(rows["journal_seq"].to_pylist()) == sorted([*range(1, 31), *range(1, 13)])
    assert len(set(rows["journal_begun_at"].to_pylist())) == 2


def without_places(folder: Path) -> None:
    """The files as an edgeflash of before wrote them."""
    for path in folder.glob("results/*/*/*.parquet"):
        rows = pq.read_table(path, partitioning=None)
        pq.write_table(rows.drop_columns(["journal_begun_at", "journal_seq"]), path)


def test_rows_of_before_come_first_by_their_time(tmp_path: Path) -> None:
    """Old rows have judged_at alone; new ones follow them even where the clock went back."""
    folder = tmp_path / "history"
    old = set_back(10, 99)
    new = set_back(12, 4, START + timedelta(minutes=10), epoch=1)
    assert new[0].judged_at < old[-1].judged_at
    with Journal.open(tmp_path / "journal.sqlite3") as journal:
        append(journal, old)
        HistoryWriter(journal, folder).flush()
        without_places(folder)
        assert order(folder, journal) == keys(old)
        append(journal, new[:6])
        HistoryWriter(journal, folder).flush()
        append(journal, new[6:])
        assert order(folder, journal) == keys([*old, *new])


def test_a_journal_that_only_an_older_edgeflash_has_written(tmp_path: Path) -> None:
    """Looked at by a newer one before its gateway is started: its tail follows the files."""
    folder, path = tmp_path / "history", tmp_path / "journal.sqlite3"
    made = set_back(30, 20)
    with Journal.open(path) as journal:
        append(journal, made[:15])
        HistoryWriter(journal, folder).flush()
        append(journal, made[15:])
    without_places(folder)
    with closing(sqlite3.connect(path)) as before:
        before.execute("DROP TABLE beginning")
    with Journal.open_readonly(path) as reader:
        places = Recordings(folder, reader).places("kestrel-1")
        assert [place.key for place in places] == keys(made)
        assert {e.journal_begun_at for e in reader.entries_after(0, 99)} == {None}
    with Journal.open(path) as journal:
        assert None not in {e.journal_begun_at for e in journal.entries_after(0, 99)}
        assert order(folder, journal) == keys(made)


def test_a_journal_keeps_its_beginning(tmp_path: Path) -> None:
    """Opened again it is the same journal, though the clock has moved."""
    path, begun = tmp_path / "journal.sqlite3", set()
    for number in range(3):
        with Journal.open(path) as journal:
            append(journal, [cycle(number, START)])
            begun |= {e.journal_begun_at for e in journal.entries_after(0, 99)}
    assert len(begun) == 1
    assert None not in begun
