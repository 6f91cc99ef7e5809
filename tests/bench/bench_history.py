"""What the history costs to read, to keep and to write, beside the plainest way to do each.

    python -m tests.bench.bench_history [--scale 0.01] [--only read,size,write] [FOLDER]

read: ten analyzers × ten years of results (10.5 million rows at scale 1) in the layout that the
gateway writes, beside DuckDB on one plain Parquet file with the same rows, sorted by analyzer and
time. One analyzer-month as a DataFrame; one analyzer's daily share of accepted cycles. CPU seconds
by turns, and each one's own peak of memory. The rows are made from simulated cycles; `as_read` is
null in them: it would be 20 GB to write, and neither question reads it.
FOLDER keeps what was made for the next run.
size: bytes of a result and of a trace of 3,000 points, beside raw float32 (its three columns).
write: results a second through journal and history, beside bare group commits of the same bytes,
with 1, 16 and 256 results in a commit. The ratio by the clock holds on an idle machine only: on a
busy one the disk answers as fast as ever, and a processor is waited for.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache, partial
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from edgeflash.history import HistoryWriter, open_history
from edgeflash.history.relations import connected
from edgeflash.journal import Journal
from edgeflash.model import Result, Trace
from simulators.analyzer import SimulatedAnalyzer
from simulators.faults import FaultKind, fault
from tests.bench.history_writing import write
from tests.bench.made_history import make_history, start_of
from tests.bench.report import heading, in_turn, ratio, table
from tests.simulated_line import SimulatedLine, bench_analyzer

ROUNDS = 7
ANALYZERS, MONTHS = 10, 120
SIMULATED = 600
TRACE_POINTS = 3000


def main() -> None:
    """Prints the figures."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument(
        "--scale", type=float, default=1.0, help="of the ten years; 0.01 in seconds"
    )
    parser.add_argument("--only", default="read,size,write")
    parser.add_argument("--question", help=argparse.SUPPRESS)
    parser.add_argument("folder", type=Path, nargs="?")
    given = parser.parse_args()
    if given.question:
        QUESTIONS[given.question](Place(given.folder, months_of(given.scale)))
        # Not getrusage: that begins with the peak of the process that started this one.
        status = Path("/proc/self/status").read_text()
        print(next(s.split()[1] for s in status.splitlines() if s.startswith("VmHWM")))
        return
    with tempfile.TemporaryDirectory(dir=given.folder) as made:
        heading("history")
        results = simulated(max(60, round(SIMULATED * min(1.0, 10 * given.scale))))
        wanted = given.only.split(",")
        if "read" in wanted:
            read(given.folder or Path(made), given.scale, results)
        if "size" in wanted:
            size(Path(made), results)
        if "write" in wanted:
            write(Path(made), results, max(200, round(6000 * min(1.0, 10 * given.scale))))


def months_of(scale: float) -> int:
    """Months of each analyzer; at least two."""
    return max(2, round(MONTHS * scale))


def simulated(count: int) -> list[Result]:
    """Judged cycles of a simulated analyzer, some of them with faults; always the same."""
    faults = [
        *(fault(FaultKind.REPORTED_BIAS, n) for n in range(25, count, 60)),
        *(fault(FaultKind.NO_IGNITION, n) for n in range(50, count, 60)),
        *(fault(FaultKind.COUNTER_SKIP, n) for n in range(10, count, 40)),
    ]
    line = SimulatedLine(SimulatedAnalyzer("kestrel-01", seed=7, faults=faults), bench_analyzer())
    return [result for result, _ in line.results(count)]


# Reading


@dataclass(frozen=True, slots=True)
class Place:
    """A made history, and beside it one plain file with the same rows."""

    top: Path
    months: int

    @property
    def folder(self) -> Path:
        return self.top / "history"

    @property
    def plain(self) -> Path:
        return self.top / "plain.parquet"

    @property
    def month(self) -> tuple[datetime, datetime]:
        """The month that is asked for, in the middle."""
        middle = self.months // 2
        return start_of(middle), start_of(middle + 1)


@cache
def connection() -> Any:
    """One for all: making it is no part of a question."""
    return connected()


ANALYZER = "kestrel-05"
FIGURES = (
    "finished_at",
    "sampled_at",
    "verdict",
    "published_c",
    "reported_c",
    "recomputed_c",
    "uncertainty_c",
    "peak_kpa",
)
_DAILY = "date_trunc('day', finished_at) AS day, avg(CAST(verdict = 'accepted' AS INT)) AS share"


def month_ours(place: Place, columns: tuple[str, ...] | None) -> Any:
    """One analyzer-month through the API."""
    return open_history(place.folder).results(ANALYZER, *place.month, columns=columns).to_pandas()


def month_plain(place: Place, columns: tuple[str, ...] | None) -> Any:
    """The same by DuckDB from the plain file."""
    since, until = (f"TIMESTAMPTZ '{moment.isoformat()}'" for moment in place.month)
    rows = (
        connected()
        .read_parquet(str(place.plain))
        .filter(f"analyzer = '{ANALYZER}' AND finished_at >= {since} AND finished_at < {until}")
    )
    return (rows.project(", ".join(columns)) if columns else rows).df()


def daily_ours(place: Place) -> pa.Table:
    """One analyzer's daily share of accepted cycles through the API, counted by Arrow."""
    rows = open_history(place.folder).results(ANALYZER, columns=("finished_at", "verdict"))
    table = rows.to_arrow()
    day = pc.divide(table["finished_at"].cast(pa.int64()), 86_400_000_000)
    accepted = pc.equal(table["verdict"], "accepted").cast(pa.int8())
    counted = pa.table({"day": day, "accepted": accepted}).group_by("day", use_threads=False)
    return counted.aggregate([("accepted", "mean")])


def daily_relation(place: Place) -> pa.Table:
    """The same through the API as a DuckDB relation."""
    rows = open_history(place.folder).results(ANALYZER).to_duckdb(connection())
    return rows.aggregate(_DAILY).to_arrow_table()


def daily_plain(place: Place) -> pa.Table:
    """The same by DuckDB from the plain file."""
    rows = connection().read_parquet(str(place.plain)).filter(f"analyzer = '{ANALYZER}'")
    return rows.aggregate(_DAILY).to_arrow_table()


QUESTIONS: dict[str, Callable[[Place], Any]] = {
    "month, all columns": partial(month_ours, columns=None),
    "month, all columns, plain": partial(month_plain, columns=None),
    "month, 8 columns": partial(month_ours, columns=FIGURES),
    "month, 8 columns, plain": partial(month_plain, columns=FIGURES),
    "daily share": daily_ours,
    "daily share as a relation": daily_relation,
    "daily share, plain": daily_plain,
    "nothing": lambda place: (open_history(place.folder), connection()),
}
"""Each with what it is compared with: the one whose name ends in "plain"."""


def read(top: Path, scale: float, results: list[Result]) -> None:
    """Makes both and asks both."""
    place = Place(top, months_of(scale))
    made = top / f"made-{place.months}"
    if not made.exists():
        begun = time.perf_counter()
        pool = pool_of(results)
        rows = sum(make_history(place.folder, place.plain, pool, ANALYZERS, place.months))
        made.write_text(f"{rows:,} results, made in {time.perf_counter() - begun:.0f} s")
    kept = sum(path.stat().st_size for path in place.folder.rglob("*.parquet"))
    print(
        f"{made.read_text()}, in {ANALYZERS * place.months} files: {kept / 1e6:.0f} MB; plain file "
        f"{place.plain.stat().st_size / 1e6:.0f} MB\n"
    )
    check(place)
    seconds = in_turn({name: partial(ask, place) for name, ask in QUESTIONS.items()}, ROUNDS)
    peaks = {name: peak_mb(place, scale, name) for name in QUESTIONS}
    lines = []
    for name in QUESTIONS:
        plain = next((p for p in QUESTIONS if p.endswith("plain") and name.startswith(p[:-7])), "")
        beside = f"{ratio(seconds[name], seconds[plain]):.2f}" if plain and plain != name else ""
        lines.append((name, f"{median(seconds[name]) * 1e3:.0f}", beside, f"{peaks[name]:.0f}"))
    table(("question", "CPU ms", "ratio to plain", "peak MB"), lines)


def pool_of(results: list[Result]) -> pa.Table:
    """The rows that the made ones are like, as the real writer keeps them."""
    with tempfile.TemporaryDirectory() as made:
        written(Path(made), results)
        return open_history(Path(made) / "history").results().to_arrow()


def written(top: Path, results: list[Result]) -> None:
    """The results through journal and history."""
    with Journal.open(top / "journal.sqlite3") as journal:
        for done in [journal.append(r) for r in results]:
            done.result()
        HistoryWriter(journal, top / "history").flush()


def check(place: Place) -> None:
    """Both give the same, or the comparison says nothing."""
    for columns in (None, FIGURES):
        ours, plain = month_ours(place, columns), month_plain(place, columns)
        assert len(ours) == len(plain) > 8000
        assert ours["finished_at"].tolist() == plain["finished_at"].tolist()
    shares = [sorted(t.column(1).to_pylist()) for t in (daily_ours(place), daily_plain(place))]
    np.testing.assert_allclose(*shares)
    assert len(daily_relation(place)) == len(shares[0])


def peak_mb(place: Place, scale: float, name: str) -> float:
    """Peak of memory of a process that asks just this."""
    command = [sys.executable, "-m", "tests.bench.bench_history", "--question", name]
    done = subprocess.run(
        [*command, "--scale", str(scale), str(place.top)],
        capture_output=True,
        text=True,
        check=True,
    )
    return int(done.stdout.splitlines()[-1]) / 1024


# Size


def size(top: Path, results: list[Result]) -> None:
    """What rows take as the writer leaves them."""
    lines = []
    for name, made in (
        ("as simulated", results),
        (
            f"traces of {TRACE_POINTS} points",
            list(lengthened(results)),
        ),
    ):
        folder = top / f"size {name}"
        written(folder, made)
        history = open_history(folder / "history")
        for kind in ("results", "traces"):
            paths = list((folder / "history" / kind).rglob("*.parquet"))
            rows = getattr(history, kind)().to_arrow()
            bytes_kept = sum(path.stat().st_size for path in paths)
            raw = raw_bytes(rows)
            share = f"{bytes_kept / raw:.3f}" if kind == "traces" else ""
            lines.append(
                (f"{kind}, {name}", str(len(rows)), f"{bytes_kept / len(rows):.0f}", share)
            )
    table(("rows", "how many", "bytes each", "of raw float32"), lines)


def lengthened(results: list[Result]) -> Iterator[Result]:
    """Results whose traces are those of several, one after the other: 3,000 points; each is used
    once, for the same one twice would cost nothing the second time."""
    time_s: list[Any] = []
    temperature_c: list[Any] = []
    pressure_kpa: list[Any] = []
    for result in results:
        trace = result.cycle.trace
        if trace is None:
            continue
        begin_s = float(time_s[-1][-1]) + 0.25 if time_s else 0.0
        time_s.append(np.round(trace.time_s + begin_s, 2))
        temperature_c.append(trace.temperature_c)
        pressure_kpa.append(trace.pressure_kpa)
        if sum(map(len, time_s)) >= TRACE_POINTS:
            columns = (time_s, temperature_c, pressure_kpa)
            long = Trace(trace.source, *(np.concatenate(c)[:TRACE_POINTS] for c in columns))
            yield replace(result, cycle=replace(result.cycle, trace=long))
            for column in columns:
                column.clear()


def raw_bytes(rows: pa.Table) -> int:
    """All samples as bare float32."""
    names = ("time_s", "temperature_c", "pressure_kpa", "pulse_kpa")
    counts = (
        pc.sum(pc.list_value_length(rows[n])).as_py() for n in names if n in rows.column_names
    )
    return 4 * sum(count or 0 for count in counts)


if __name__ == "__main__":
    main()
