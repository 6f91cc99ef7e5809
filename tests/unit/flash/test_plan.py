"""The plan of a cycle: arithmetic by hand, the methods' rules, and real simulated cycles."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.flash.methods import METHODS
from edgeflash.flash.plan import CyclePlan, Fixed, PlanError, proposed, requirements
from edgeflash.flash.plan_kept import kept, planned
from simulators.analyzer import SimulatedAnalyzer
from simulators.fuel import product
from tests.simulated_line import SimulatedLine

BENCH = CyclePlan(62.0, 42.0, 10.0, 2.0, sensor_lag_s=3.0, heater_lag_s=4.0)
"""The simulated bench cup, by its own settings."""


def contribution(plan: CyclePlan, name: str) -> tuple[float, float]:
    """Standard deviation and bias of one part."""
    found = next(c for c in plan.contributions() if c.name.startswith(name))
    return found.sd_c, found.bias_c


def test_times_and_sparks_by_hand() -> None:
    """20 °C at 10 °C/min is 120 s; with 47 s of other phases; a spark every 2 s."""
    plan = CyclePlan(62.0, 42.0, 10.0, 2.0)
    assert plan.heating_s == pytest.approx(120.0)
    assert plan.cycle_s == pytest.approx(120.0 + 8.0 + 4.0 + 4.0 + 3.0 + 28.0)
    assert plan.sparks == 60
    assert plan.resolution_c == pytest.approx(10.0 * 2.0 / 60.0)
    late = replace(plan, heater_lag_s=5.0)
    assert (late.heating_s, late.cycle_s) == (pytest.approx(125.0), pytest.approx(172.0))
    assert late.sparks == 63


@pytest.mark.parametrize(("rate", "lag_c"), [(5.5, 0.275), (2.5, 0.125)])
def test_the_lag_error_is_rate_times_lag(rate: float, lag_c: float) -> None:
    """5.5 °C/min with 3 s reads 0.275 °C low, 2.5 °C/min 0.125 °C: first-order sensor on a ramp."""
    plan = CyclePlan(60.0, 40.0, rate, 10.0, sensor_lag_s=3.0)
    assert plan.lag_c == pytest.approx(lag_c)
    assert contribution(plan, "sensor lag")[0] == pytest.approx(0.1 * lag_c)


def test_the_spark_interval_is_a_rectangular_distribution() -> None:
    """JCGM 100, 4.3.7 (from memory): step/√12; for a step of 1 °C 0.289 °C, half a step of bias."""
    plan = CyclePlan(60.0, 40.0, 6.0, 10.0)
    assert contribution(plan, "spark interval") == (
        pytest.approx(0.288675, abs=1e-6),
        pytest.approx(0.5),
    )


def test_a_barometer_as_good_as_the_method_asks_adds_little() -> None:
    """ASTM D3828: 0.5 kPa, which is 0.125 °C, here as two standard deviations."""
    assert 2 * contribution(BENCH, "barometer")[0] == pytest.approx(0.125)


def test_uncertainties_add_in_squares() -> None:
    """JCGM 100, 5.1.2 (from memory): independent parts; coverage factor 2."""
    plan = CyclePlan(60.0, 40.0, 6.0, 10.0, sensor_lag_s=5.0, sensor_sd_c=0.2)
    parts = (1.0 / 12**0.5, 0.1 * 0.5, 0.2, 0.25 * 0.25)
    assert plan.standard_uncertainty_c == pytest.approx(sum(p * p for p in parts) ** 0.5)
    assert plan.expanded_uncertainty_c == pytest.approx(2 * plan.standard_uncertainty_c)


def met(plan: CyclePlan, method: str | None = None, target_s: float | None = None) -> dict:
    """Which demands a plan meets, by name."""
    rules = METHODS[method] if method else None
    return {r.name: r.is_met for r in requirements(plan, rules, target_s)}


@pytest.mark.parametrize(
    ("start_c", "rate", "interval_s", "broken"),
    [
        (37.0, 5.5, 10.0, set()),
        (42.0, 5.0, 12.0, set()),  # 18 °C below: the near end of 23 ± 5
        (42.1, 5.5, 10.0, {"start below the flash point"}),
        (32.0, 6.0, 10.0, set()),
        (31.9, 5.5, 10.0, {"start below the flash point"}),
        (37.0, 4.9, 10.0, {"heating rate"}),
        (37.0, 6.1, 9.8, {"heating rate"}),
        (37.0, 5.5, 11.0, {"step between sparks"}),
    ],
)
def test_the_rules_of_d93_a(
    start_c: float, rate: float, interval_s: float, broken: set[str]
) -> None:
    """ASTM D93 A (from memory): 5 to 6 °C/min, first ignition 23 ± 5 °C below, every 1 °C."""
    found = met(CyclePlan(60.0, start_c, rate, interval_s), "d93-a")
    assert {name for name, is_met in found.items() if not is_met} == broken


def test_a_flash_point_outside_the_scope_is_said() -> None:
    """ASTM D93 begins at 40 °C (read)."""
    assert not met(CyclePlan(39.0, 16.0, 5.5, 10.0), "d93-a")["expected flash point"]


def test_a_stated_cycle_time_is_a_demand() -> None:
    """167 s are within 167 s and not within 166.9 s."""
    plan = CyclePlan(62.0, 42.0, 10.0, 2.0)
    assert met(plan, target_s=167.0)["cycle time"]
    assert not met(plan, target_s=166.9)["cycle time"]


@pytest.mark.parametrize(("start_c", "is_met"), [(60.67, True), (61.01, False)])
def test_three_sparks_must_fail_first(start_c: float, is_met: bool) -> None:
    """One spark is 0.333 °C: 1.33 °C below means four sparks, three of them below the flash."""
    assert met(CyclePlan(62.0, start_c, 10.0, 2.0))["sparks below the flash"] is is_met


@pytest.mark.parametrize(
    "wrong",
    [
        {"rate_c_per_min": 0.0},
        {"rate_c_per_min": float("nan")},
        {"spark_interval_s": -1.0},
        {"start_c": 62.0},
        {"sensor_lag_s": -0.1},
        {"fixed": Fixed(purge_s=-1.0)},
        {"heater_lag_s": float("inf")},
    ],
)
def test_what_no_cycle_can_have_is_refused(wrong: dict) -> None:
    """With a sentence, not a strange number."""
    with pytest.raises(PlanError):
        replace(BENCH, **wrong)


def test_no_time_no_proposal() -> None:
    """The shortest possible cycle is named."""
    with pytest.raises(PlanError, match="takes"):
        proposed(BENCH, 50.0)


@given(target_s=st.floats(112.0, 3000.0), expected_c=st.floats(30.0, 120.0))
def test_a_proposal_fits_and_more_time_never_makes_it_worse(
    target_s: float, expected_c: float
) -> None:
    """Within the target, by our own demands, and with twice the time at least as sure."""
    base = replace(BENCH, expected_c=expected_c, start_c=expected_c - 20.0)
    plan, slower = proposed(base, target_s), proposed(base, 2 * target_s)
    assert plan.cycle_s <= target_s + 1e-6
    assert all(r.is_met for r in requirements(plan, None, target_s + 1e-6))
    assert slower.standard_uncertainty_c <= plan.standard_uncertainty_c + 1e-9
    assert slower.rate_c_per_min <= plan.rate_c_per_min + 1e-9


def test_a_proposal_uses_the_time_there_is() -> None:
    """From 15 °C below (the middle of ASTM D7236's window), in exactly the time asked for."""
    plan = proposed(BENCH, 180.0)
    assert plan.below_c == pytest.approx(15.0)
    assert plan.cycle_s == pytest.approx(180.0)
    assert plan.rate_c_per_min == pytest.approx(60.0 * 15.0 / (180.0 - 47.0 - 4.0))


def test_a_proposal_keeps_to_the_method() -> None:
    """ASTM D93 A from 60 °C: within 5 to 6 °C/min and 18 to 28 °C below, in 300 s."""
    plan = proposed(CyclePlan(60.0, 40.0, 10.0, 2.0), 300.0, METHODS["d93-a"])
    assert plan.below_c == pytest.approx(18.0)
    assert all(r.is_met for r in requirements(plan, METHODS["d93-a"], 300.0))
    assert plan.rate_c_per_min == pytest.approx(5.0)


@pytest.mark.slow
def test_the_plan_tells_what_simulated_cycles_do() -> None:
    """Cycle time, sparks, step and scatter of the bench cup, which knows nothing of the plan."""
    simulated = SimulatedAnalyzer(seed=3, fuel=product(62.0), drifting=False)
    judged = list(SimulatedLine(simulated, poll_s=4.0).results(120))
    truths = [t for _, t in judged]
    plan = replace(BENCH, start_c=42.0)
    lengths = np.array([t.cycle_length_s for t in truths])
    assert abs(float(np.median(lengths)) - plan.cycle_s) < plan.spark_interval_s + 2.0
    assert abs(float(np.median([t.sparks for t in truths])) - plan.sparks) <= 2
    lit = np.array([t.true_lit_temperature_c - t.true_flash_equilibrium_c for t in truths])
    sd, bias = contribution(plan, "spark interval")
    assert float(lit.mean()) == pytest.approx(bias, abs=0.04)
    assert float(lit.std()) == pytest.approx(sd, abs=0.03)
    own = kept(
        plan,
        {
            "resolution_c": [r.computed.resolution_c for r, _ in judged],
            "heating_rate_c_per_min": [r.computed.heating_rate_c_per_min for r, _ in judged],
            "start_temperature_c": [r.computed.start_temperature_c for r, _ in judged],
        },
    )
    names = ("start", "heating rate", "step between sparks")
    assert {k.name: k.count for k in own} == dict.fromkeys(names, len(judged))
    for figure in own:
        assert abs(figure.off) < 0.05 * abs(figure.plan), figure


def test_what_was_kept_leaves_out_what_is_not_known() -> None:
    """Nothing for an empty column; None and NaN do not count."""
    found = kept(BENCH, {"duration_s": [170.0, None, float("nan"), 172.0, 174.0]})
    (figure,) = found
    assert (figure.name, figure.median, figure.count) == ("cycle time", 172.0, 3)
    assert (figure.low, figure.high) == (pytest.approx(170.2), pytest.approx(173.8))
    assert figure.off == pytest.approx(172.0 - planned(BENCH)["duration_s"])


def test_a_column_without_values_hides_no_other() -> None:
    """The figures after an empty one are told too."""
    found = kept(BENCH, {"duration_s": [None], "start_temperature_c": [42.0], "resolution_c": []})
    assert [(f.name, f.median, f.count) for f in found] == [("start", 42.0, 1)]
