"""Every limit of every cycle rule, on both sides: silent at the limit, speaking just beyond it.

The limits are the catalogue's defaults: common practice, no source, unless a rule's parameter
names one. Each line says what the finding must carry: measured value, limit, unit, severity.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import inf, nextafter
from typing import Any, NamedTuple

import pytest

from edgeflash.model import Role, Severity, Span
from edgeflash.rules.rule import Breach
from tests.unit.rules.contexts import BEFORE, asked, spoiled

DOUBT, REJECT = Severity.DOUBT, Severity.REJECT
OWN: Severity | None = None
"""The severity of the rule itself."""

Made = Callable[[float], Breach | None]


class Limit(NamedTuple):
    """One limit. beyond: where the rule speaks; severity: what the breach says, OWN: nothing.

    near: a step that is just beyond for this quantity. named: the limit in the finding.
    """

    rule: str
    made: Made
    at: float
    beyond: float
    unit: str
    severity: Severity | None = OWN
    near: float = 0.0
    named: float | None = None


def figure(rule: str, name: str, **analyzer_changes: Any) -> Made:
    """The rule on the sound cycle with another computed figure."""
    return lambda value: asked(rule, computed={name: value}, **analyzer_changes)


def field(rule: str, name: str, **analyzer_changes: Any) -> Made:
    """The rule on the sound cycle with another field."""
    return lambda value: asked(rule, spoiled(**{name: value}), **analyzer_changes)


def read(rule: str, role: Role, computed: dict[str, Any] | None = None, **changes: Any) -> Made:
    """The rule on the sound cycle with another value of a role."""
    return lambda value: asked(rule, spoiled({role: value}), computed, **changes)


def flow(rule: str, role: Role) -> Made:
    """The rule on a flow whose mean over the cycle is the value; the extremes are far off."""
    return lambda value: asked(rule, spoiled(spans={role: Span(0.0, 900.0, value, 1.0, 9)}))


def barometer(value: float, **changes: Any) -> Breach | None:
    """The plausibility of a barometer reading."""
    return asked("barometer_implausible", computed={"barometer_kpa": value}, **changes)


def barometer_moved(value: float, before_kpa: float = 100.0) -> Breach | None:
    """The barometer at 100 kPa before, and by the value higher now."""
    before = replace(BEFORE, barometer_kpa=before_kpa)
    now = {Role.BAROMETRIC_PRESSURE: before_kpa + value}
    return asked("barometer_jump", spoiled(now, previous=before))


def barometer_span(value: float) -> Breach | None:
    """The barometer between 100 kPa and by the value higher within the cycle."""
    span = Span(100.0, 100.0 + value, 100.1, 100.2, 50)
    return asked("barometer_jump", spoiled(spans={Role.BAROMETRIC_PRESSURE: span}))


def apart(value: float) -> Breach | None:
    """Reported so far above what the trace says."""
    found = {"recomputed_c": 60.0, "reported_c": 60.0 + value}
    return asked("recomputed_disagrees", computed=found)


def above_start(value: float) -> Breach | None:
    """Lit so far above the start."""
    found = {"recomputed_c": 62.0, "start_temperature_c": 62.0 - value}
    return asked("ignition_too_early", computed=found)


def started(value: float, **changes: Any) -> Breach | None:
    """A ramp that began there, for 62 °C expected."""
    given = {"expected_c": 62.0, "start_below_expected_c": 20.0, **changes}
    return asked("start_temperature", computed={"start_temperature_c": value}, **given)


def in_scope(name: str) -> Made:
    """ASTM D93 procedure A: 40 to 370 °C (scope of D93-20)."""
    other = {"reported_c": 60.0, "recomputed_c": 60.0}
    return lambda value: asked("outside_method", computed={**other, name: value}, method="d93-a")


def inlet(low: float, high: float) -> Breach | None:
    """A sample that came in between two temperatures; 20 to 40 °C is allowed."""
    span = Span(low, high, 30.0, 30.0, 50)
    cycle = spoiled(spans={Role.SAMPLE_INLET_TEMPERATURE: span})
    return asked("inlet_temperature", cycle, inlet_low_c=20.0, inlet_high_c=40.0)


def zero_moved(value: float) -> Breach | None:
    """The transducer zero was 0.5 kPa, and is by the value higher."""
    before = replace(BEFORE, transducer_zero_kpa=0.5)
    cycle = spoiled({Role.TRANSDUCER_ZERO: 0.5 + value}, previous=before)
    return asked("transducer_zero", cycle, {"baseline_kpa": 0.0})


LIMITS = [
    Limit("clock_off", field("clock_off", "clock_ahead_s"), 300.0, inf, "s"),
    Limit("clock_off", field("clock_off", "clock_ahead_s"), -300.0, -inf, "s"),
    Limit("barometer_implausible", barometer, 82.0, -inf, "kPa"),
    Limit("barometer_implausible", barometer, 106.0, inf, "kPa"),
    Limit(
        "barometer_implausible",
        lambda v: barometer(v, barometer_kpa=95.0),
        101.0,
        inf,
        "kPa",
        named=95.0,
    ),
    Limit(
        "barometer_implausible",
        lambda v: barometer(v, barometer_kpa=95.0),
        89.0,
        -inf,
        "kPa",
        named=95.0,
    ),
    Limit("barometer_jump", barometer_moved, 1.0, inf, "kPa", near=1e-9),
    Limit("barometer_jump", barometer_moved, -1.0, -inf, "kPa", near=1e-9),
    Limit("barometer_jump", barometer_span, 0.5, inf, "kPa", near=1e-9),
    Limit("cycle_too_short", field("cycle_too_short", "duration_s"), 60.0, -inf, "s"),
    Limit("cycle_too_long", field("cycle_too_long", "duration_s"), 600.0, inf, "s"),
    Limit("unwatched", field("unwatched", "longest_gap_s"), 60.0, inf, "s"),
    Limit("ignition_weak", figure("ignition_weak", "peak_kpa"), 20.0, -inf, "kPa"),
    Limit("ignition_too_early", above_start, 3.0, -inf, "°C", near=1e-9),
    Limit("recomputed_disagrees", apart, 1.0, inf, "°C", DOUBT, 1e-9),
    Limit("recomputed_disagrees", lambda v: apart(-v), 1.0, inf, "°C", DOUBT, 1e-9),
    Limit("outside_range", figure("outside_range", "reported_c"), 23.0, -inf, "°C"),
    Limit("outside_range", figure("outside_range", "recomputed_c"), 127.0, inf, "°C"),
    Limit("ramp_rate", figure("ramp_rate", "heating_rate_c_per_min"), 11.5, inf, "°C/min", DOUBT),
    Limit("ramp_rate", figure("ramp_rate", "heating_rate_c_per_min"), 8.5, -inf, "°C/min", DOUBT),
    Limit(
        "ramp_rate",
        read("ramp_rate", Role.HEATING_RATE, {"heating_rate_c_per_min": None}),
        11.5,
        inf,
        "°C/min",
        DOUBT,
    ),
    Limit(
        "ramp_rate",
        figure("ramp_rate", "heating_rate_c_per_min", heating_rate_c_per_min=None),
        0.5,
        -inf,
        "°C/min",
    ),
    Limit("outside_method", in_scope("reported_c"), 40.0, -inf, "°C"),
    Limit("outside_method", in_scope("recomputed_c"), 370.0, inf, "°C"),
    Limit("ramp_unsteady", figure("ramp_unsteady", "unsteadiness_c"), 0.25, inf, "°C"),
    Limit("start_temperature", started, 47.0, inf, "°C", DOUBT),
    Limit("start_temperature", started, 37.0, -inf, "°C", DOUBT),
    Limit("start_temperature", lambda v: started(v, start_below_expected_c=None), 57.0, inf, "°C"),
    Limit("sensor_jump", figure("sensor_jump", "largest_jump_c"), 2.0, inf, "°C", DOUBT),
    Limit("sample_flow", flow("sample_flow", Role.SAMPLE_FLOW), 72.0, inf, "mL/min", DOUBT, 1e-9),
    Limit("sample_flow", flow("sample_flow", Role.SAMPLE_FLOW), 48.0, -inf, "mL/min", DOUBT, 1e-9),
    Limit("air_flow", flow("air_flow", Role.AIR_FLOW), 300.0, inf, "mL/min", DOUBT, 1e-9),
    Limit("air_flow", flow("air_flow", Role.AIR_FLOW), 200.0, -inf, "mL/min", DOUBT, 1e-9),
    Limit("transducer_zero", zero_moved, 1.0, inf, "kPa", DOUBT, 1e-9),
    Limit("transducer_zero", zero_moved, -1.0, -inf, "kPa", DOUBT, 1e-9, named=1.0),
    Limit(
        "transducer_zero",
        lambda v: asked("transducer_zero", spoiled({Role.TRANSDUCER_ZERO: v}, previous=None)),
        3.0,
        inf,
        "kPa",
    ),
    Limit("transducer_zero", figure("transducer_zero", "baseline_kpa"), -3.0, -inf, "kPa", named=3),
    Limit("pressure_noise", figure("pressure_noise", "noise_kpa"), 2.0, inf, "kPa"),
    Limit("inlet_temperature", lambda v: inlet(30.0, v), 40.0, inf, "°C"),
    Limit("inlet_temperature", lambda v: inlet(v, 30.0), 20.0, -inf, "°C"),
]


def just_beyond(limit: float, beyond: float, near: float) -> float:
    """The nearest value beyond, where the arithmetic of the case is exact; else a little more."""
    if near:
        return limit + near if beyond > 0 else limit - near
    return nextafter(limit, beyond)


def just_inside(limit: float, beyond: float, near: float) -> float:
    """The limit itself where the arithmetic is exact; else a little less."""
    return just_beyond(limit, -beyond, near) if near else limit


@pytest.mark.parametrize(
    "case", LIMITS, ids=[f"{c.rule}-{c.at:g}-{n}" for n, c in enumerate(LIMITS)]
)
def test_the_rule_speaks_just_beyond_its_limit(case: Limit) -> None:
    """At the limit nothing; beyond it a finding that names value, limit and unit."""
    assert case.made(just_inside(case.at, case.beyond, case.near)) is None
    value = just_beyond(case.at, case.beyond, case.near)
    breach = case.made(value)
    assert breach is not None
    assert breach.measured == pytest.approx(value, abs=1e-8)
    assert breach.limit == pytest.approx(case.at if case.named is None else case.named)
    assert breach.unit == case.unit
    assert breach.severity is case.severity
    assert breach.sentence


STEPS = [
    Limit("recomputed_disagrees", apart, 2.0, inf, "°C", near=1e-9),
    Limit("ramp_rate", figure("ramp_rate", "heating_rate_c_per_min"), 14.0, inf, "", near=1e-9),
    Limit("ramp_rate", figure("ramp_rate", "heating_rate_c_per_min"), 6.0, -inf, "", near=1e-9),
    Limit("sample_flow", flow("sample_flow", Role.SAMPLE_FLOW), 96.0, inf, "", near=1e-9),
    Limit("sample_flow", flow("sample_flow", Role.SAMPLE_FLOW), 24.0, -inf, "", near=1e-9),
    Limit("air_flow", flow("air_flow", Role.AIR_FLOW), 400.0, inf, "", near=1e-9),
    Limit("air_flow", flow("air_flow", Role.AIR_FLOW), 100.0, -inf, "", near=1e-9),
    Limit("sensor_jump", figure("sensor_jump", "largest_jump_c"), 5.0, inf, ""),
]


@pytest.mark.parametrize("case", STEPS, ids=[f"{c.rule}-{c.at:g}" for c in STEPS])
def test_the_second_limit_rejects(case: Limit) -> None:
    """Up to it a doubt, with the first limit named; beyond it a rejection, with the second."""
    doubted = case.made(just_inside(case.at, case.beyond, case.near))
    assert doubted is not None
    assert doubted.severity is DOUBT
    assert doubted.limit is not None
    assert doubted.limit != pytest.approx(case.at)
    rejected = case.made(just_beyond(case.at, case.beyond, case.near))
    assert rejected is not None
    assert rejected.severity is REJECT
    assert rejected.limit == pytest.approx(case.at)
