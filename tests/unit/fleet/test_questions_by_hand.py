"""Fleet questions on a few rows each, whose answers are worked out beside them.

The formulas are those of docs/fleet.md; there is no outside source for what counts as available.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from edgeflash.fleet.engines import Engine, answer
from edgeflash.fleet.questions import QUESTIONS
from edgeflash.history.schema import TableName
from edgeflash.model import CheckResult, LabResult, LabStatus, Result, Verdict
from tests.unit.fleet.sites import MadeSite, collected, folder_store
from tests.unit.journal.samples import sample_result

SITE = "Heron Lock"
DAY_S = 86_400
NOW = datetime(2026, 9, 1, tzinfo=UTC)


def at(text: str) -> datetime:
    """A moment, UTC."""
    return datetime.fromisoformat(f"{text}+00:00")


def result(
    analyzer: str, text: str, verdict: Verdict = Verdict.ACCEPTED, **changes: object
) -> Result:
    """A cycle finished at this time; its sample passed the tap then, too."""
    moment = at(text)
    number = int(moment.timestamp())
    made = sample_result(number, analyzer, finished_at=moment, verdict=verdict, with_trace=False)
    return replace(made, sampled_at=moment, checks=(), **changes)  # type: ignore[arg-type]


def asked(
    tmp_path: Path,
    question: str,
    results: Iterable[Result],
    lab: Sequence[LabResult] = (),
    **narrower: str,
) -> list[dict[str, Any]]:
    """The answer to a question about one site with these rows."""
    root = tmp_path / "tables"
    if not root.exists():
        site = MadeSite(tmp_path / "site", SITE)
        site.add(results, lab=lab)
        store = folder_store(tmp_path / "store")
        site.ship(store, NOW)
        for table in (TableName.RESULTS, TableName.LAB):
            collected(store, root, table)
    return answer(QUESTIONS[question], str(root), Engine.DUCKDB, {}, **narrower)


# Availability


STEPS = (
    result("fp-1", "2026-04-30 23:50:00"),
    result("fp-1", "2026-04-30 23:58:00"),
    # 480 s: 120 s of April, 360 s of May.
    result("fp-1", "2026-05-01 00:06:00"),
    # Dead from here to July; a result stands for 900 s before it: 300 s of July, 600 s of June.
    result("fp-1", "2026-07-01 00:05:00"),
    result("fp-1", "2026-07-01 00:10:00", Verdict.REJECTED),
    result("fp-1", "2026-07-01 00:15:00", Verdict.DOUBTFUL),
    # Dead again, to the last result of the site.
    result("fp-2", "2026-07-01 00:00:00"),
    result("fp-2", "2026-08-03 00:00:00"),
)


def test_an_outage_counts_in_the_months_in_which_it_is(tmp_path: Path) -> None:
    """Also one that is still there, and in months in which nothing came at all."""
    rows = [r for r in asked(tmp_path, "availability", STEPS) if r["analyzer"] == "fp-1"]
    told = {r["month"]: (r["cycles"], r["watched_s"], r["available_s"]) for r in rows}
    assert told == {
        "2026-04": (2, 480 + 120, 480 + 120),
        "2026-05": (1, 31 * DAY_S, 360),
        "2026-06": (0, 30 * DAY_S, 600),
        "2026-07": (3, 31 * DAY_S, 300 + 0 + 300),
        "2026-08": (0, 2 * DAY_S, 0),
    }
    june = next(r for r in rows if r["month"] == "2026-06")
    assert june["available"] == pytest.approx(600 / (30 * DAY_S))
    assert june["usable_share"] is None


def test_a_single_result_was_watched_for_no_time(tmp_path: Path) -> None:
    """No share of nothing."""
    (row,) = asked(tmp_path, "availability", [result("fp-1", "2026-05-01 00:00:00")])
    assert (row["cycles"], row["watched_s"], row["available"]) == (1, 0.0, None)


@pytest.mark.parametrize("question", QUESTIONS)
def test_some_months_are_those_of_all(tmp_path: Path, question: str) -> None:
    """What begins in one month and ends in the next is in the answer about the one alone, too."""
    lab = [sample("s1", "2026-04-30 23:59:30", 60.0), sample("s2", "2026-07-01 00:06:00", 60.0)]
    results = [replace(r, checks=check_of(r, 62.1)) for r in STEPS]
    every = asked(tmp_path, question, results, lab)
    assert every
    for month in ("2026-04", "2026-05", "2026-06", "2026-07", "2026-08"):
        one = asked(tmp_path, question, (), since=month, until=month)
        assert one == [r for r in every if r["month"] == month]


# Bias against the laboratory


def sample(name: str, text: str, value_c: float | None, **more: Any) -> LabResult:
    """One determination on a sample of fp-1."""
    given = {"status": LabStatus.FINAL, "entered_at": at(text) + timedelta(hours=4), **more}
    return LabResult("fp-1", f"{name} {text} {value_c} {more}", name, at(text), value_c, **given)


def published(text: str, value_c: float) -> Result:
    """An accepted result of fp-1."""
    return result("fp-1", text, published_c=value_c)


def test_methods_are_told_apart(tmp_path: Path) -> None:
    """Two laboratories' methods on one sample: two biases, not one of their mean."""
    rows = asked(
        tmp_path,
        "bias",
        [published("2026-05-01 08:00:00", 62.0), published("2026-05-02 08:00:00", 63.0)],
        [
            sample("a", "2026-05-01 08:01:00", 61.0, method="closed cup one"),
            sample("a", "2026-05-01 08:01:00", 60.0, method="closed cup two"),
            sample("b", "2026-05-02 08:01:00", 62.5, method="closed cup one"),
        ],
    )
    told = {r["method"]: (r["pairs"], r["bias_c"], r["sd_c"]) for r in rows}
    # (1.0 + 0.5) / 2; sd of two values: their difference / √2.
    assert told == {
        "closed cup one": (2, 0.75, pytest.approx(0.5 / 2**0.5)),
        "closed cup two": (1, 2.0, None),
    }
    assert rows[0]["standard_error_c"] == pytest.approx(0.25)


def test_preliminary_values_give_way_to_final_ones(tmp_path: Path) -> None:
    """Of the same sample; alone they count."""
    (row,) = asked(
        tmp_path,
        "bias",
        [published("2026-05-01 08:00:00", 62.0), published("2026-05-02 08:00:00", 62.0)],
        [
            sample("a", "2026-05-01 08:01:00", 50.0, status=LabStatus.PRELIMINARY),
            sample("a", "2026-05-01 08:01:00", 61.0),
            sample("a", "2026-05-01 08:01:00", 61.5),
            sample("b", "2026-05-02 08:01:00", 61.0, status=LabStatus.PRELIMINARY),
            sample("c", "2026-05-02 08:02:00", None),
            sample("d", "2026-05-02 08:02:00", 10.0, status=LabStatus.WITHDRAWN),
        ],
    )
    # 62 - (61 + 61.5)/2 = 0.75, and 62 - 61 = 1.
    assert (row["pairs"], row["bias_c"]) == (2, 0.875)


def test_an_id_that_comes_again_is_another_sample(tmp_path: Path) -> None:
    """As where a laboratory counts from 1 every day."""
    (row,) = asked(
        tmp_path,
        "bias",
        [published("2026-05-01 08:00:00", 62.0), published("2026-05-02 08:00:00", 66.0)],
        [sample("1", "2026-05-01 08:00:00", 61.0), sample("1", "2026-05-02 08:00:00", 64.0)],
    )
    assert (row["pairs"], row["bias_c"]) == (2, 1.5)


# Precision


def check_of(result: Result, corrected_c: float | None) -> tuple[CheckResult, ...]:
    """The check sample that this cycle was, as its row has it. Of a reference of 62 °C."""
    cycle = result.cycle
    return (CheckResult(cycle.epoch, cycle.cycle_number, cycle.finished_at, corrected_c, 62.0),)


def test_precision_worked_out(tmp_path: Path) -> None:
    """Offsets 0.1, 0.4, none, 0.2, and 0.3 in the next month: ranges 0.3 and 0.2, then 0.1."""
    days = ("05-01", "05-08", "05-15", "05-22", "06-01")
    values = (62.1, 62.4, None, 62.2, 62.3)
    results = [result("fp-1", f"2026-{day} 08:00:00", Verdict.REJECTED) for day in days]
    rows = asked(
        tmp_path,
        "precision",
        [replace(r, checks=check_of(r, v)) for r, v in zip(results, values, strict=True)],
    )
    may, june = rows
    assert (may["checks"], may["ranges"], june["checks"], june["ranges"]) == (3, 2, 1, 1)
    assert may["offset_c"] == pytest.approx((0.1 + 0.4 + 0.2) / 3)
    assert may["sigma_c"] == pytest.approx(0.25 / 1.128)
    assert may["sigma_median_c"] == pytest.approx(0.25 / 0.954)
    # R' of ASTM D6299: 2.77 standard deviations (from memory).
    assert may["site_precision_c"] == pytest.approx(2.77 * 0.25 / 1.128)
    assert june["mean_range_c"] == pytest.approx(0.1)


# Reasons


def test_reasons_of_a_month(tmp_path: Path) -> None:
    """The share is of all cycles of the UTC month, accepted ones included."""
    rows = asked(
        tmp_path,
        "reasons",
        [
            result("fp-1", "2026-04-30 23:59:59", Verdict.REJECTED),
            result("fp-1", "2026-05-01 00:00:00", Verdict.REJECTED),
            result("fp-1", "2026-05-01 00:05:00"),
            result("fp-1", "2026-05-01 00:10:00", Verdict.DOUBTFUL),
            result("fp-1", "2026-05-01 00:15:00"),
        ],
    )
    told = {(r["month"], r["verdict"], r["reason"]): r["share"] for r in rows}
    assert told == {
        ("2026-04", "rejected", "ignition_weak"): 1.0,
        ("2026-04", "rejected", "torn_read"): 1.0,
        ("2026-05", "rejected", "ignition_weak"): 0.25,
        ("2026-05", "rejected", "torn_read"): 0.25,
        ("2026-05", "doubtful", "ignition_weak"): 0.25,
    }
