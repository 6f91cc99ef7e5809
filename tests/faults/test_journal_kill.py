"""The journal and the history under kill -9 and under readers that look on.

A writer process stores results and flushes the history without pause. It says on its output which
results were acknowledged. Whatever moment it is killed at: an acknowledged result is never lost,
none is ever there twice, and the folder can be read by anyone at once.
"""

from __future__ import annotations

import itertools
import random
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import duckdb
import pandas as pd
import polars as pl
import pyarrow.dataset as ds
import pytest

from edgeflash.history import HistoryWriter, read_results, read_traces
from edgeflash.journal import Journal
from tests.faults.journal_writer import ANALYZERS
from tests.unit.journal.samples import sample_result

ROOT = Path(__file__).parent.parent.parent
KILLS = 30
LEAST_TURNS, MOST_TURNS = 25, 1000
"""How often a reader looks: on a busy machine the writer may need long to move rows."""

Key = tuple[str, int]


@contextmanager
def running(folder: Path, first: int) -> Iterator[subprocess.Popen[str]]:
    """The writer as a process of its own."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.faults.journal_writer", folder, str(first)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        yield process
    finally:
        process.kill()
        process.wait()
        if process.stdout is not None:
            process.stdout.close()


def acknowledged(process: subprocess.Popen[str], lines: int | None = None) -> Iterator[Key]:
    """What the writer has said so far; after its end, the rest. A line cut short says nothing."""
    assert process.stdout is not None
    for line in itertools.islice(process.stdout, lines):
        if line.endswith("\n"):
            analyzer, number = line.split()
            yield analyzer, int(number)


def keys_read(table: object) -> list[Key]:
    columns = (table[name].to_pylist() for name in ("analyzer", "cycle_number"))  # type: ignore[index]
    return list(zip(*columns, strict=True))


@pytest.mark.slow
def test_thirty_kills_lose_nothing_and_double_nothing(tmp_path: Path) -> None:
    """Killed at random moments thirty times over the same files."""
    chance = random.Random(20260501)
    safe: set[Key] = set()
    folder = tmp_path
    for _ in range(KILLS):
        first = max((number for _, number in safe), default=-1) + 1
        with running(folder, first) as process:
            # Past the start and some lines; then any moment within the next tenth of a second.
            safe |= set(acknowledged(process, chance.randint(3, 30)))
            with pytest.raises(subprocess.TimeoutExpired):
                process.wait(timeout=chance.uniform(0.0, 0.1))
            process.send_signal(signal.SIGKILL)
            assert process.wait() == -signal.SIGKILL
            safe |= set(acknowledged(process))

        # Before anything is cleared up: any reader, and ours together with the journal.
        if (folder / "history" / "results").exists():
            table = ds.dataset(folder / "history" / "results", partitioning="hive").to_table()
            found = keys_read(table)
            assert len(set(found)) == len(found)
        with Journal.open_readonly(folder / "journal.sqlite3") as journal:
            for read in (read_results, read_traces):
                found = keys_read(read(folder / "history", journal))
                assert len(set(found)) == len(found)
                assert safe <= set(found)

    with Journal.open(folder / "journal.sqlite3") as journal:
        HistoryWriter(journal, folder / "history").flush()
        entries = [e.result for e in journal.entries_after(0, 10**6)]
    stored = {(r.cycle.analyzer, r.cycle.cycle_number) for r in entries}
    assert len(stored) == len(entries)
    assert safe <= stored
    # A commit can be on disk though its answer was not: at most the one under way at each kill.
    assert len(stored - safe) <= KILLS * len(ANALYZERS)
    for table in (read_results(folder / "history"), read_traces(folder / "history")):
        assert sorted(stored) == sorted(keys_read(table))
    for result in entries:
        expected = sample_result(result.cycle.cycle_number, result.cycle.analyzer)
        assert expected == result
    assert len(safe) > KILLS
    assert not list((folder / "history" / ".pending").iterdir())


def pandas_keys(folder: Path) -> list[Key]:
    frame = pd.read_parquet(folder, columns=["analyzer", "cycle_number"])
    return list(zip(frame["analyzer"], frame["cycle_number"], strict=True))


def pyarrow_keys(folder: Path) -> list[Key]:
    return keys_read(ds.dataset(folder, partitioning="hive").to_table())


def polars_keys(folder: Path) -> list[Key]:
    return pl.scan_parquet(folder).select("analyzer", "cycle_number").collect().rows()


def duckdb_keys(folder: Path) -> list[Key]:
    with duckdb.connect(config={"autoinstall_known_extensions": "false"}) as connection:
        query = f"SELECT analyzer, cycle_number FROM '{folder}/**/*.parquet'"
        return connection.execute(query).fetchall()


# Polars and DuckDB look at a file by its name more than once in a reading. When it is replaced in
# between they raise an error, and reading again helps.
READERS: dict[str, tuple[Callable[[Path], list[Key]], tuple[type[Exception], ...]]] = {
    "pandas": (pandas_keys, ()),
    "pyarrow": (pyarrow_keys, ()),
    "polars": (polars_keys, (pl.exceptions.ComputeError,)),
    "duckdb": (duckdb_keys, (duckdb.Error,)),
}


def read_by(reader: str, folder: Path) -> list[Key]:
    """What the reader finds; an error it may raise is answered by reading again, 20 times."""
    keys, loud = READERS[reader]
    for _ in range(20):
        with suppress(*loud):
            return keys(folder)
    raise AssertionError(f"{reader} failed twenty times in a row")


def test_our_reader_sees_each_row_once_while_rows_move(tmp_path: Path) -> None:
    """Files and journal together, during flushes: all acknowledged rows, none twice."""
    folder = tmp_path
    with running(folder, 0) as process:
        safe = set(acknowledged(process, 4))
        with Journal.open_readonly(folder / "journal.sqlite3") as journal:
            positions = set()
            for turn in range(MOST_TURNS):
                safe |= set(acknowledged(process, 6))
                positions.add(journal.position("history"))
                for read in (read_results, read_traces):
                    found = keys_read(read(folder / "history", journal))
                    assert len(set(found)) == len(found)
                    assert safe <= set(found)
                if turn >= LEAST_TURNS and len(positions) > 5:
                    break
    assert len(positions) > 5  # rows did move meanwhile


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("table", ["results", "traces"])
def test_any_reader_sees_each_row_once_during_writes(
    reader: str, table: str, tmp_path: Path
) -> None:
    """A row that was seen once is seen ever after, and never twice, though files are replaced."""
    folder = tmp_path / "history" / table
    seen: set[Key] = set()
    sizes = set()
    with running(tmp_path, 0) as process:
        # A file is there as soon as a later position is.
        safe = set(acknowledged(process, 2))
        with Journal.open_readonly(tmp_path / "journal.sqlite3") as journal:
            while journal.position("history") == 0:
                safe |= set(acknowledged(process, 1))
        for turn in range(MOST_TURNS):
            safe |= set(acknowledged(process, 4))
            found = read_by(reader, folder)
            assert len(set(found)) == len(found)
            assert seen <= set(found)
            seen = set(found)
            sizes.add(len(seen))
            if turn >= LEAST_TURNS and len(sizes) > 5:
                break
    assert len(sizes) > 5  # files did change meanwhile
