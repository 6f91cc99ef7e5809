"""The rules that look back, over many cycles of a simulated analyzer.

The simulated product drifts slowly from cycle to cycle; its true grade is known to the simulator
alone. A change of grade is a fault plan that gives the stream another product for some cycles.
"""

from __future__ import annotations

from collections import Counter

import pytest

from edgeflash.model import Result, Severity, Verdict
from edgeflash.rules.memory import Memory
from simulators.analyzer import SimulatedAnalyzer
from simulators.faults import FaultKind, fault
from simulators.fuel import product
from tests.simulated_line import SimulatedLine, bench_analyzer

CLEAN_CYCLES = 1500
GRADE_FROM, GRADE_TO = 40, 80
LOOKING_BACK = {"outlier", "frozen", "settling", "prediction_disagrees", "check_out_of_limits"}

Judged = dict[int, Result]


def judged(simulated: SimulatedAnalyzer, cycles: int, **changes: object) -> Judged:
    """The results by the simulator's own count of cycles."""
    line = SimulatedLine(simulated, bench_analyzer(**changes))
    return {truth.sequence: result for result, truth in line.results(cycles)}


def test_clean_cycles_are_not_doubted() -> None:
    """At most 1 in 1000 by a rule that looks back, over five days and five grades."""
    doubts: Counter[str] = Counter()
    for seed, flash_c in enumerate((52.0, 58.0, 62.0, 71.0, 90.0)):
        simulated = SimulatedAnalyzer(seed=100 + seed, fuel=product(flash_c))
        results = judged(simulated, CLEAN_CYCLES // 5)
        assert len(results) == CLEAN_CYCLES // 5
        doubts.update(r for result in results.values() for r in result.reasons)
    found = sum(count for rule, count in doubts.items() if rule in LOOKING_BACK)
    print(f"false doubts by rules that look back: {found} of {CLEAN_CYCLES}")
    assert found <= CLEAN_CYCLES / 1000


@pytest.fixture(scope="module", params=[(75.0, 1), (56.5, 2)], ids=["up", "down"])
def graded(request: pytest.FixtureRequest) -> tuple[float, Judged]:
    """120 cycles of a 62 °C product with another grade in between."""
    grade_c, seed = request.param
    change = fault(FaultKind.OUT_OF_RANGE, GRADE_FROM, GRADE_TO, strength=grade_c)
    return grade_c, judged(SimulatedAnalyzer(seed=seed, faults=[change]), 120)


def test_a_change_of_grade_is_caught_and_confirmed(graded: tuple[float, Judged]) -> None:
    """Its first cycle is rejected when higher and doubtful when lower, its second is accepted as
    confirmed; and so on the way back. No other cycle suffers."""
    grade_c, results = graded
    is_up = grade_c > 62.0
    there, back = (GRADE_FROM, is_up), (GRADE_TO + 1, not is_up)
    for first, is_higher in (there, back):
        caught, confirmed = results[first], results[first + 1]
        verdict = Verdict.REJECTED if is_higher else Verdict.DOUBTFUL
        assert (caught.verdict, caught.reasons) == (verdict, ("outlier",))
        assert (caught.published_c is None) is is_higher
        assert confirmed.verdict is Verdict.ACCEPTED
        assert [(f.rule, f.severity) for f in confirmed.findings] == [("outlier", Severity.NOTE)]
        assert confirmed.findings[0].sentence.startswith("confirmed: a new level")
    changes = {GRADE_FROM, GRADE_FROM + 1, GRADE_TO + 1, GRADE_TO + 2}
    others = {r.verdict for n, r in results.items() if n not in changes}
    assert others == {Verdict.ACCEPTED}
    assert all(not r.findings for n, r in results.items() if n not in changes)


def test_a_restart_from_the_last_results_changes_no_verdict(graded: tuple[float, Judged]) -> None:
    """Judged again with the memory of the last 64 results only, each cycle has its findings."""
    _, results = graded
    line = SimulatedLine(SimulatedAnalyzer())
    in_order = list(results.values())
    for n in (GRADE_FROM - 1, GRADE_FROM, GRADE_FROM + 1, GRADE_TO, GRADE_TO + 1, 110):
        result, memory = in_order[n], Memory.of(in_order[max(0, n - 64) : n])
        again = line.judgement.judge(result.cycle, memory, result.judged_at, result.inputs)
        assert again == result


@pytest.mark.parametrize("seed", range(3))
def test_one_wrong_cycle_is_never_a_new_level(seed: int) -> None:
    """A single cycle of another product, high or low, is left again at once and without harm."""
    faults = [
        fault(FaultKind.OUT_OF_RANGE, 15, strength=75.0),
        fault(FaultKind.OUT_OF_RANGE, 25, strength=56.5),
    ]
    results = judged(SimulatedAnalyzer(seed=seed, faults=faults), 35)
    spoiled = {n: r.verdict for n, r in results.items() if r.verdict is not Verdict.ACCEPTED}
    assert spoiled == {15: Verdict.REJECTED, 25: Verdict.DOUBTFUL}


def test_contamination_that_grows_is_confirmed_by_its_second_cycle() -> None:
    """A ramp of light ends: doubtful first, then accepted and alarmed, never hidden."""
    shares = (0.02, 0.05, 0.08)
    faults = [fault(FaultKind.CONTAMINATION, 20 + i, strength=s) for i, s in enumerate(shares)]
    results = judged(SimulatedAnalyzer(seed=5, faults=faults), 23)
    first, second, third = (results[20 + i] for i in range(len(shares)))
    assert (first.verdict, first.reasons) == (Verdict.DOUBTFUL, ("outlier",))
    assert [r.verdict for r in (second, third)] == [Verdict.ACCEPTED] * 2
    values_c = [r.published_c for r in (first, second, third)]
    assert [v for v in values_c if v is not None] == values_c
    assert values_c[1] < values_c[0] - 2.0  # too far apart to agree, but lower still
    assert second.low_flash_alarm and third.low_flash_alarm  # below the 55 °C of the product


def test_a_frozen_result_is_caught() -> None:
    """Old values under new numbers and times. This analyzer reports them to single precision, so
    the third equal one is beyond chance."""
    frozen = fault(FaultKind.RESULT_FROZEN, 20, 30)
    tuned = {"recomputed_disagrees": {"enabled": False, "because": "test"}}
    results = judged(SimulatedAnalyzer(seed=6, faults=[frozen]), 35, rules=tuned)
    assert [n for n, r in results.items() if "frozen" in r.reasons] == list(range(21, 31))
    assert results[30].verdict is Verdict.REJECTED
    assert [results[n].verdict for n in range(31, 36)] == [Verdict.ACCEPTED] * 5
