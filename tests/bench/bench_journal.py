"""What the journal costs beside a bare synced write, and what group commit saves.

    python -m tests.bench.bench_journal [FOLDER]

The figures that count are ratios of one run on one disk: absolute ones are those of the disk.
"""

from __future__ import annotations

import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

from edgeflash.history.writer import HistoryWriter
from edgeflash.journal import Journal
from edgeflash.journal.codec import encode
from edgeflash.model import Result
from tests.unit.journal.samples import sample_result, sample_trace

SINGLES = 300
BURST = 2000
TRACE_SAMPLES = 600
MONTH_CYCLES = 31 * 360


def main(folder: Path) -> None:
    """Prints the figures."""
    results = [sample_result(n, trace=sample_trace(n, TRACE_SAMPLES)) for n in range(SINGLES)]
    stored = encode(results[0])
    size = len(stored.body) + len(stored.trace or b"")
    print(f"one result with a trace of {TRACE_SAMPLES} samples: {size} bytes stored")

    # By turns, so that both meet the same moods of the disk.
    bare, journal_s = [], []
    with Journal.open(folder / "single.sqlite3") as journal, _bare_file(folder) as write_bare:
        for result in results:
            bare.append(_seconds(partial(write_bare, os.urandom(size))))
            journal_s.append(_seconds(partial(_append_all, journal, [result])))
    bare_ms, journal_ms = (1000 * statistics.median(s) for s in (bare, journal_s))
    print(f"bare synced write of as many bytes: median {bare_ms:.2f} ms")
    print(f"journal, one result waited for:     median {journal_ms:.2f} ms")
    print(f"ratio: {journal_ms / bare_ms:.2f}")

    burst = [sample_result(n, with_trace=False) for n in range(BURST)]
    with Journal.open(folder / "burst.sqlite3") as journal:
        burst_s = _seconds(lambda: _append_all(journal, burst))
        print(
            f"group commit, {BURST} results at once: {BURST / burst_s:.0f} results/s, "
            f"{BURST * bare_ms / 1000 / burst_s:.1f} for each bare synced write"
        )

    _history(folder)


def _history(folder: Path) -> None:
    with Journal.open(folder / "month.sqlite3") as journal:
        writer = HistoryWriter(journal, folder / "history")
        for first in range(0, MONTH_CYCLES, BURST):
            last = min(first + BURST, MONTH_CYCLES)
            # From two hours before the month on, see the samples.
            _append_all(
                journal, [sample_result(n + 30, with_trace=False) for n in range(first, last)]
            )
        print(f"history, {MONTH_CYCLES} results: {_seconds(writer.flush):.2f} s at once")
        journal.append(sample_result(30 + MONTH_CYCLES - 1, epoch=1)).result()
        print(f"history, one more in a month of them: {_seconds(writer.flush):.3f} s")


@contextmanager
def _bare_file(folder: Path) -> Iterator[Callable[[bytes], None]]:
    """Appends and syncs the data, as a log does."""
    descriptor = os.open(folder / "bare", os.O_CREAT | os.O_APPEND | os.O_WRONLY, 0o600)

    def write(data: bytes) -> None:
        os.write(descriptor, data)
        os.fdatasync(descriptor)

    try:
        yield write
    finally:
        os.close(descriptor)


def _append_all(journal: Journal, results: list[Result]) -> None:
    for done in [journal.append(r) for r in results]:
        done.result()


def _seconds(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as made:
            main(Path(made))
