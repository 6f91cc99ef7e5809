"""What it costs to write results: part `write` of bench_history."""

from __future__ import annotations

import shutil
import sqlite3
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from statistics import median
from typing import Any

from edgeflash.history import HistoryWriter
from edgeflash.history.writer import CONSUMER
from edgeflash.journal import Journal
from edgeflash.journal.codec import encode
from edgeflash.model import Result
from tests.bench.report import ratio, table

WRITE_ROUNDS = 3
WAYS = ("bare", "journal", "journal, then history", "journal and history")
FLUSHED_AT = 1024
"""Results that wait for the history when it is brought up."""
GROUPS = {1: 0.25, 16: 0.5, 256: 1.0}
"""Results in one commit, and the share of the results that are written so: syncs take time."""


def write(top: Path, results: list[Result], count: int) -> None:
    """Results a second, by turns with bare commits of the same bytes, in groups of several sizes.

    An analyzer gives one result in some minutes: groups of 1 and of a few are the rule, 256 are
    what a gateway takes in after a break.
    """
    made = [again(results[n % len(results)], n) for n in range(count)]
    bodies = [(*r.key, s.body, s.trace) for r in made for s in (encode(r),)]
    lines: list[tuple[str, ...]] = []
    for group, share in GROUPS.items():
        some = max(100, round(count * share))
        spent: dict[str, list[Spent]] = {name: [] for name in WAYS}
        for turn in range(WRITE_ROUNDS):
            folder = top / f"group {group} turn {turn}"
            folder.mkdir()
            spent["bare"].append(timed(partial(bare, folder / "bare", bodies[:some], group)))
            with Journal.open(folder / "journal.sqlite3") as journal:
                appended = timed(partial(append, journal, made[:some], group))
                flushed = timed(HistoryWriter(journal, folder / "history").flush)
            spent["journal"].append(appended)
            spent["journal, then history"].append(appended + flushed)
            spent["journal and history"].append(
                timed(partial(at_once, folder / "at once", made[:some], group))
            )
            shutil.rmtree(folder)
        bare_ones = spent["bare"]
        for name, turns in spent.items():
            lines.append(
                (
                    f"{group} at a time, {name}",
                    f"{some / median(s.clock_s for s in turns):.0f}",
                    f"{ratio([s.clock_s for s in bare_ones], [s.clock_s for s in turns]):.2f}",
                    f"{median(s.cpu_s for s in turns) / some * 1e6:.0f}",
                    f"{ratio([s.cpu_s for s in bare_ones], [s.cpu_s for s in turns]):.2f}",
                )
            )
    columns = (
        "results with traces",
        "a second",
        "of bare",
        "CPU \N{MICRO SIGN}s",
        "of bare by CPU",
    )
    table(columns, lines)


def again(result: Result, number: int) -> Result:
    """The result under a number of its own, five minutes after the one before."""
    shift = timedelta(seconds=300 * number) - (
        result.cycle.finished_at - datetime(2026, 1, 1, tzinfo=UTC)
    )
    cycle = replace(result.cycle, cycle_number=number, finished_at=result.cycle.finished_at + shift)
    return replace(
        result,
        cycle=cycle,
        sampled_at=result.sampled_at + shift,
        judged_at=result.judged_at + shift,
    )


def at_once(folder: Path, results: list[Result], group: int) -> None:
    """As a gateway does: one thread stores, another brings the history up to it."""
    folder.mkdir()
    ended = threading.Event()
    with Journal.open(folder / "journal.sqlite3") as journal:
        writer = HistoryWriter(journal, folder / "history")

        def keep_up() -> None:
            while not ended.wait(0.01):
                if journal.pending(CONSUMER) >= FLUSHED_AT:
                    writer.flush()

        thread = threading.Thread(target=keep_up)
        thread.start()
        try:
            append(journal, results, group)
        finally:
            ended.set()
            thread.join()
        assert writer.flush().position == journal.newest()


def append(journal: Journal, results: list[Result], group: int) -> None:
    """All of them, a group waited for at a time."""
    for first in range(0, len(results), group):
        for done in [journal.append(r) for r in results[first : first + group]]:
            done.result()


def bare(path: Path, rows: list[tuple[Any, ...]], group: int) -> None:
    """What a program without judgement would do: write-ahead log, full synchronisation, groups."""
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute(
        "CREATE TABLE results (seq INTEGER PRIMARY KEY, analyzer TEXT, epoch INT, number INT, "
        "body BLOB, trace BLOB, UNIQUE (analyzer, epoch, number))"
    )
    for first in range(0, len(rows), group):
        connection.execute("BEGIN IMMEDIATE")
        connection.executemany(
            "INSERT INTO results (analyzer, epoch, number, body, trace) VALUES (?, ?, ?, ?, ?)",
            rows[first : first + group],
        )
        connection.execute("COMMIT")
    connection.close()


@dataclass(frozen=True, slots=True)
class Spent:
    """Seconds by the clock, waiting for the disk among them, and of the processors."""

    clock_s: float
    cpu_s: float

    def __add__(self, other: Spent) -> Spent:
        return Spent(self.clock_s + other.clock_s, self.cpu_s + other.cpu_s)


def timed(work: Callable[[], object]) -> Spent:
    """What a piece of work takes."""
    begun, busy = time.perf_counter(), time.process_time()
    work()
    return Spent(time.perf_counter() - begun, time.process_time() - busy)
