"""docs/analyst.md is true: its blocks run in order, as a reader would type them."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from datetime import timedelta
from itertools import chain
from pathlib import Path

import pytest

from edgeflash.demo.simulated import Endpoint
from edgeflash.demo.site_file import write_demo_site
from edgeflash.history import HistoryWriter
from edgeflash.journal import JOURNAL_NAME, Journal
from edgeflash.model import EventEntry, EventKind, LabResult, LabStatus, Result
from simulators.analyzer import SimulatedAnalyzer
from simulators.faults import FaultKind, fault
from tests.simulated_line import SimulatedLine, bench_analyzer
from tests.unit.test_docs import ROOT, Snippet, snippets

BLOCKS = [s for s in snippets(ROOT / "docs" / "analyst.md") if s.mark is not None]
IDS = ("kestrel-1", "kestrel-2")
CYCLES = 16


def judged(name: str, seed: int) -> list[Result]:
    faults = [fault(FaultKind.REPORTED_BIAS, 5), fault(FaultKind.COUNTER_SKIP, 9)]
    line = SimulatedLine(SimulatedAnalyzer(name, seed=seed, faults=faults), bench_analyzer(id=name))
    return [result for result, _ in line.results(CYCLES)]


@pytest.fixture(scope="module")
def state(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A demonstration's folder: judged cycles, the last of each in the journal only, an event and
    a laboratory result; all by the real writer."""
    folder = tmp_path_factory.mktemp("state")
    write_demo_site(
        folder, [Endpoint(name, f"127.0.0.{n}", 1502) for n, name in enumerate(IDS, 1)], speed=20.0
    )
    made = [judged(name, seed) for seed, name in enumerate(IDS)]
    with Journal.open(folder / JOURNAL_NAME) as journal:
        for result in chain.from_iterable(own[:-1] for own in made):
            journal.append(result).result()
        at = made[0][3].sampled_at
        journal.append_event(EventEntry(at, EventKind.COMMENT, IDS[0], text="filter changed"))
        writer = HistoryWriter(journal, folder / "history")
        writer.flush()
        entry = LabResult(IDS[0], "e-1", "Q-1", at, 62.0, LabStatus.FINAL, at + timedelta(hours=9))
        writer.add_lab([entry])
        for own in made:
            journal.append(own[-1]).result()
    return folder


@pytest.fixture(scope="module")
def printed(state: Path) -> list[str]:
    """What each block prints: those in Python in one program, those for a shell each by itself."""
    mark = "<<<end of a block>>>"
    code = "\n".join(f"{b.text}\nprint({mark!r})" for b in of_language("python"))
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "80"}
    command = [sys.executable, "-W", "error", "-c", code]
    done = subprocess.run(
        command, cwd=state, env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.split(mark)[:-1]


def of_language(language: str) -> list[Snippet]:
    return [block for block in BLOCKS if block.language == language]


def part_with(printed: list[str], words: str) -> str:
    """What the one block prints whose code has these words."""
    (number,) = (n for n, b in enumerate(of_language("python")) if words in b.text)
    return printed[number]


def test_every_block_runs_and_says_something(printed: list[str]) -> None:
    """All of the page's Python, in order."""
    assert len(printed) == len(of_language("python")) >= 9
    assert all(part.strip() for part in printed)


def test_what_is_said_is_true(printed: list[str], state: Path) -> None:
    """Figures of the made history: all cycles, the journal's too; Polars sees the files alone."""
    assert part_with(printed, "history.analyzers()").strip() == str(list(IDS))
    assert part_with(printed, "query.count()").strip() == f"{CYCLES} cycles; °C"
    assert "unit" in part_with(printed, 'field("published_c")')
    assert part_with(printed, "batches(").strip() == "1 rejected"
    assert part_with(printed, "attrs[").strip().startswith("kPa | Highest cell pressure")
    assert "boolean" in part_with(printed, "attrs[")
    assert "recomputed_disagrees" in part_with(printed, "explode")
    assert "accepted_percent" in part_with(printed, "to_duckdb")
    assert str(CYCLES - 1) in part_with(printed, "polars")
    assert "good_share" in part_with(printed, "resample")
    assert "°C at the highest pressure" in part_with(printed, "argmax")
    assert f"{CYCLES} cycles" in part_with(printed, "trend_figure")
    assert (state / "trend.png").read_bytes().startswith(b"\x89PNG")


def commands() -> Iterator[str]:
    for block in of_language("sh"):
        yield from block.text.splitlines()


@pytest.mark.parametrize("line", [*commands()])
def test_commands_run(line: str, state: Path) -> None:
    """And leave the file that they name."""
    program, *words = line.split()
    assert program == "edgeflash"
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "80"}
    done = subprocess.run(
        [sys.executable, "-m", "edgeflash", *words],
        cwd=state,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip()
    for word in words:
        if word.endswith((".html", ".png", ".csv", ".parquet")):
            assert (state / word).stat().st_size > 0
