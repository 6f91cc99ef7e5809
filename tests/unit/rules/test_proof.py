"""Check samples: control limits, and the time until the next.

Limits at 3 standard deviations for one, 2 for two to one side: control charts after ASTM D6299,
wording from memory.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from edgeflash.model import CheckResult, Declared, Phase, Role, Severity, Verdict
from edgeflash.publication import LinkState
from edgeflash.rules.catalogue import BY_NAME
from edgeflash.rules.judge import standing_findings
from edgeflash.rules.memory import EMPTY, PAST_CHECKS, Memory
from edgeflash.rules.rule import LiveContext
from edgeflash.rules.tuning import rulebook
from edgeflash.trust import Category, Quality
from tests.simulated_line import BENCH_CUP, bench_analyzer
from tests.unit.rules.contexts import AT, judged, spoiled
from tests.unit.rules.pasts import Line, said

REFERENCE_C, SD_C = 66.0, 0.5
VERIFIED = {"reference_c": REFERENCE_C, "sd_c": SD_C, "due_days": 7.0}
DAY_S = 86_400.0


def after_checks(*off_c: float, **verification: Any) -> Line:
    """A line that has measured check samples so far from their reference value."""
    made = Line(bench_analyzer(verification={**VERIFIED, **verification}))
    for off in off_c:
        assert made.judge(REFERENCE_C + off, is_check=True).verdict is Verdict.REJECTED
    return made


@pytest.mark.parametrize(
    ("off_c", "measured_c", "limit_c"),
    [
        ((), None, None),
        ((1.5,), None, None),
        ((1.5625,), 1.5625, 1.5),
        ((-1.5,), None, None),
        ((-1.5625,), -1.5625, -1.5),
        ((3.0, 0.0), None, None),
        ((0.0, 3.0), 3.0, 1.5),
        ((1.125, 1.125), 1.125, 1.0),
        ((1.125, 1.0), None, None),
        ((1.0, 1.125), None, None),
        ((-1.125, -1.25), -1.25, -1.0),
        ((-1.125, -1.0), None, None),
        ((-1.0, -1.125), None, None),
        ((1.125, -1.125), None, None),
        ((-1.125, 1.125), None, None),
        ((1.125, 0.0, 1.125), None, None),
        ((2.0, 1.125), 1.125, 1.0),
        ((2.0, 1.125, 0.5), None, None),
    ],
)
def test_the_product_is_doubted_while_the_last_checks_are_out_of_limits(
    off_c: tuple[float, ...], measured_c: float | None, limit_c: float | None
) -> None:
    """One beyond 3 sd (1.5 °C), or two beyond 2 sd (1.0 °C) to one side; until one is within."""
    result = after_checks(*off_c).judge(62.0)
    finding = said(result, "check_out_of_limits")
    assert (finding is None) is (limit_c is None)
    assert result.verdict is (Verdict.ACCEPTED if finding is None else Verdict.DOUBTFUL)
    assert result.published_c == 62.0
    if finding is not None:
        assert (finding.measured, finding.limit) == (measured_c, limit_c)
        assert (finding.unit, finding.severity) == ("°C", Severity.DOUBT)
        assert f"{measured_c:+.1f} °C off" in finding.sentence
        assert ("last two" in finding.sentence) is (limit_c in (1.0, -1.0))


def test_both_of_two_checks_are_named() -> None:
    """So that a person sees the drift."""
    finding = said(after_checks(1.125, 1.375).judge(62.0), "check_out_of_limits")
    assert finding is not None
    assert "+1.1 and +1.4 °C off" in finding.sentence


def test_the_doubt_stays_until_a_check_is_within_limits() -> None:
    """Any number of product cycles do not end it; a good check sample does."""
    made = after_checks(2.0)
    for _ in range(3):
        assert made.judge(62.0).verdict is Verdict.DOUBTFUL
    made.judge(REFERENCE_C, is_check=True)
    assert made.judge(62.0).verdict is Verdict.ACCEPTED


def test_the_limits_are_the_sites_own() -> None:
    """Twice the precision, twice the limits; and the factors can be tuned."""
    assert after_checks(3.0, sd_c=1.0).judge(62.0).verdict is Verdict.ACCEPTED
    assert after_checks(3.01, sd_c=1.0).judge(62.0).verdict is Verdict.DOUBTFUL
    for rules, off_c in (({"action_factor": 1.0}, (0.6,)), ({"warning_factor": 1.0}, (0.6, 0.6))):
        tuning = {"check_out_of_limits": {"parameters": rules}}
        tuned = bench_analyzer(verification=VERIFIED, rules=tuning)
        assert after_checks(*off_c).judge(62.0).verdict is Verdict.ACCEPTED
        assert after_checks(*off_c).judge(62.0, analyzer=tuned).verdict is Verdict.DOUBTFUL


def test_a_check_sample_itself_is_not_doubted_by_the_one_before() -> None:
    """It is the proof, not what is proven."""
    made = after_checks(2.0)
    assert said(made.judge(68.0, is_check=True), "check_out_of_limits") is None


def test_without_a_reference_value_no_check_is_kept_or_used() -> None:
    """Neither is there anything to compare with."""
    plain = bench_analyzer()
    made = Line(plain)
    assert made.judge(80.0, is_check=True).checks == ()
    assert after_checks(2.0).judge(62.0, analyzer=plain).verdict is Verdict.ACCEPTED


@pytest.mark.parametrize("changes", [{"value_c": None}, {"torn": True}])
def test_a_check_without_a_value_or_torn_proves_nothing(changes: dict[str, Any]) -> None:
    """Its number may be that of the product before it."""
    made = after_checks(2.0)
    given = {"value_c": REFERENCE_C, "is_check": True, **changes}
    assert [c.corrected_c for c in made.judge(**given).checks] == [68.0]


@pytest.mark.parametrize(
    ("declared", "counts"),
    [
        ((Declared.CHECK_SAMPLE,), True),
        ((Declared.CHECK_SAMPLE, Declared.MAINTENANCE), True),
        ((Declared.CHECK_SAMPLE_PARTLY,), False),
        ((Declared.MAINTENANCE,), False),
    ],
)
def test_a_declared_check_sample_counts_when_it_is_whole(
    declared: tuple[Declared, ...], counts: bool
) -> None:
    """Half a check sample proves nothing."""
    result = judged(spoiled(declared=declared), verification=VERIFIED)
    assert [c.cycle_number for c in result.checks] == ([42] if counts else [])
    assert result.verdict is Verdict.REJECTED


def test_a_declared_check_sample_must_have_been_heated() -> None:
    """A person declares what is in the cup, not that the analyzer measured it."""
    phases = (Phase.CLEAN, Phase.ZERO, Phase.FLASHED, Phase.PURGE)
    cold = spoiled(declared=(Declared.CHECK_SAMPLE,), phases=phases)
    assert judged(cold, verification=VERIFIED).checks == ()


def test_what_is_kept_of_a_check_sample() -> None:
    """Its name, its time, its value, and the reference value that held then; the last eight."""
    made = after_checks(0.5)
    kept = CheckResult(0, 1, AT + timedelta(seconds=180), 66.5, REFERENCE_C)
    assert made.memory.checks == (kept,)
    assert made.judge(62.0).checks == (kept,)
    other = bench_analyzer(verification={**VERIFIED, "reference_c": 70.0})
    for i in range(PAST_CHECKS):
        made.judge(70.0 + i, is_check=True, analyzer=other, epoch=1)
    assert [c.corrected_c for c in made.memory.checks] == [70.0 + i for i in range(8)]
    assert {(c.epoch, c.reference_c) for c in made.memory.checks} == {(1, 70.0)}


def test_a_check_is_known_by_the_phase_beside_the_result_too() -> None:
    """Where nobody watched the cycle."""
    made = after_checks()
    values = {Role.PHASE: Phase.CHECK_SAMPLE}
    assert len(made.judge(68.0, phases=(), values=values).checks) == 1
    assert len(made.judge(68.0, phases=(Phase.HEAT,), values=values).checks) == 1


def live(**changes: Any) -> LiveContext:
    """A moment in which all is well, an hour after a check sample."""
    well = LiveContext(
        analyzer=bench_analyzer(verification=VERIFIED),
        register_map=BENCH_CUP,
        link=LinkState.UP,
        link_sentence="connected",
        since_scan_s=0.5,
        since_result_s=100.0,
        live={},
        storage_fault="",
        since_check_s=3600.0,
    )
    return replace(well, **changes)


@pytest.mark.parametrize(
    ("since_s", "days"), [(0.0, None), (7.0 * DAY_S, None), (7.25 * DAY_S, 7.25)]
)
def test_the_next_check_is_due(since_s: float, days: float | None) -> None:
    """After the site's own number of days."""
    rule = BY_NAME["verification_overdue"]
    assert rule.on_live is not None
    breach = rule.on_live(live(since_check_s=since_s), {})
    assert (breach is None) is (days is None)
    if breach is not None:
        assert (breach.measured, breach.limit, breach.unit) == (days, 7.0, "d")
        assert "7.2 days ago; one is due each 7" in breach.sentence


def test_a_check_that_never_was_is_due() -> None:
    """But only where the site has a check sample at all."""
    rule = BY_NAME["verification_overdue"]
    assert rule.on_live is not None
    breach = rule.on_live(live(since_check_s=None), {})
    assert breach is not None
    assert breach.sentence == "no check sample has been measured yet"
    plain = bench_analyzer()
    for since_s in (None, 1e9):
        assert rule.on_live(live(analyzer=plain, since_check_s=since_s), {}) is None


def test_an_overdue_check_leaves_the_value_good() -> None:
    """It is a note: nothing stands against the value of this moment."""
    overdue = live(since_check_s=None)
    assert standing_findings(overdue, rulebook(overdue.analyzer)) == ()
    rule = BY_NAME["verification_overdue"]
    assert (rule.severity, rule.category, rule.shown_as) == (
        Severity.NOTE,
        Category.MAINTENANCE_REQUIRED,
        Quality.GOOD,
    )
    doubting = BY_NAME["check_out_of_limits"]
    assert (doubting.code, rule.code) == (701, 702)
    assert (doubting.severity, doubting.category, doubting.shown_as, doubting.looks_back) == (
        Severity.DOUBT,
        Category.OUT_OF_SPECIFICATION,
        Quality.NOT_ACCURATE,
        True,
    )


def test_checks_live_through_a_restart() -> None:
    """They are part of each result, so the last result tells them."""
    made = after_checks(2.0)
    for _ in range(70):
        made.judge(62.0)
    restarted = Line(made.analyzer, Memory.of(made.results[-1:]))
    assert restarted.judge(62.0).verdict is Verdict.DOUBTFUL


def test_a_check_far_out_of_range_is_a_failed_check() -> None:
    """Through all rules: read at 130 °C against 62 °C, or after a start for the product."""
    phases = (Phase.CHECK_SAMPLE, Phase.HEAT)
    given: dict[str, Any] = {
        "verification": {"reference_c": 62.0, "sd_c": 0.5},
        "basis": "reported",
        "rules": {"trace_missing": {"enabled": False, "because": "test"}},
    }
    far = judged(spoiled({Role.FLASH_POINT: 130.0}, trace=None, phases=phases), **given)
    assert far.reasons == ("check_sample", "outside_range")
    assert [check.corrected_c for check in far.checks] == [pytest.approx(130.2)]
    after = judged(spoiled(trace=None), EMPTY.after(far), **given)
    assert "check_out_of_limits" in after.reasons
    start = spoiled({Role.START_TEMPERATURE: 58.0}, trace=None, phases=phases)
    near = judged(start, **given, expected_c=60.0)
    assert near.reasons == ("check_sample", "start_temperature")
    assert len(near.checks) == 1
