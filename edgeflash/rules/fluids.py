"""Fluid rules: sample, air and the transducer that watches the cell."""

from __future__ import annotations

from statistics import median

from edgeflash.cycles.observed import FLOWS_COUNT_IN
from edgeflash.model import Role, Severity
from edgeflash.rules.off_plan import off_plan, off_plan_parameters
from edgeflash.rules.rule import Breach, CycleContext, Family, Parameter, Parameters, Rule, TraceUse
from edgeflash.trust import Category, Quality


def _flow(
    c: CycleContext, p: Parameters, role: Role, plan: float | None, what: str
) -> Breach | None:
    """A flow that strayed from its set value, by its mean over the cycle's scans."""
    span = c.cycle.spans.get(role)
    flow = None if span is None else span.mean
    if span is None and c.cycle.values.get(Role.PHASE) in (None, *FLOWS_COUNT_IN):
        flow = c.cycle.number_value(role)
    if plan is None or flow is None:
        return None
    sentence = f"{what} was {flow:.0f} mL/min; the set value is {plan:g} mL/min"
    return off_plan(flow, plan, p, "mL/min", sentence)


def _sample_flow(c: CycleContext, p: Parameters) -> Breach | None:
    return _flow(c, p, Role.SAMPLE_FLOW, c.analyzer.sample_flow_ml_per_min, "sample flow")


def _air_flow(c: CycleContext, p: Parameters) -> Breach | None:
    return _flow(c, p, Role.AIR_FLOW, c.analyzer.air_flow_ml_per_min, "air flow")


def _transducer_zero(c: CycleContext, p: Parameters) -> Breach | None:
    if c.cycle.torn:
        return None
    read = c.cycle.number_value(Role.TRANSDUCER_ZERO)
    for zero, what in (
        (read, "transducer zero"),
        (c.computed.baseline_kpa, "baseline of the pressure trace"),
    ):
        if zero is not None and abs(zero) > p["reject_kpa"]:
            sentence = f"the {what} stands at {zero:.2f} kPa"
            return Breach(sentence, zero, p["reject_kpa"], "kPa")
    before = c.previous.transducer_zero_kpa if c.previous else None
    if read is None or before is None or abs(before) > p["reject_kpa"]:
        return None
    if abs(read - before) <= p["shift_kpa"]:
        return None
    shift = read - before
    sentence = f"the transducer zero moved by {shift:+.2f} kPa since the last cycle"
    return Breach(sentence, shift, p["shift_kpa"], "kPa", Severity.DOUBT)


def _pressure_noise(c: CycleContext, p: Parameters) -> Breach | None:
    noise, limit = c.computed.noise_kpa, p["most_kpa"]
    if noise is None or noise <= limit:
        return None
    return Breach(f"the pressure signal is noisy: {noise:.2f} kPa", noise, limit, "kPa")


def _inlet_temperature(c: CycleContext, p: Parameters) -> Breach | None:
    span = c.cycle.spans.get(Role.SAMPLE_INLET_TEMPERATURE)
    read = c.cycle.number_value(Role.SAMPLE_INLET_TEMPERATURE)
    coldest, hottest = (read, read) if span is None else (span.low, span.high)
    low, high = c.analyzer.inlet_low_c, c.analyzer.inlet_high_c
    if coldest is None or hottest is None or (span is None and c.cycle.torn):
        return None
    if high is not None and hottest > high:
        sentence = f"the sample came in at {hottest:.1f} °C; at most {high:g} °C is allowed"
        return Breach(sentence, hottest, high, "°C")
    if low is not None and coldest < low:
        sentence = f"the sample came in at {coldest:.1f} °C; at least {low:g} °C is wanted"
        return Breach(sentence, coldest, low, "°C")
    return None


def _zero_drift(c: CycleContext, p: Parameters) -> Breach | None:
    zero = c.cycle.number_value(Role.TRANSDUCER_ZERO)
    if zero is None or c.cycle.torn:
        return None
    past: list[float] = []
    for remembered in c.memory.past:
        if "maintenance" in remembered.reasons:
            past = []  # someone may have set it anew
        if remembered.zero_kpa is not None:
            past.append(remembered.zero_kpa)
    if len(past) < p["least_cycles"]:
        return None
    usual = median(past)
    moved = zero - usual
    if abs(moved) <= p["most_kpa"]:
        return None
    sentence = f"the transducer zero has drifted by {moved:+.2f} kPa over the last cycles"
    return Breach(sentence, moved, p["most_kpa"] if moved > 0 else -p["most_kpa"], "kPa")


_FLOW_PARAMETERS = off_plan_parameters(0.20, 0.60, "of set value")

RULES: tuple[Rule, ...] = (
    Rule(
        501,
        "sample_flow",
        Family.FLUIDS,
        "The sample flow strayed from its set value: the cup may not hold the present product.",
        Severity.REJECT,
        Category.OUT_OF_SPECIFICATION,
        Quality.NOT_ACCURATE,
        Quality.BAD,
        needs=(Role.SAMPLE_FLOW,),
        keys=("sample_flow_ml_per_min",),
        parameters=_FLOW_PARAMETERS,
        on_cycle=_sample_flow,
    ),
    Rule(
        502,
        "air_flow",
        Family.FLUIDS,
        "The air flow strayed from its set value: the vapour above the sample is not as planned.",
        Severity.REJECT,
        Category.OUT_OF_SPECIFICATION,
        Quality.NOT_ACCURATE,
        Quality.BAD,
        needs=(Role.AIR_FLOW,),
        keys=("air_flow_ml_per_min",),
        parameters=_FLOW_PARAMETERS,
        on_cycle=_air_flow,
    ),
    Rule(
        503,
        "transducer_zero",
        Family.FLUIDS,
        "The pressure transducer is not at zero where it should be, or its zero moves.",
        Severity.REJECT,
        Category.MAINTENANCE_REQUIRED,
        Quality.NOT_ACCURATE,
        Quality.SENSOR_FAILURE,
        needs=(Role.TRANSDUCER_ZERO,),
        parameters=(
            Parameter("reject_kpa", 3.0, "kPa", "furthest from zero"),
            Parameter("shift_kpa", 1.0, "kPa", "largest move from one cycle to the next"),
        ),
        on_cycle=_transducer_zero,
    ),
    Rule(
        504,
        "pressure_noise",
        Family.FLUIDS,
        "The pressure signal is too noisy to tell a flash from a disturbance.",
        Severity.DOUBT,
        Category.MAINTENANCE_REQUIRED,
        Quality.NOT_ACCURATE,
        Quality.SENSOR_FAILURE,
        trace=TraceUse.NEEDED,
        parameters=(Parameter("most_kpa", 2.0, "kPa", "highest standard deviation"),),
        on_cycle=_pressure_noise,
    ),
    Rule(
        505,
        "inlet_temperature",
        Family.FLUIDS,
        "The sample came in too hot or too cold: light ends may be lost, or wax may settle.",
        Severity.DOUBT,
        Category.OUT_OF_SPECIFICATION,
        Quality.NOT_ACCURATE,
        Quality.BAD,
        needs=(Role.SAMPLE_INLET_TEMPERATURE,),
        keys=("inlet_low_c", "inlet_high_c"),
        on_cycle=_inlet_temperature,
    ),
    Rule(
        506,
        "zero_drift",
        Family.FLUIDS,
        "The zero of the pressure transducer has drifted away from what it was for many cycles.",
        Severity.DOUBT,
        Category.MAINTENANCE_REQUIRED,
        Quality.NOT_ACCURATE,
        Quality.SENSOR_FAILURE,
        needs=(Role.TRANSDUCER_ZERO,),
        parameters=(
            Parameter("most_kpa", 1.0, "kPa", "furthest from the median of the cycles before"),
            Parameter("least_cycles", 10.0, "cycles", "cycles it takes to know the usual zero"),
        ),
        looks_back=True,
        on_cycle=_zero_drift,
    ),
)
