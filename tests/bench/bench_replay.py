"""A year of recorded cycles judged again: cycles per second on one core and on all, and memory.

Run `python -m tests.bench.bench_replay [CYCLES]`. A few hundred simulated cycles are judged once
and their rows repeated, with new numbers and times, in the real schema and folders; so a history
of 100,000 cycles with their traces stands in a minute.
"""

from __future__ import annotations

import os
import resource
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from itertools import groupby
from pathlib import Path
from time import perf_counter

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import pyarrow as pa

from edgeflash.config.site import Site
from edgeflash.history.layout import Partition, partition_of, rows_by_partition
from edgeflash.history.rewriting import add_rows
from edgeflash.history.schema import TableName
from edgeflash.journal import Entry
from edgeflash.model import PreviousResult, Result
from edgeflash.replay.cases import Recordings
from edgeflash.replay.judge_again import judged_again, runs
from edgeflash.replay.report import Report
from simulators.analyzer import SimulatedAnalyzer
from simulators.faults import FaultKind
from tests.bench.report import heading, table
from tests.unit.replay.runs import faults_in_turn, recorded_site

ANALYZER = "kestrel-1"
CYCLES = 100_000
MODELS = 240
EVERY_S = 315.0
"""100,000 cycles so far apart take a year."""

KINDS = (FaultKind.WEAK_IGNITION, FaultKind.NO_IGNITION, FaultKind.CONTAMINATION)


def main() -> None:
    """Prints the figures of one history, judged twice."""
    cycles = int(sys.argv[1]) if len(sys.argv) > 1 else CYCLES
    heading(f"{cycles} recorded cycles with traces judged again")
    with tempfile.TemporaryDirectory() as folder:
        site, models = recorded_site(
            Path(folder),
            [(ANALYZER, SimulatedAnalyzer(seed=1, faults=faults_in_turn(KINDS, 20, 60)), MODELS)],
        )
        history = Path(folder) / "year"
        started = perf_counter()
        write_history(history, models, cycles)
        size = sum(p.stat().st_size for p in history.rglob("*.parquet"))
        print(f"history of {size / 1e6:.0f} MB written in {perf_counter() - started:.0f} s\n")
        cores = len(os.sched_getaffinity(0))
        figures = {jobs: judged(history, site, jobs) for jobs in (1, cores)}
    rows = [
        (f"{jobs} processes", f"{cycles / s:.0f}", f"{s:.1f}", f"{own:.0f}", f"{others:.0f}")
        for jobs, (s, own, others) in figures.items()
    ]
    table(("", "cycles/s", "s", "MB, this process", "MB, largest other"), rows)
    print(f"all cores ÷ one core: {figures[1][0] / figures[cores][0]:.2f} with {cores} cores")


def judged(history: Path, site: Site, jobs: int) -> tuple[float, float, float]:
    """Seconds, and the peak memory in MB of this process so far and of the largest other one."""
    recordings = Recordings(history, None)
    started = perf_counter()
    report = Report()
    for again in judged_again(recordings, site, runs(recordings, [ANALYZER], None, None), jobs):
        report.add(again)
    taken_s = perf_counter() - started
    assert not report.not_judged, report.not_judged[0]
    return taken_s, _peak_mb(resource.RUSAGE_SELF), _peak_mb(resource.RUSAGE_CHILDREN)


def _peak_mb(who: int) -> float:
    return resource.getrusage(who).ru_maxrss / 1024.0


def write_history(folder: Path, models: Sequence[Result], cycles: int) -> None:
    """The models again and again with new numbers and times, month by month."""
    start = models[0].cycle.finished_at

    def month(number: int) -> Partition:
        return partition_of(
            TableName.RESULTS, ANALYZER, start + timedelta(seconds=number * EVERY_S)
        )

    for _, numbers in groupby(range(cycles), month):
        by_file: dict[Partition, list[pa.Table]] = {}
        months = list(numbers)
        for first in range(0, len(months), 1000):
            some = [Entry(n, repeated(models, n)) for n in months[first : first + 1000]]
            for partition, rows in rows_by_partition(some).items():
                by_file.setdefault(partition, []).append(rows)
        for partition, parts in by_file.items():
            add_rows(folder, partition, pa.concat_tables(parts))


def repeated(models: Sequence[Result], number: int) -> Result:
    """Cycle `number` of the year, with what one of the models showed."""
    model = models[number % len(models)]
    finished = models[0].cycle.finished_at + timedelta(seconds=number * EVERY_S)
    later = finished - model.cycle.finished_at
    previous = model.cycle.previous
    cycle = replace(
        model.cycle,
        epoch=0,
        cycle_number=number,
        finished_at=finished,
        previous=None if previous is None else _moved(previous, number - 1, later),
    )
    return replace(
        model,
        cycle=cycle,
        judged_at=model.judged_at + later,
        sampled_at=model.sampled_at + later,
    )


def _moved(previous: PreviousResult, number: int, later: timedelta) -> PreviousResult:
    return replace(previous, epoch=0, cycle_number=number, finished_at=previous.finished_at + later)


if __name__ == "__main__":
    main()
