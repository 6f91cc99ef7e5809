"""Temperature rules: was the sample heated as the method wants, within the instrument's range?"""

from __future__ import annotations

from edgeflash.model import Role, Severity
from edgeflash.rules.off_plan import off_plan, off_plan_parameters
from edgeflash.rules.rule import Breach, CycleContext, Family, Parameter, Parameters, Rule
from edgeflash.trust import Category, Quality


def _outside_range(c: CycleContext, p: Parameters) -> Breach | None:
    margin = p["margin_c"]
    low, high = c.analyzer.range_low_c - margin, c.analyzer.range_high_c + margin
    for name, value in (
        ("reported", c.computed.reported_c),
        ("recomputed", c.computed.recomputed_c),
    ):
        if value is not None and not low <= value <= high:
            sentence = (
                f"the {name} flash point {value:.1f} °C lies outside the instrument's range "
                f"{c.analyzer.range_low_c:g} to {c.analyzer.range_high_c:g} °C"
            )
            return Breach(sentence, value, low if value < low else high, "°C")
    return None


def _ramp_rate(c: CycleContext, p: Parameters) -> Breach | None:
    plan, rate = c.analyzer.heating_rate_c_per_min, c.computed.heating_rate_c_per_min
    if rate is None and not c.cycle.torn:
        rate = c.cycle.number_value(Role.HEATING_RATE)
    if rate is None:
        return None
    if rate < p["least_c_per_min"]:
        sentence = f"the temperature rose by {rate:.2f} °C/min only: no heating, or a stuck sensor"
        return Breach(sentence, rate, p["least_c_per_min"], "°C/min")
    if plan is None:
        return None
    sentence = f"the sample was heated at {rate:.2f} °C/min; the plan is {plan:g} °C/min"
    return off_plan(rate, plan, p, "°C/min", sentence)


RULES: tuple[Rule, ...] = (
    Rule(
        401,
        "outside_range",
        Family.TEMPERATURE,
        "The flash point lies outside what the instrument can measure.",
        Severity.REJECT,
        Category.OUT_OF_SPECIFICATION,
        Quality.UNITS_EXCEEDED,
        Quality.OUT_OF_RANGE,
        parameters=(Parameter("margin_c", 2.0, "°C", "allowance beyond the range"),),
        on_cycle=_outside_range,
    ),
    Rule(
        402,
        "ramp_rate",
        Family.TEMPERATURE,
        "The heating rate before the ignition is off the plan.",
        Severity.REJECT,
        Category.OUT_OF_SPECIFICATION,
        Quality.SUB_NORMAL,
        Quality.BAD,
        parameters=(
            *off_plan_parameters(0.15, 0.40, "of plan"),
            Parameter("least_c_per_min", 0.5, "°C/min", "least heating, with or without a plan"),
        ),
        on_cycle=_ramp_rate,
    ),
)
