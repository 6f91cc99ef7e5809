"""Fleet questions on DuckDB, against the same worked out row by row in plain Python.

Spark gives the same: tests/peers/test_spark.py.
"""

from __future__ import annotations

import json
import math
import statistics
import sys
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result
from typer.testing import CliRunner

from edgeflash.cli.app import app
from edgeflash.errors import UsageError
from edgeflash.fleet.engines import Engine, answer
from edgeflash.fleet.questions import D2, MEDIAN_RANGE, QUESTIONS, WITHIN
from tests.unit.fleet.fleet_tables import (
    ANALYZERS,
    CHECK_EVERY,
    CYCLES,
    MONTHS,
    OUTAGE_AFTER,
    REFERENCE_C,
    SITES,
    check_offset_c,
    made_tables,
    results,
)

PLACES = [(s, a, f"{m:%Y-%m}") for s in SITES for a in ANALYZERS for m in MONTHS]


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made_tables(tmp_path_factory.mktemp("fleet"))


def asked(root: Path, name: str, **narrower: str) -> dict[tuple[str, str, str], dict[str, Any]]:
    """The answer by site, analyzer and month."""
    rows = answer(QUESTIONS[name], str(root), Engine.DUCKDB, {}, **narrower)
    return {(r["site"], r["analyzer"], r["month"]): r for r in rows}


def test_constants() -> None:
    """Of two successive values of a normal distribution: mean range 2/√π σ, median √2 × 0.6745 σ
    (statistics.NormalDist); the factor of precision is 1.96 √2."""
    normal = statistics.NormalDist()
    assert pytest.approx(2 / math.sqrt(math.pi), abs=5e-4) == D2
    assert pytest.approx(math.sqrt(2) * normal.inv_cdf(0.75), abs=5e-4) == MEDIAN_RANGE
    assert pytest.approx(math.sqrt(2) * normal.inv_cdf(0.975), abs=5e-3) == WITHIN


def test_availability(root: Path) -> None:
    """Counts, and time: second by second, an outage counts against it in the months in which it is,
    but for the time a result stands."""
    found = asked(root, "availability")
    assert list(found) == sorted(PLACES)
    ends = [m.timestamp() for m in (*MONTHS, datetime(2026, 6, 1, tzinfo=UTC))]
    for number, site in enumerate(SITES):
        made = list(results(number))
        for analyzer in ANALYZERS:
            own = [r for r in made if r.cycle.analyzer == analyzer]
            seconds = [int(r.cycle.finished_at.timestamp()) for r in own]
            for month, start, end in zip(MONTHS, ends, ends[1:], strict=False):
                within = [r for r in own if start <= r.cycle.finished_at.timestamp() < end]
                usable = sum(r.verdict.value != "rejected" for r in within)
                watched_s = min(end, seconds[-1]) - max(start, seconds[0])
                available_s = 0.0
                for before_s, at_s, result in zip(seconds, seconds[1:], own[1:], strict=False):
                    from_s = max(before_s, at_s - 900)
                    if result.verdict.value != "rejected":
                        available_s += max(0.0, min(at_s, end) - max(from_s, start))
                row = found[site, analyzer, f"{month:%Y-%m}"]
                assert (row["cycles"], row["missed"]) == (len(within), 3)
                assert row["accepted"] + row["doubtful"] == usable
                assert row["accepted"] + row["doubtful"] + row["rejected"] == len(within)
                assert row["watched_s"] == watched_s
                assert row["available_s"] == available_s
                assert row["available"] == pytest.approx(available_s / watched_s)
                assert row["usable_share"] == pytest.approx(usable / (len(within) + 3))


def test_reasons(root: Path) -> None:
    """Each rule once for a cycle, beside the share of all cycles."""
    rows = answer(QUESTIONS["reasons"], str(root), Engine.DUCKDB, {})
    found = {(r["site"], r["analyzer"], r["month"], r["verdict"], r["reason"]): r for r in rows}
    assert len(found) == 3 * len(PLACES)
    for place in PLACES:
        for verdict, reason in (
            ("doubtful", "ignition_weak"),
            ("rejected", "ignition_weak"),
            ("rejected", "torn_read"),
        ):
            row = found[(*place, verdict, reason)]
            assert (row["times"], row["cycles"]) == (CYCLES // 4, CYCLES)
            assert row["share"] == 0.25


def test_bias(root: Path) -> None:
    """Of the mean of each sample's determinations; corrected entries, not the wrong ones."""
    found = asked(root, "bias")
    assert list(found) == sorted(PLACES)
    for number, site in enumerate(SITES):
        made = list(results(number))
        for analyzer in ANALYZERS:
            taps = [
                (r.sampled_at.timestamp(), r.published_c)
                for r in made
                if r.cycle.analyzer == analyzer and r.verdict.value == "accepted"
            ]
            for start in MONTHS:
                samples = [
                    (start.timestamp() + 600 * n + (18_000 if n > OUTAGE_AFTER else 0), 61.9)
                    for n in range(0, CYCLES, 15)
                ]
                if start == MONTHS[0]:
                    samples.append((start.timestamp() + 4 * 600, 61.9))
                apart = []
                for at_s, lab_c in samples:
                    nearest = min(taps, key=lambda tap: abs(int(tap[0]) - at_s))
                    if abs(int(nearest[0]) - at_s) <= 900:
                        assert nearest[1] is not None
                        apart.append(nearest[1] - lab_c)
                row = found[site, analyzer, f"{start:%Y-%m}"]
                assert row["pairs"] == len(apart) >= 3
                assert row["bias_c"] == pytest.approx(statistics.mean(apart))
                assert row["sd_c"] == pytest.approx(statistics.stdev(apart))
                error_c = statistics.stdev(apart) / math.sqrt(len(apart))
                assert row["standard_error_c"] == pytest.approx(error_c)


def test_precision(root: Path) -> None:
    """From the moving range; the first sample of an analyzer has none."""
    found = asked(root, "precision")
    assert list(found) == sorted(PLACES)
    for s, site in enumerate(SITES):
        for a, analyzer in enumerate(ANALYZERS):
            before = None
            for m, start in enumerate(MONTHS):
                offsets = [
                    REFERENCE_C + check_offset_c(s, a, m, n) - REFERENCE_C
                    for n in range(0, CYCLES, CHECK_EVERY)
                ]
                chain = offsets if before is None else [before, *offsets]
                ranges = [abs(y - x) for x, y in pairwise(chain)]
                before = offsets[-1]
                row = found[site, analyzer, f"{start:%Y-%m}"]
                assert (row["checks"], row["ranges"]) == (len(offsets), len(ranges))
                assert row["offset_c"] == pytest.approx(statistics.mean(offsets))
                assert row["sigma_c"] == pytest.approx(statistics.mean(ranges) / 1.128)
                assert row["sigma_median_c"] == pytest.approx(statistics.median(ranges) / 0.954)
                assert row["site_precision_c"] == pytest.approx(2.77 * row["sigma_c"])


def test_narrower_questions(root: Path) -> None:
    """One site, some months."""
    found = asked(root, "availability", site="12", since="2026-05", until="2026-05")
    assert list(found) == [("12", a, "2026-05") for a in ANALYZERS]


def test_a_table_that_is_not_there(tmp_path: Path, root: Path) -> None:
    """No laboratory results: no rows. No results at all: said."""
    (tmp_path / "tables").mkdir()
    (tmp_path / "tables" / "results").symlink_to(root / "results")
    assert asked(tmp_path / "tables", "bias") == {}
    with pytest.raises(UsageError, match="edgeflash collect"):
        asked(tmp_path, "availability")


def command(*words: str) -> Result:
    """`edgeflash fleet`, in this process."""
    return CliRunner().invoke(app, ["fleet", *words], env={"COLUMNS": "200"})


def test_the_command(root: Path) -> None:
    """For people and for machines; a wrong question, month or engine is said."""
    shown = command("precision", str(root), "--site", "12")
    assert shown.exit_code == 0, shown.output
    assert "site precision" in shown.stdout
    told = command("availability", str(root), "--json")
    assert len(json.loads(told.stdout)) == len(PLACES)
    for words in (
        ("weather", "x"),
        ("bias", "x", "--since", "May"),
        ("bias", "x", "--engine", "y"),
        ("bias", "x", "--engine", "spark"),  # which is in an environment of its own
    ):
        assert isinstance(command(*words).exception, UsageError)


def test_a_missing_library_names_the_extra(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """And how to install it."""
    monkeypatch.setitem(sys.modules, "ibis", None)
    found = command("availability", str(root)).exception
    assert isinstance(found, UsageError)
    assert ".[fleet]" in str(found)
