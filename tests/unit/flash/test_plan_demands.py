"""What a plan has to meet, line by line, and what is proposed: arithmetic by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from edgeflash.flash.methods import METHODS
from edgeflash.flash.plan import CyclePlan, Fixed, PlanError, Requirement, proposed, requirements

BENCH = CyclePlan(62.0, 42.0, 10.0, 2.0, sensor_lag_s=3.0, heater_lag_s=4.0)
"""47 s beside the heating, and 4 s until the heater follows."""


def demands(plan: CyclePlan, method: str, target_s: float | None = None) -> dict[str, Requirement]:
    """Each demand by its name."""
    return {d.name: d for d in requirements(plan, METHODS[method], target_s)}


def test_every_demand_says_value_limits_unit_and_source() -> None:
    """ASTM D93 A (scope read; 5 to 6 °C/min, 23 ± 5 °C, every 1 °C from memory): 23 °C at
    5.5 °C/min are 250.9 s, so 26 sparks 10 s apart, and 297.9 s with the 47 s of the rest."""
    plan = CyclePlan(60.0, 37.0, 5.5, 10.0)
    name = "ASTM D93 procedure A (distillates)"
    memory, read = f"{name}, from memory", f"{name}, scope read"
    expected = [
        ("sparks below the flash", 25, 3, None, "sparks", "common practice, no source"),
        ("expected flash point", 60.0, 40.0, 370.0, "°C", read),
        ("heating rate", 5.5, 5.0, 6.0, "°C/min", memory),
        ("step between sparks", pytest.approx(0.916667, abs=1e-6), None, 1.0, "°C", memory),
        ("start below the flash point", 23.0, 18.0, 28.0, "°C", memory),
        ("cycle time", pytest.approx(297.909, abs=1e-3), None, 300.0, "s", "as asked for"),
    ]
    found = requirements(plan, METHODS["d93-a"], 300.0)
    told = [(d.name, d.value, d.low, d.high, d.unit, d.source) for d in found]
    assert expected == told


@pytest.mark.parametrize(
    ("method", "expected_c", "is_met"),
    [
        # ASTM D56 is for flash points below 93 °C (read), ISO 2719 for those above 40 °C (from
        # memory); ASTM D93 begins with 40 °C itself, D7236 ends with 135 °C itself (read).
        ("d56", 93.0, False),
        ("d56", 92.9, True),
        ("iso-2719-a", 40.0, False),
        ("iso-2719-a", 40.1, True),
        ("d93-a", 40.0, True),
        ("d93-a", 39.9, False),
        ("d7236", 135.0, True),
        ("d7236", 135.1, False),
    ],
)
def test_an_end_of_the_scope_counts_as_the_method_says(
    method: str, expected_c: float, is_met: bool
) -> None:
    """As Method.covers, which the rules use, has it."""
    plan = replace(BENCH, expected_c=expected_c, start_c=expected_c - 20.0)
    assert demands(plan, method)["expected flash point"].is_met is is_met
    assert METHODS[method].covers(expected_c) is is_met


def test_a_start_without_a_far_end_may_lie_far_below() -> None:
    """ASTM D6450: the first ignition at least 18 °C below (read), no more is said."""
    name = "start below the flash point"
    assert demands(replace(BENCH, start_c=2.0), "d6450")[name].is_met
    assert demands(replace(BENCH, start_c=44.0), "d6450")[name].is_met
    assert not demands(replace(BENCH, start_c=44.1), "d6450")[name].is_met


def test_an_isothermal_cup_asks_for_no_ramp() -> None:
    """ASTM D3828: each ignition has a fresh specimen (read)."""
    assert set(demands(BENCH, "d3828-b")) == {"sparks below the flash", "expected flash point"}


@pytest.mark.parametrize(
    ("value", "is_met"),
    [(1.0 + 1e-10, True), (1.0 + 1e-8, False), (0.5 - 1e-10, True), (0.5 - 1e-8, False)],
)
def test_a_demand_is_held_to_nine_digits(value: float, is_met: bool) -> None:
    """What binary fractions add to a figure that a person states breaks no demand."""
    assert Requirement("step", value, 0.5, 1.0, "°C", "").is_met is is_met


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"rate_c_per_min": 0.0}, "the heating rate must be above 0 °C/min, not 0"),
        ({"rate_c_per_min": float("inf")}, "the heating rate must be above 0 °C/min, not inf"),
        ({"spark_interval_s": -2.0}, "the spark interval must be above 0 s, not -2"),
        (
            {"start_c": 62.5},
            "the start, 62.5 °C, must lie below the expected flash point, 62 °C",
        ),
        ({"sensor_sd_c": -0.1}, "lags, times and the sensor's spread must be 0 or more"),
        (
            {"fixed": Fixed(fill_s=float("nan"))},
            "lags, times and the sensor's spread must be 0 or more",
        ),
    ],
)
def test_a_refusal_says_what_is_wrong(wrong: dict[str, object], sentence: str) -> None:
    """The setting, the limit, and what was given."""
    with pytest.raises(PlanError) as refused:
        replace(BENCH, **wrong)
    assert str(refused.value) == sentence


def test_no_lag_no_time_and_a_perfect_sensor_are_a_plan() -> None:
    """0 is allowed where nothing is divided by it."""
    bare = CyclePlan(62.0, 42.0, 10.0, 2.0, 0.0, 0.0, 0.0, Fixed(0.0, 0.0, 0.0, 0.0, 0.0))
    assert bare.cycle_s == 120.0


@pytest.mark.parametrize(
    ("target_s", "rate", "interval_s"),
    [
        # 15 °C: at 15 °C/min 60 s + 4 s + 47 s; at 1 °C/min 900 s. Sparks 1 s apart or more (common
        # practice, no source), and no finer than 0.1 °C.
        (111.0, 15.0, 1.0),
        (141.0, 10.0, 1.0),
        (201.0, 6.0, 1.0),
        (351.0, 3.0, 2.0),
        (951.0, 1.0, 6.0),
        (5000.0, 1.0, 6.0),
    ],
)
def test_a_proposal_takes_all_the_time_and_no_more(
    target_s: float, rate: float, interval_s: float
) -> None:
    """The slowest ramp that fits, from 15 °C below the expected flash point."""
    plan = proposed(BENCH, target_s)
    assert plan.rate_c_per_min == pytest.approx(rate, rel=1e-9)
    assert plan.spark_interval_s == pytest.approx(interval_s, rel=1e-9)
    assert plan.start_c == pytest.approx(47.0)
    assert (plan.sensor_lag_s, plan.heater_lag_s, plan.fixed) == (3.0, 4.0, Fixed())


def test_a_time_that_cannot_be_is_told_with_the_shortest_that_can() -> None:
    """110.9 s are a tenth of a second too few."""
    with pytest.raises(PlanError) as refused:
        proposed(BENCH, 110.9)
    assert str(refused.value) == (
        "no cycle of 110.9 s: heating at 15 °C/min from 47.0 °C takes 111 s"
    )


@pytest.mark.parametrize(
    ("method", "below_c", "slow", "fast"),
    [
        # First ignition and heating: ASTM D7236, D6450, D7094 (read), the others from memory.
        ("d7236", 15.0, 1.5, 2.5),
        ("d6450", 18.0, 5.0, 6.0),
        ("d7094", 18.0, 2.2, 2.8),
        ("d93-a", 18.0, 5.0, 6.0),
        ("d93-b-other", 18.0, 1.0, 1.6),
        ("d93-c", 24.0, 2.5, 3.5),
        ("d56", 5.0, 180.0 / 66.0, 180.0 / 54.0),
        ("iso-13736", 15.0, 1.0, 1.0),
    ],
)
def test_a_proposal_stays_within_the_method(
    method: str, below_c: float, slow: float, fast: float
) -> None:
    """Its slowest ramp where there is time, its fastest where there is none to spare."""
    shortest_s = 51.0 + 60.0 * below_c / fast
    for target_s, rate in ((1e5, slow), (shortest_s + 1e-9, fast)):
        plan = proposed(BENCH, target_s, METHODS[method])
        assert plan.below_c == pytest.approx(below_c)
        assert plan.rate_c_per_min == pytest.approx(rate)
        assert all(d.is_met for d in requirements(plan, METHODS[method], target_s + 1e-6))
    with pytest.raises(PlanError, match="no cycle of"):
        proposed(BENCH, shortest_s - 0.1, METHODS[method])
