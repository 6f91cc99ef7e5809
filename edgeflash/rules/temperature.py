"""Temperature rules: was the sample heated as the method wants, within the instrument's range?"""

from __future__ import annotations

from edgeflash.flash.finite import finite_samples
from edgeflash.flash.methods import METHODS
from edgeflash.flash.steadiness import mean_rate_c_per_s, rate_change, resolution_c
from edgeflash.model import Floats, Role, Severity
from edgeflash.rules.off_plan import off_plan, off_plan_parameters
from edgeflash.rules.rule import Breach, CycleContext, Family, Parameter, Parameters, Rule, TraceUse
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


def _outside_method(c: CycleContext, p: Parameters) -> Breach | None:
    method = METHODS.get(c.analyzer.method or "")
    if method is None:
        return None
    low, high = method.scope_low_c, method.scope_high_c
    for name, value in (
        ("reported", c.computed.reported_c),
        ("recomputed", c.computed.recomputed_c),
    ):
        if value is None:
            continue
        if not method.covers(value):
            is_below = low is not None and value <= low
            side, limit = ("below", low) if is_below else ("above", high)
            sentence = (
                f"the {name} flash point {value:.1f} °C lies {side} the scope of {method.name}"
            )
            return Breach(sentence, value, limit, "°C")
    return None


def _heating(c: CycleContext) -> tuple[Floats, Floats] | None:
    """Time and temperature up to the ignition, or to the end without one; None without a trace."""
    if c.cycle.trace is None or c.cycle.torn or c.computed.ignition_count is None:
        return None
    time_s, temperature_c = finite_samples(c.cycle.trace.time_s, c.cycle.trace.temperature_c)
    if c.computed.ignition_time_s is None:
        return time_s, temperature_c
    before = time_s <= c.computed.ignition_time_s
    return time_s[before], temperature_c[before]


def _ramp_unsteady(c: CycleContext, p: Parameters) -> Breach | None:
    spread, limit = c.computed.unsteadiness_c, p["most_c"]
    if spread is not None and spread > limit:
        sentence = f"the temperature strayed by {spread:.2f} °C about a steady ramp"
        return Breach(sentence, spread, limit, "°C")
    heating = _heating(c)
    change = None if heating is None else rate_change(*heating, p["span_c"], p["settle_s"])
    if change is None or change <= p["rate_change_fraction"]:
        return None
    sentence = f"the heating rate changed by {change:.0%} in the last {p['span_c']:g} °C"
    return Breach(sentence, change, p["rate_change_fraction"], "of rate")


def _start_temperature(c: CycleContext, p: Parameters) -> Breach | None:
    start, expected = c.computed.start_temperature_c, c.analyzer.expected_c
    if start is None or expected is None:
        return None
    highest = expected - p["least_below_c"]
    if start > highest:
        sentence = f"the ramp began at {start:.1f} °C, too near the {expected:g} °C expected"
        return Breach(sentence, start, highest, "°C")
    below = c.analyzer.start_below_expected_c
    plan = None if below is None else expected - below
    if plan is None or abs(start - plan) <= p["off_plan_c"]:
        return None
    limit = plan + p["off_plan_c"] if start > plan else plan - p["off_plan_c"]
    sentence = f"the ramp began at {start:.1f} °C; the plan is {plan:g} °C"
    return Breach(sentence, start, limit, "°C", Severity.DOUBT)


def _sensor_frozen(c: CycleContext, p: Parameters) -> Breach | None:
    still, heating = c.computed.longest_still_s, _heating(c)
    if still is None or heating is None:
        return None
    plan = c.analyzer.heating_rate_c_per_min
    rate_c_per_s = mean_rate_c_per_s(*heating) if plan is None else plan / 60.0
    # A sensor that reads in whole steps shows one value for as long as a step takes.
    step_s = resolution_c(heating[1]) / rate_c_per_s if rate_c_per_s > 0.0 else 0.0
    limit = p["most_s"] + step_s
    if still <= limit:
        return None
    sentence = f"the temperature sensor showed one value for {still:.1f} s of the heating"
    return Breach(sentence, still, limit, "s")


def _sensor_jump(c: CycleContext, p: Parameters) -> Breach | None:
    jump = c.computed.largest_jump_c
    if jump is None or jump <= p["doubt_c"]:
        return None
    severity = Severity.REJECT if jump > p["reject_c"] else Severity.DOUBT
    limit = p["reject_c"] if severity is Severity.REJECT else p["doubt_c"]
    sentence = f"the temperature jumped by {jump:.1f} °C between two samples"
    return Breach(sentence, jump, limit, "°C", severity)


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
        needs=(Role.HEATING_RATE,),
        trace=TraceUse.INSTEAD,
        keys=("heating_rate_c_per_min",),
        parameters=(
            *off_plan_parameters(0.15, 0.40, "of plan"),
            Parameter("least_c_per_min", 0.5, "°C/min", "least heating, with or without a plan"),
        ),
        on_cycle=_ramp_rate,
    ),
    Rule(
        403,
        "outside_method",
        Family.TEMPERATURE,
        "The flash point lies outside the scope of the test method that the site names.",
        Severity.DOUBT,
        Category.OUT_OF_SPECIFICATION,
        Quality.UNITS_EXCEEDED,
        Quality.OUT_OF_RANGE,
        keys=("method",),
        on_cycle=_outside_method,
    ),
    Rule(
        404,
        "ramp_unsteady",
        Family.TEMPERATURE,
        "The sample was not heated steadily before the ignition.",
        Severity.DOUBT,
        Category.OUT_OF_SPECIFICATION,
        Quality.SUB_NORMAL,
        Quality.BAD,
        trace=TraceUse.NEEDED,
        parameters=(
            Parameter("most_c", 0.25, "°C", "largest spread about a straight ramp"),
            Parameter("rate_change_fraction", 0.3, "of rate", "largest change of the rate"),
            Parameter("span_c", 10.0, "°C", "the part of the ramp where the rate is looked at"),
            Parameter("settle_s", 20.0, "s", "start of the heating that is left out of it"),
        ),
        on_cycle=_ramp_unsteady,
    ),
    Rule(
        405,
        "start_temperature",
        Family.TEMPERATURE,
        "The ramp did not begin where it should for the flash point expected.",
        Severity.REJECT,
        Category.OUT_OF_SPECIFICATION,
        Quality.SUB_NORMAL,
        Quality.BAD,
        needs=(Role.START_TEMPERATURE,),
        trace=TraceUse.INSTEAD,
        keys=("expected_c",),
        parameters=(
            Parameter("off_plan_c", 5.0, "°C", "furthest from the planned start"),
            Parameter("least_below_c", 5.0, "°C", "least below the expected; nearer rejects"),
        ),
        on_cycle=_start_temperature,
    ),
    Rule(
        406,
        "sensor_frozen",
        Family.TEMPERATURE,
        "The temperature sensor stood still while the sample was heated.",
        Severity.REJECT,
        Category.FAILURE,
        Quality.NOT_ACCURATE,
        Quality.SENSOR_FAILURE,
        trace=TraceUse.NEEDED,
        parameters=(Parameter("most_s", 5.0, "s", "longest stand, beyond a step of the sensor"),),
        on_cycle=_sensor_frozen,
    ),
    Rule(
        407,
        "sensor_jump",
        Family.TEMPERATURE,
        "The temperature sensor jumped while the sample was heated.",
        Severity.REJECT,
        Category.FAILURE,
        Quality.NOT_ACCURATE,
        Quality.SENSOR_FAILURE,
        trace=TraceUse.NEEDED,
        parameters=(
            Parameter("doubt_c", 2.0, "°C", "jump that raises doubt"),
            Parameter("reject_c", 5.0, "°C", "jump that rejects"),
        ),
        on_cycle=_sensor_jump,
    ),
)
