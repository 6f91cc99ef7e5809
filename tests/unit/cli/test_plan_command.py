"""`edgeflash plan`: with numbers, with a site file and its recorded cycles."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from edgeflash.cli.app import app
from edgeflash.errors import UsageError
from edgeflash.history import HistoryWriter
from edgeflash.journal import JOURNAL_NAME, Journal
from simulators.analyzer import SimulatedAnalyzer
from simulators.fuel import product
from tests.simulated_line import SimulatedLine

SITE = """
[site]
name = "Larkwater blending depot (simulated)"
state_dir = "state"

[opcua]

[[analyzers]]
id = "kestrel-1"
number = 1
map = "examples:bench-cup.toml"
host = "127.0.0.1"
heating_rate_c_per_min = 10.0
spark_interval_s = 2.0
sensor_lag_s = 3.0
expected_c = 62.0
analyzer_corrects_barometer = false
"""


def run(*words: str) -> Result:
    """The command's outcome; our own errors are raised as the entry point sees them."""
    return CliRunner().invoke(app, ["plan", *words], catch_exceptions=False)


def document(*words: str) -> dict:
    """What it prints for machines."""
    found: dict = json.loads(run(*words, "--json").stdout)
    return found


def test_the_plan_is_told_with_its_units() -> None:
    """20 °C at 10 °C/min: 120 s of heating, 60 sparks 0.333 °C apart, 167 s in all."""
    done = run("--expected", "62", "--start", "42", "--rate", "10", "--interval", "2", "--lag", "3")
    assert done.exit_code == 0
    for words in ("167 s", "60 until the flash, 0.333 °C apart", "reads 0.500 °C low"):
        assert words in done.stdout


def test_an_unmet_demand_ends_with_1_and_is_named() -> None:
    """10 °C/min is no rate of ASTM D93 A (from memory: 5 to 6)."""
    words = ("--expected", "62", "--start", "39", "--rate", "10", "--method", "d93-a")
    assert run(*words).exit_code == 1
    demands = {d["name"]: d["is_met"] for d in document(*words)["demands"]}
    assert demands["heating rate"] is False
    assert demands["start below the flash point"] is True


def test_a_proposal_meets_its_time() -> None:
    """Within 150 s, as asked for."""
    found = document("--expected", "62", "--within", "150", "--propose")
    assert found["cycle_s"] <= 150.0 + 1e-6
    assert all(d["is_met"] for d in found["demands"])


def test_an_impossible_time_is_said() -> None:
    """48 s are less than the other phases and the fastest ramp take."""
    done = run("--expected", "62", "--within", "48", "--propose")
    assert done.exit_code == 1
    assert "no cycle of 48 s" in done.stdout


@pytest.mark.parametrize(
    ("words", "why"),
    [
        ((), "--expected"),
        (("--expected", "62", "--propose"), "--within"),
        (("--expected", "62", "--method", "d93"), "there is no method 'd93'"),
        (("--expected", "40", "--start", "45"), "must lie below"),
        (("site.toml",), "the site file and the analyzer"),
    ],
)
def test_wrong_words_are_explained(words: tuple[str, ...], why: str) -> None:
    """One sentence that says what to give."""
    with pytest.raises(UsageError, match=why):
        run(*words)


def test_recorded_cycles_are_held_against_the_plan(tmp_path: Path) -> None:
    """Twenty simulated cycles, in the journal and in the history."""
    site = tmp_path / "site.toml"
    site.write_text(SITE, "utf-8")
    (tmp_path / "state").mkdir()
    with pytest.raises(UsageError, match="kestrel-1"):
        run(str(site), "heron-9")
    assert "no recorded cycle" in run(str(site), "kestrel-1").stdout
    with Journal.open(tmp_path / "state" / JOURNAL_NAME) as journal:
        line = SimulatedLine(SimulatedAnalyzer(seed=5, fuel=product(62.0)), poll_s=4.0)
        for number, (result, _) in enumerate(line.results(20)):
            if number == 10:
                HistoryWriter(journal, tmp_path / "state" / "history").flush()
            journal.append(result)
    recorded = {k["name"]: k for k in document(str(site), "kestrel-1")["recorded"]}
    assert recorded["heating rate"]["count"] == 20
    assert recorded["heating rate"]["median"] == pytest.approx(10.0, abs=0.1)
    assert recorded["step between sparks"]["median"] == pytest.approx(1 / 3, abs=0.01)
    assert recorded["start"]["plan"] == 42.0
    told = " ".join(run(str(site), "kestrel-1").stdout.split())
    assert "start 42 °C" in told
    assert "heating rate 10 °C/min 10" in told


def test_one_spark_is_not_called_one_sparks() -> None:
    """A start just below: one spark misses, and the second lights it."""
    text = run("--expected", "62", "--start", "61.5", "--rate", "10", "--interval", "2").stdout
    assert " 1 spark " in text
    assert "1 sparks" not in text
