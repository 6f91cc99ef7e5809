"""The same value or the same trace too often: against the normal distribution of scipy."""

from __future__ import annotations

import math
from typing import Any

import pytest
from scipy import stats

from edgeflash.model import Severity, Verdict
from tests.simulated_line import bench_analyzer
from tests.unit.rules.pasts import UNSOUND, Line, said

ACCEPTED, DOUBTFUL, REJECTED = Verdict.ACCEPTED, Verdict.DOUBTFUL, Verdict.REJECTED
DOUBT, REJECT = Severity.DOUBT, Severity.REJECT

USUAL = [62.0, 62.3, 62.0, 62.1, 62.4, 62.1, 62.4, 62.1]
"""Steps 0.3 0.3 0.1 0.3 0.3 0.3 0.3 °C, shown to 0.1 °C."""


def reported(line_: Line, value_c: float | None, **given: Any) -> Verdict:
    """The verdict on a cycle that reports this value."""
    return line_.judge(62.0, computed={"reported_c": value_c}, **given).verdict


def run_of(line_: Line, value_c: float, times: int) -> list[Verdict]:
    """The verdicts on cycles that all report one value."""
    return [reported(line_, value_c) for _ in range(times)]


def usual_line(**parameters: float) -> Line:
    """A line that has reported ordinary values."""
    made = Line(bench_analyzer(rules={"frozen": {"parameters": parameters}}))
    for value_c in USUAL:
        assert reported(made, value_c) is ACCEPTED
    return made


def first_beyond(step_c: float, sd_c: float, chance: float) -> int:
    """How many equal values are less likely than that (scipy's normal distribution)."""
    mass = 2.0 * stats.norm.cdf(step_c / 2.0 / sd_c) - 1.0
    return 2 + math.floor(math.log(chance) / math.log(mass))


def test_a_run_beyond_chance_is_doubted_then_rejected() -> None:
    """The spread is that of the usual steps of 0.3 °C over √2: 0.3145 °C."""
    sd_c = 1.4826022 * 0.3 / math.sqrt(2.0)
    doubted, rejected = first_beyond(0.1, sd_c, 1e-4), first_beyond(0.1, sd_c, 1e-6)
    assert (doubted, rejected) == (6, 8)
    verdicts = run_of(usual_line(), 62.2, 20)
    assert verdicts == [ACCEPTED] * 5 + [DOUBTFUL] * 2 + [REJECTED] * 13


def test_a_frozen_value_is_named_with_its_chance() -> None:
    """Six times: five more than the first."""
    made = usual_line()
    run_of(made, 62.2, 6)
    finding = said(made.results[-1], "frozen")
    mass = 2.0 * stats.norm.cdf(0.05 / (1.4826022 * 0.3 / math.sqrt(2.0))) - 1.0
    assert finding is not None
    assert finding.measured == pytest.approx(mass**5, rel=1e-6)
    assert (finding.limit, finding.severity, finding.unit) == (1e-4, DOUBT, "")
    assert "62.20 °C was reported 6 times in a row" in finding.sentence
    assert "below 0.0001" in finding.sentence
    run_of(made, 62.2, 2)
    worse = said(made.results[-1], "frozen")
    assert worse is not None
    assert (worse.limit, worse.severity) == (1e-6, REJECT)


def test_a_chance_at_its_limit_is_not_below_it() -> None:
    """To the last bit: at the doubt's limit silent, at the rejection's a doubt."""
    made = usual_line(doubt_chance=0.5, reject_chance=0.0)
    run_of(made, 62.2, 2)
    finding = said(made.results[-1], "frozen")
    assert finding is not None and finding.measured is not None
    chance = finding.measured
    above = math.nextafter(chance, 1.0)
    assert run_of(usual_line(doubt_chance=chance), 62.2, 2)[-1] is ACCEPTED
    assert run_of(usual_line(doubt_chance=above), 62.2, 2)[-1] is DOUBTFUL
    assert run_of(usual_line(doubt_chance=0.5, reject_chance=chance), 62.2, 2)[-1] is DOUBTFUL
    assert run_of(usual_line(doubt_chance=0.5, reject_chance=above), 62.2, 2)[-1] is REJECTED


@pytest.mark.parametrize("between", [62.3, None])
def test_another_value_ends_the_run(between: float | None) -> None:
    """So does a cycle that reports none."""
    made = usual_line()
    run_of(made, 62.2, 5)
    reported(made, between)
    assert run_of(made, 62.2, 5) == [ACCEPTED] * 5


def test_a_check_sample_is_not_part_of_a_run() -> None:
    """It neither ends one nor is judged by it."""
    made = usual_line()
    run_of(made, 62.2, 5)
    assert reported(made, 62.2, is_check=True) is REJECTED
    assert made.results[-1].reasons == ("check_sample",)
    assert reported(made, 62.2) is DOUBTFUL


def test_values_that_were_always_the_same_are_frozen_too() -> None:
    """From the first cycle on: the least spread 0.1 °C and a step of 0.1 °C stand in."""
    doubted, rejected = first_beyond(0.1, 0.1, 1e-4), first_beyond(0.1, 0.1, 1e-6)
    assert (doubted, rejected) == (11, 16)
    verdicts = run_of(Line(), 62.2, 20)
    assert verdicts == [ACCEPTED] * 10 + [DOUBTFUL] * 5 + [REJECTED] * 5


def test_the_parameters_of_the_run_are_used() -> None:
    """A coarser step, a larger spread, other chances."""
    coarse = Line(bench_analyzer(rules={"frozen": {"parameters": {"resolution_c": 0.2}}}))
    assert run_of(coarse, 62.2, 26).index(DOUBTFUL) == first_beyond(0.2, 0.1, 1e-4) - 1
    wide = Line(bench_analyzer(rules={"frozen": {"parameters": {"least_sd_c": 0.5}}}))
    assert run_of(wide, 62.2, 26).index(DOUBTFUL) == first_beyond(0.1, 0.5, 1e-4) - 1
    assert run_of(usual_line(doubt_chance=0.5), 62.2, 2) == [ACCEPTED, DOUBTFUL]
    assert run_of(usual_line(reject_chance=1e-3), 62.2, 6) == [ACCEPTED] * 5 + [REJECTED]


@pytest.mark.parametrize(("n", "has_spread"), [(4, False), (5, True)])
def test_few_values_do_not_tell_the_spread(n: int, has_spread: bool) -> None:
    """Steps of 2 °C in fewer than five cycles could be chance; the least spread is used."""
    made = Line()
    for i in range(n):
        reported(made, 62.0 if i % 2 else 64.0)
    reported(made, 62.1)
    sd_c = 1.4826022 * 2.0 / math.sqrt(2.0) if has_spread else 0.1
    expected = first_beyond(0.1, sd_c, 1e-4)
    verdicts = [ACCEPTED, *run_of(made, 62.1, 15)]
    assert verdicts.index(DOUBTFUL) == expected - 1


def test_doubted_cycles_do_not_tell_the_spread() -> None:
    """Wild values that another rule doubts make no run less likely."""
    made = Line()
    for i in range(10):
        made.judge(62.0, own=UNSOUND, computed={"reported_c": 62.0 if i % 2 else 70.0})
    assert run_of(made, 62.1, 11)[9:] == [ACCEPTED, DOUBTFUL]


def test_the_trace_of_an_earlier_cycle_is_rejected_at_once() -> None:
    """Sample for sample the same is beyond chance, in any stream; eight cycles are compared."""
    for later, verdict in ((1, REJECTED), (8, REJECTED), (9, ACCEPTED)):
        made = Line()
        made.judge(62.0, stream=1, computed={"trace_digest": 5})
        for i in range(later - 1):
            made.judge(62.0, stream=2, computed={"trace_digest": 100 + i})
        result = made.judge(62.0, stream=2, computed={"trace_digest": 5})
        assert result.verdict is verdict
        finding = said(result, "frozen")
        assert finding is None or "the trace is that of cycle 1," in finding.sentence


def test_a_cycle_without_a_trace_repeats_none() -> None:
    """No digest is no likeness; nor is the same cycle read twice."""
    made = Line()
    for _ in range(3):
        assert made.judge(62.0).findings == ()
    made.judge(62.0, computed={"trace_digest": 5})
    again = made.judge(62.0, computed={"trace_digest": 5}, cycle_number=4)
    assert said(again, "frozen") is None
    later = made.judge(62.0, computed={"trace_digest": 5}, cycle_number=4, epoch=1)
    assert said(later, "frozen") is not None
