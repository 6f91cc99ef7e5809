"""Does the value fit what came before it? Limits by hand and by a reference library.

Default limits are the catalogue's: common practice, no source.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from edgeflash.model import Severity, Verdict
from edgeflash.rules.catalogue import BY_NAME
from edgeflash.trust import Category
from tests.simulated_line import bench_analyzer
from tests.unit.rules.pasts import NEVER_FROZEN, UNSOUND, Line, said

ACCEPTED, DOUBTFUL, REJECTED = Verdict.ACCEPTED, Verdict.DOUBTFUL, Verdict.REJECTED
NOTE, DOUBT, REJECT = Severity.NOTE, Severity.DOUBT, Severity.REJECT

STILL = [62.0] * 20
STILL_LIMIT_C = 4.0 * 0.5 * math.sqrt(1.0 + math.pi / 40.0)
"""About 20 equal values: 2.077 °C. Four of the least spread, widened for the median of 20."""


def line(**rules: dict[str, Any]) -> Line:
    """A line at 62 °C for 20 cycles; the outlier rule is tuned as given."""
    analyzer = bench_analyzer(rules={**NEVER_FROZEN, **rules})
    return Line(analyzer).add(STILL)


def tuned(**parameters: float) -> Line:
    """The line with other parameters of the outlier rule."""
    return line(outlier={"parameters": parameters})


@pytest.mark.parametrize(
    ("off_c", "verdict"),
    [
        (0.0, ACCEPTED),
        (STILL_LIMIT_C - 0.001, ACCEPTED),
        (STILL_LIMIT_C + 0.001, REJECTED),
        (-STILL_LIMIT_C + 0.001, ACCEPTED),
        (-STILL_LIMIT_C - 0.001, DOUBTFUL),
        (-40.0, DOUBTFUL),
        (60.0, REJECTED),
    ],
)
def test_a_high_outlier_is_rejected_and_a_low_one_is_shown_as_doubtful(
    off_c: float, verdict: Verdict
) -> None:
    """To hide a low value would be the dangerous direction."""
    result = line().judge(62.0 + off_c)
    assert result.verdict is verdict
    assert result.published_c == (None if verdict is REJECTED else 62.0 + off_c)
    finding = said(result, "outlier")
    assert (finding is None) is (verdict is ACCEPTED)
    if finding is not None:
        assert finding.measured == 62.0 + off_c
        assert finding.limit == pytest.approx(62.0 + math.copysign(STILL_LIMIT_C, off_c))
        assert finding.unit == "°C"
        assert f"{62.0 + off_c:.1f} °C is far from the 62.0 °C of the last 20" in finding.sentence


def test_the_limit_itself_is_still_near() -> None:
    """To the last bit, about a level of 0 °C where nothing is rounded."""
    for sign, verdict in ((1.0, REJECTED), (-1.0, DOUBTFUL)):
        made = Line(bench_analyzer(rules=NEVER_FROZEN)).add([0.0] * 20)
        made.add([sign * STILL_LIMIT_C])
        made = Line(bench_analyzer(rules=NEVER_FROZEN)).add([0.0] * 20)
        beyond_c = math.nextafter(STILL_LIMIT_C, math.inf)
        assert made.judge(sign * beyond_c).verdict is verdict


@pytest.mark.parametrize("seed", range(5))
def test_the_limit_is_four_robust_spreads_about_the_median(seed: int) -> None:
    """The spread as scipy has it, times n / (n - 0.8) for so few values (Croux & Rousseeuw)."""
    values = np.random.default_rng(seed).normal(62.0, 1.0, 20).round(2).tolist()
    never = {**NEVER_FROZEN, "outlier": {"enabled": False, "because": "test"}}
    made = Line(bench_analyzer(rules=never)).add(values)
    spread_c = stats.median_abs_deviation(values, scale="normal") * 20 / 19.2
    assert spread_c > 0.5
    limit_c = np.median(values) + 4.0 * spread_c * math.sqrt(1.0 + math.pi / 40.0)
    finding = said(made.judge(90.0, analyzer=bench_analyzer()), "outlier")
    assert finding is not None
    assert finding.limit == pytest.approx(limit_c, rel=1e-12)


@pytest.mark.parametrize(
    "values",
    [[62.0, 70.0, 95.0], [75.0 - i for i in range(13)] + [88.0], [60.0, 70.0] * 10 + [90.0]],
    # ASCII only: pytest run twice in one process, as mutmut does, escapes other ids twice.
    ids=["two that differ", "a drift of one degree a cycle", "two by turns"],
)
def test_values_that_differ_widely_make_no_room_for_a_jump(values: list[float]) -> None:
    """The spread counts as 2 °C at most, however far apart the values lie."""
    never = {**NEVER_FROZEN, "outlier": {"enabled": False, "because": "test"}}
    made = Line(bench_analyzer(rules=never)).add(values[:-1])
    level = values[:-1][-20:]
    result = made.judge(values[-1], analyzer=bench_analyzer(rules=NEVER_FROZEN))
    finding = said(result, "outlier")
    assert finding is not None and result.verdict is REJECTED
    most_c = 4.0 * 2.0 * math.sqrt(1.0 + math.pi / (2.0 * len(level)))
    assert finding.limit == pytest.approx(float(np.median(level)) + most_c, rel=1e-12)


def test_the_most_spread_is_tuned_and_gives_way_to_the_least() -> None:
    """A site whose values differ widely says so; the least spread holds in any case."""
    for parameters, spread_c in (({"most_sd_c": 1.0}, 1.0), ({"least_sd_c": 5.0}, 5.0)):
        rules = {**NEVER_FROZEN, "outlier": {"parameters": parameters}}
        made = Line(bench_analyzer(rules=NEVER_FROZEN)).add([60.0, 66.0])
        limit_c = 63.0 + 4.0 * spread_c * math.sqrt(1.0 + math.pi / 4.0)
        finding = said(made.judge(120.0, analyzer=bench_analyzer(rules=rules)), "outlier")
        assert finding is not None
        assert finding.limit == pytest.approx(limit_c, rel=1e-12)


@pytest.mark.parametrize(("n", "limit_c"), [(2, 2.6724), (3, 2.4686), (4, 2.3604), (5, 2.2929)])
def test_few_cycles_widen_the_limit(n: int, limit_c: float) -> None:
    """2 °C × √(1 + π/(2 n)), by hand; only the newest 20 count."""
    for off_c, verdict in ((limit_c - 0.001, ACCEPTED), (limit_c + 0.001, REJECTED)):
        made = Line(bench_analyzer(rules=NEVER_FROZEN)).add([62.0] * n)
        assert made.judge(62.0 + off_c).verdict is verdict


@pytest.mark.parametrize("n", [0, 1])
def test_without_a_reference_nothing_is_far(n: int) -> None:
    """At the start one cycle is no evidence against another."""
    assert Line().add([62.0] * n).judge(110.0).findings == ()


def test_the_parameters_are_used() -> None:
    """Each one alone moves its limit, and its neighbours stay."""
    assert tuned(factor=8.0).judge(62.0 + 2 * STILL_LIMIT_C - 0.01).verdict is ACCEPTED
    assert tuned(factor=8.0).judge(62.0 + 2 * STILL_LIMIT_C + 0.01).verdict is REJECTED
    assert tuned(least_sd_c=0.25).judge(62.0 + STILL_LIMIT_C / 2 + 0.01).verdict is REJECTED
    assert tuned(least_cycles=20).judge(70.0).verdict is REJECTED
    assert tuned(least_cycles=21).judge(70.0).verdict is ACCEPTED
    few = said(tuned(most_cycles=3).judge(70.0), "outlier")
    assert few is not None
    assert few.limit == pytest.approx(64.4686, abs=1e-3)


def test_only_the_newest_cycles_are_the_reference() -> None:
    """After 20 at 64 °C, the 62 °C before them are forgotten: 66 °C is near, 60 °C is far."""
    made = line().add([63.0] * 3 + [64.0] * 20)
    finding = said(made.judge(60.0), "outlier")
    assert finding is not None
    assert finding.limit == pytest.approx(64.0 - STILL_LIMIT_C)


CONFIRMATIONS: list[tuple[float, float, Verdict]] = [
    (70.0, 70.0, ACCEPTED),
    (70.0, 72.0, ACCEPTED),
    (70.0, 72.01, REJECTED),
    (70.0, 68.0, ACCEPTED),
    (70.0, 67.99, REJECTED),
    (54.0, 54.0, ACCEPTED),
    (54.0, 52.0, ACCEPTED),
    (54.0, 51.9, ACCEPTED),
    (54.0, 35.0, ACCEPTED),
    (54.0, 56.0, ACCEPTED),
    (54.0, 56.01, DOUBTFUL),
    (54.0, 70.0, REJECTED),
    (70.0, 54.0, DOUBTFUL),
]


@pytest.mark.parametrize(("first_c", "second_c", "verdict"), CONFIRMATIONS)
def test_a_second_cycle_confirms_or_not(first_c: float, second_c: float, verdict: Verdict) -> None:
    """High values must agree within 2 °C; low ones may also lie lower still."""
    made = line()
    made.judge(first_c)
    result = made.judge(second_c)
    assert result.verdict is verdict
    finding = said(result, "outlier")
    assert finding is not None
    assert (finding.severity is NOTE) is (verdict is ACCEPTED)
    if verdict is ACCEPTED:
        assert "confirmed: a new level" in finding.sentence
        assert f"{second_c:.1f} °C after {first_c:.1f} °C, where it was 62.0 °C" in finding.sentence
        assert result.published_c == second_c


def test_two_sides_never_agree() -> None:
    """Two values within confirm_c of each other, but one below and one above the level."""
    for first_c, second_c, verdict in ((64.5, 59.5, DOUBTFUL), (59.5, 64.5, REJECTED)):
        made = tuned(confirm_c=10.0)
        made.judge(first_c)
        assert made.judge(second_c).verdict is verdict


def test_back_at_the_old_level_the_outlier_is_forgotten() -> None:
    """A single outlier, a sound cycle at the level, and the next outlier waits anew."""
    made = line()
    assert [made.judge(v).verdict for v in (70.0, 62.0, 70.0, 70.0)] == [
        REJECTED,
        ACCEPTED,
        REJECTED,
        ACCEPTED,
    ]


@pytest.mark.parametrize(
    ("unsound", "verdict"), [(0, ACCEPTED), (1, ACCEPTED), (2, ACCEPTED), (3, REJECTED)]
)
def test_unsound_cycles_neither_confirm_nor_clear(unsound: int, verdict: Verdict) -> None:
    """The outlier waits behind up to two of them, whatever they show."""
    for shown_c in (70.0, 62.0, 54.0, None):
        made = line()
        made.judge(70.0)
        for _ in range(unsound):
            assert made.judge(shown_c, own=UNSOUND).verdict is not ACCEPTED
        assert made.judge(70.0).verdict is verdict, shown_c


@pytest.mark.parametrize(("value_c", "severity"), [(70.0, REJECT), (54.0, DOUBT)])
def test_an_unsound_second_cycle_is_an_outlier_itself(value_c: float, severity: Severity) -> None:
    """Though it agrees: a high value that another rule only doubts must not be shown."""
    made = line()
    made.judge(value_c)
    result = made.judge(value_c, own=UNSOUND)
    finding = said(result, "outlier")
    assert finding is not None
    assert finding.severity is severity
    assert result.published_c == (None if severity is REJECT else value_c)


def test_an_unsound_outlier_is_no_candidate() -> None:
    """What another rule doubts cannot be confirmed later."""
    made = line()
    made.judge(70.0, own=UNSOUND)
    assert made.judge(70.0).verdict is REJECTED


def test_how_long_an_outlier_waits_can_be_tuned() -> None:
    """With 1 the very next cycle must confirm."""
    made = tuned(candidate_cycles=1)
    made.judge(70.0)
    made.judge(70.0, own=UNSOUND)
    assert made.judge(70.0).verdict is REJECTED
    assert made.judge(70.0).verdict is ACCEPTED


def test_a_new_level_begins_with_the_outlier_that_was_confirmed() -> None:
    """70 and 71 °C are then the whole reference: median 70.5, spread 1.4826 × 0.5 × 1.196
    (two values), widened by √(1 + π/4)."""
    made = line()
    made.judge(70.0)
    made.judge(71.0)
    limit_c = 70.5 + 4.0 * 1.4826022 * 0.5 * 1.196 * math.sqrt(1.0 + math.pi / 4.0)
    finding = said(made.judge(90.0), "outlier")
    assert finding is not None
    assert finding.limit == pytest.approx(limit_c, rel=1e-6)
    assert "of the last 2 cycles" in finding.sentence
    assert made.judge(71.0).verdict is ACCEPTED
    back = said(made.judge(62.0), "outlier")
    assert back is not None
    assert "the 71.0 °C of the last 3 cycles" in back.sentence


def test_the_last_of_several_levels_counts() -> None:
    """Up, and down again: the reference is what came since."""
    made = line()
    for value_c in (70.0, 70.0, 70.0, 62.0, 62.0):
        made.judge(value_c)
    assert [r.verdict for r in made.results[-2:]] == [DOUBTFUL, ACCEPTED]
    finding = said(made.judge(70.0), "outlier")
    assert finding is not None
    assert "the 62.0 °C of the last 2 cycles" in finding.sentence


def test_a_confirmation_that_another_rule_rejects_begins_no_level() -> None:
    """The trace of the outlier again: not a measurement. The next true one confirms."""
    made = line(frozen={"enabled": True})
    made.judge(70.0, computed={"trace_digest": 7})
    again = made.judge(70.0, computed={"trace_digest": 7})
    assert (again.verdict, again.reasons) == (REJECTED, ("frozen",))
    still = said(made.judge(70.5, computed={"trace_digest": 8}), "outlier")
    assert still is not None
    assert (still.severity, "where it was 62.0" in still.sentence) == (NOTE, True)
    finding = said(made.judge(90.0), "outlier")
    assert finding is not None
    assert "of the last 2 cycles" in finding.sentence


def test_streams_and_products_have_levels_of_their_own() -> None:
    """What flows in the one says nothing about the other."""
    at_once = {"settling": {"enabled": False, "because": "the cup is emptied between"}}
    made = Line(bench_analyzer(rules={**NEVER_FROZEN, **at_once}))
    for _ in range(10):
        made.add([62.0], stream=1)
        made.add([45.0], stream=2)
        made.add([80.0], stream=2, product="heavy-oil")
    assert made.judge(80.0, stream=1).verdict is REJECTED
    assert made.judge(80.0, stream=2).verdict is REJECTED
    assert made.judge(45.0, stream=2, product="heavy-oil").verdict is DOUBTFUL
    assert made.judge(80.0, stream=3).verdict is ACCEPTED
    assert said(made.judge(80.0, stream=1), "outlier").severity is NOTE  # type: ignore[union-attr]


def test_check_samples_are_neither_judged_nor_remembered_as_the_product() -> None:
    """Five check samples at 40 °C are no level, and none of them is an outlier or confirms one."""
    made = line(check_sample={"severity": "note"})
    made.judge(54.0)
    for _ in range(2):
        result = made.judge(40.0, is_check=True, own=())
        assert said(result, "outlier") is None
    assert made.judge(54.0).verdict is ACCEPTED
    assert made.judge(54.0).findings == ()


def test_without_a_value_nothing_is_far() -> None:
    """Another rule says why there is none."""
    assert said(line().judge(None, own=UNSOUND), "outlier") is None


def test_a_doubt_about_offset_or_prediction_does_not_stop_a_confirmation() -> None:
    """A true change of grade under an old recipe must be confirmed all the same."""
    made = Line(bench_analyzer(rules=NEVER_FROZEN)).add(STILL, predicted_c=62.0)
    first = made.judge(75.0, predicted_c=62.0)
    second = made.judge(75.0, predicted_c=62.0)
    assert set(first.reasons) == {"outlier", "prediction_disagrees"}
    assert (second.verdict, second.reasons) == (DOUBTFUL, ("prediction_disagrees",))
    assert made.judge(75.0, predicted_c=75.0).findings == ()


def test_lowered_to_a_note_every_outlier_counts_at_once() -> None:
    """The site has decided that none is held against a cycle: no level is ever begun anew."""
    made = line(outlier={"severity": "note"})
    for _ in range(3):
        assert made.judge(70.0).verdict is ACCEPTED
    finding = said(made.judge(90.0), "outlier")
    assert finding is not None
    assert "the 62.0 °C of the last 20 cycles" in finding.sentence


@pytest.mark.parametrize(
    ("code", "name", "severity", "category"),
    [
        (601, "outlier", REJECT, Category.OUT_OF_SPECIFICATION),
        (602, "frozen", REJECT, Category.FAILURE),
        (603, "settling", REJECT, Category.OUT_OF_SPECIFICATION),
        (604, "prediction_disagrees", DOUBT, Category.OUT_OF_SPECIFICATION),
    ],
)
def test_how_bad_it_may_get(code: int, name: str, severity: Severity, category: Category) -> None:
    """As promised to the control system; asked after the rules that need no past."""
    rule = BY_NAME[name]
    assert (rule.severity, rule.category, rule.looks_back) == (severity, category, True)
    assert rule.code == code
