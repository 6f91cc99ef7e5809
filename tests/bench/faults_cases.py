"""The faults of the detection table: strengths from invisible to gross, and who should see them.

Strengths that nobody can see are there on purpose: a rule that speaks there would cost values.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeAlias

from edgeflash.model import InputReading
from simulators.faults import Fault, FaultKind
from simulators.fuel import CHECK_FLUID, flash_point_c, product

FIRST = 16
"""The first faulty cycle; those before it are clean, for the rules that look back."""

FaultsOf: TypeAlias = Callable[[float], list[Fault]]
K = FaultKind


@dataclass(frozen=True, slots=True)
class Case:
    """One fault, or a course of faults.

    rules: those meant to catch it; any of them is right. strengths: from invisible to gross.
    judged: which faulty cycle counts, from 0. is_gross_sure: whether the last strength must always
    be caught; where it need not, `note` says why. analyzer: changes to the site file's entry;
    simulator: arguments of the simulated analyzer; has_inputs: the control system writes.
    """

    name: str
    unit: str
    rules: tuple[str, ...]
    strengths: tuple[float, ...]
    faults: FaultsOf
    judged: int = 0
    is_gross_sure: bool = True
    note: str = ""
    poll_s: float = 5.0
    is_live: bool = False
    analyzer: Mapping[str, Any] = field(default_factory=dict)
    simulator: Mapping[str, Any] = field(default_factory=dict)
    has_inputs: bool = False


def one(kind: FaultKind, cycles: int = 1) -> FaultsOf:
    """The fault alone, in so many cycles."""
    return lambda strength: [Fault(kind, strength, FIRST, FIRST + cycles - 1)]


def _check_then_product(bias_c: float) -> list[Fault]:
    return [
        Fault(K.CHECK_SAMPLE, 20.0, FIRST, FIRST),
        Fault(K.SENSOR_BIAS, bias_c, FIRST, FIRST),
    ]


def _carried_over(share: float) -> list[Fault]:
    return [
        Fault(K.PRODUCT_STEP, -8.0, FIRST, FIRST + 9),
        Fault(K.CARRY_OVER, share, FIRST, FIRST + 9),
    ]


STREAMS = (
    {"number": 1, "name": "rundown", "product": "gas-oil"},
    {"number": 2, "name": "import line", "product": "gas-oil"},
)
LAG = {"transport_lag_s": 60.0, "flush_volume_ml": 28.0, "streams": STREAMS}
OTHER = {"others": {2: product(68.0)}, "transport_lag_s": 60.0}
NO_STRENGTH = (0.0,)
CHECK_C = round(flash_point_c(CHECK_FLUID, 101.3) + 0.17, 2)
"""What a sound analyzer finds of the check fluid: half a step above its flash point."""


CASES: tuple[Case, ...] = (
    Case("torn", "s", ("torn_read",), (1, 5, 10, 20, 40, 80, 160), one(K.TORN), poll_s=2.0),
    Case("sentinel", "", ("not_available",), NO_STRENGTH, one(K.SENTINEL)),
    Case("device_fault_bit", "", ("device_fault",), (4.0,), one(K.DEVICE_FAULT_BIT)),
    Case(
        "trace_sentinel",
        "share",
        ("trace_gaps",),
        (0.001, 0.005, 0.02, 0.05, 0.1, 0.3, 0.7),
        one(K.TRACE_SENTINEL),
    ),
    Case(
        "trace_hole",
        "s",
        ("trace_gaps", "ignition_flag_disagrees"),
        (0.25, 0.5, 1, 2, 5, 10, 30),
        one(K.TRACE_HOLE),
    ),
    Case(
        "alive_stuck",
        "s",
        ("not_alive",),
        (2, 10, 20, 30, 40, 60, 120),
        one(K.ALIVE_STUCK),
        is_live=True,
    ),
    Case("frozen", "", ("not_alive", "result_overdue"), NO_STRENGTH, one(K.FROZEN), is_live=True),
    Case(
        "clock_off",
        "s",
        ("clock_off",),
        (2, 30, 120, 240, 320, 900, 7200),
        one(K.CLOCK_OFF),
        poll_s=2.0,
    ),
    Case(
        "barometer_bad",
        "kPa",
        ("barometer_implausible", "barometer_jump"),
        (101.0, 103, 105, 107, 110, 115),
        one(K.BAROMETER_BAD),
    ),
    Case(
        "barometer_jump",
        "kPa",
        ("barometer_jump",),
        (0.1, 0.3, 0.6, 1.0, 1.5, 3.0),
        one(K.BAROMETER_JUMP),
    ),
    Case(
        "cycle_too_long",
        "s",
        ("cycle_too_long",),
        (60, 200, 350, 450, 500, 900),
        one(K.CYCLE_TOO_LONG),
    ),
    Case(
        "cycle_too_short",
        "s",
        ("cycle_too_short",),
        (110, 80, 65, 55, 45, 35),
        one(K.CYCLE_TOO_SHORT),
    ),
    Case("counter_repeated", "", ("counter_repeated",), NO_STRENGTH, one(K.COUNTER_REPEATED)),
    Case("stale_result", "", ("counter_repeated",), NO_STRENGTH, one(K.STALE_RESULT)),
    Case("counter_reset", "", ("counter_reset",), (1.0,), one(K.COUNTER_RESET)),
    Case("counter_skip", "cycles", ("cycles_missed",), (1, 2, 5, 10, 100), one(K.COUNTER_SKIP)),
    Case("maintenance", "s", ("maintenance",), (1, 2, 5, 10, 30, 60), one(K.MAINTENANCE)),
    Case("check_sample", "s", ("check_sample",), (1, 2, 5, 10, 20, 40), one(K.CHECK_SAMPLE)),
    Case(
        "not_cleaned",
        "share",
        ("not_cleaned",),
        (0.1, 0.3, 0.6, 0.8, 0.9, 1.0),
        one(K.NOT_CLEANED),
        poll_s=1.0,
    ),
    Case(
        "not_zeroed",
        "share",
        ("not_zeroed",),
        (0.1, 0.3, 0.6, 0.8, 0.9, 1.0),
        one(K.NOT_ZEROED),
        poll_s=1.0,
    ),
    Case(
        "zero_first",
        "share",
        ("phases_wrong",),
        (0.1, 0.3, 0.6, 0.8, 0.9, 1.0),
        one(K.ZERO_FIRST),
        poll_s=1.0,
    ),
    Case(
        "not_purged",
        "share",
        ("phases_wrong",),
        (0.1, 0.3, 0.6, 0.8, 0.95, 1.0),
        one(K.NOT_PURGED),
        poll_s=1.0,
    ),
    Case("no_ignition", "", ("no_ignition",), NO_STRENGTH, one(K.NO_IGNITION)),
    Case(
        "weak_ignition",
        "kPa",
        ("ignition_weak", "no_ignition", "ignition_flag_disagrees"),
        (60.0, 30, 22, 18, 12, 8, 2),
        one(K.WEAK_IGNITION),
    ),
    Case(
        "start_hot",
        "°C",
        ("start_temperature", "ignition_too_early"),
        (1, 3, 5, 8, 12, 16, 22),
        one(K.START_HOT),
        analyzer={"expected_c": 62.0, "start_below_expected_c": 20.0},
    ),
    Case(
        "pressure_step",
        "kPa",
        ("not_a_flash", "pulse_shape"),
        (2, 5, 7, 9, 15, 30, 60),
        one(K.PRESSURE_STEP),
    ),
    Case(
        "pulse_slow",
        "s",
        ("pulse_shape",),
        (0.014, 0.05, 0.1, 0.18, 0.22, 0.3, 0.6),
        one(K.PULSE_SLOW),
    ),
    Case(
        "pickup_spike",
        "kPa",
        ("pulse_shape", "ignition_flag_disagrees"),
        (3, 6, 9, 15, 30, 60),
        one(K.PICKUP_SPIKE),
    ),
    Case(
        "early_spike",
        "kPa",
        ("second_ignition", "outlier", "ignition_too_early", "ignition_weak"),
        (2, 4, 6, 9, 25, 60, 120),
        one(K.EARLY_SPIKE),
        is_gross_sure=False,
        note="a knock just before the flash decays like one and stands where one could",
    ),
    Case(
        "second_flash",
        "of first",
        ("second_ignition",),
        (0.02, 0.05, 0.1, 0.2, 0.4, 0.8),
        one(K.SECOND_FLASH),
    ),
    Case(
        "missed_flash",
        "flashes",
        ("second_ignition", "recomputed_disagrees"),
        (0, 1, 2, 3, 6, 12),
        one(K.MISSED_FLASH),
    ),
    Case("misfire", "°C", ("outlier",), (0.2, 1, 2, 4, 6, 8, 12), one(K.MISFIRE)),
    Case(
        "reported_bias",
        "°C",
        ("recomputed_disagrees",),
        (0.2, 0.6, 1.0, 1.5, 2.0, 4.0),
        one(K.REPORTED_BIAS),
    ),
    Case(
        "out_of_range",
        "°C",
        ("outside_range",),
        (40.0, 30, 25, 23, 22, 20, 15),
        one(K.OUT_OF_RANGE),
    ),
    Case(
        "outside_method",
        "°C",
        ("outside_method",),
        (85.0, 90, 92, 94, 97, 110),
        one(K.OUT_OF_RANGE),
        analyzer={"method": "d56"},
    ),
    Case(
        "ramp_fast", "of plan", ("ramp_rate",), (1.02, 1.08, 1.12, 1.2, 1.4, 1.8), one(K.RAMP_FAST)
    ),
    Case(
        "ramp_slow", "of plan", ("ramp_rate",), (0.98, 0.92, 0.88, 0.8, 0.6, 0.4), one(K.RAMP_SLOW)
    ),
    Case(
        "ramp_bent",
        "of plan",
        ("ramp_unsteady", "ramp_rate"),
        (1.03, 1.1, 1.2, 1.35, 1.6, 2.2),
        one(K.RAMP_BENT),
    ),
    Case(
        "ramp_unsteady",
        "°C",
        ("ramp_unsteady",),
        (0.02, 0.1, 0.2, 0.4, 0.8, 1.5, 3.0),
        one(K.RAMP_UNSTEADY),
    ),
    Case(
        "sensor_held",
        "s",
        ("sensor_frozen",),
        (0.5, 2, 4, 6, 8, 15, 40),
        one(K.SENSOR_HELD),
    ),
    Case("sensor_frozen", "s", ("sensor_frozen", "ramp_rate"), (40.0,), one(K.SENSOR_FROZEN)),
    Case("sensor_jump", "°C", ("sensor_jump",), (0.1, 0.5, 1, 1.8, 2.5, 5, 10), one(K.SENSOR_JUMP)),
    Case(
        "sample_flow_low",
        "of nominal",
        ("sample_flow",),
        (0.97, 0.9, 0.82, 0.75, 0.5, 0.2),
        one(K.SAMPLE_FLOW_LOW),
    ),
    Case(
        "air_flow_low",
        "of nominal",
        ("air_flow",),
        (0.97, 0.9, 0.82, 0.75, 0.5, 0.2),
        one(K.AIR_FLOW_LOW),
    ),
    Case(
        "inlet_temperature",
        "°C",
        ("inlet_temperature",),
        (1, 5, 7, 9, 12, 25),
        one(K.INLET_TEMPERATURE),
        analyzer={"inlet_low_c": 20.0, "inlet_high_c": 40.0},
    ),
    Case(
        "zero_drift",
        "kPa",
        ("transducer_zero", "zero_drift"),
        (0.1, 0.4, 0.8, 1.2, 2.0, 5.0),
        one(K.ZERO_DRIFT),
    ),
    Case(
        "zero_creep, 6th cycle",
        "kPa/cycle",
        ("zero_drift",),
        (0.02, 0.08, 0.15, 0.2, 0.3, 0.4),
        one(K.ZERO_CREEP, cycles=6),
        judged=5,
    ),
    Case(
        "pressure_noise",
        "kPa",
        ("pressure_noise",),
        (0.2, 0.8, 1.4, 2.0, 3.0, 6.0),
        one(K.PRESSURE_NOISE),
    ),
    Case("product_step up", "°C", ("outlier",), (0.3, 1, 2, 4, 6, 10), one(K.PRODUCT_STEP)),
    Case(
        "product_step down",
        "°C",
        ("outlier", "ignition_too_early"),
        (-0.3, -1, -2, -4, -6, -10),
        one(K.PRODUCT_STEP),
    ),
    Case("grade_change", "°C", ("outlier",), (0.3, 1, 2, 4, 6, 10), one(K.GRADE_CHANGE)),
    Case(
        "contamination",
        "mole fraction",
        ("outlier", "ignition_too_early"),
        (0.0005, 0.002, 0.005, 0.01, 0.02, 0.05, 0.2),
        one(K.CONTAMINATION),
    ),
    Case(
        "contamination_ramp, 3rd cycle",
        "1/cycle",
        ("outlier", "ignition_too_early"),
        (0.0002, 0.001, 0.002, 0.004, 0.01, 0.05),
        one(K.CONTAMINATION_RAMP, cycles=3),
        judged=2,
        is_gross_sure=False,
        note="a second low cycle confirms the first: by the third the new level may be believed",
    ),
    Case(
        "carry_over of an 8 °C lower product",
        "share",
        ("outlier",),
        (0.99, 0.9, 0.7, 0.4, 0.1, 0.0),
        _carried_over,
    ),
    Case(
        "result_frozen",
        "",
        ("frozen", "recomputed_disagrees"),
        NO_STRENGTH,
        one(K.RESULT_FROZEN),
        is_gross_sure=False,
        note="two equal values can be chance; what is published comes from the new trace",
    ),
    Case(
        "result_frozen, 3rd cycle",
        "",
        ("frozen", "recomputed_disagrees"),
        NO_STRENGTH,
        one(K.RESULT_FROZEN, cycles=3),
        judged=2,
    ),
    Case(
        "stream_switch",
        "stream",
        ("settling",),
        (2.0,),
        one(K.STREAM_SWITCH, cycles=9),
        analyzer=LAG,
        simulator=OTHER,
    ),
    Case(
        "stream_reads",
        "stream",
        ("stream_unknown",),
        (9.0,),
        one(K.STREAM_READS, cycles=3),
        analyzer={"streams": STREAMS},
    ),
    Case(
        "product number from the control system unknown",
        "number",
        ("product_unknown",),
        (9.0,),
        lambda strength: [],
        analyzer={"product_input": "grade"},
        has_inputs=True,
    ),
    Case(
        "prediction off",
        "°C",
        ("prediction_disagrees",),
        (1, 4, 6, 8, 10, 15, 25),
        lambda strength: [],
        analyzer={"prediction": {"kind": "value", "value": "predicted"}},
        has_inputs=True,
    ),
    Case(
        "check sample biased, next cycle",
        "°C",
        ("check_out_of_limits",),
        (0.2, 1, 1.5, 2.5, 4, 8),
        _check_then_product,
        judged=1,
        analyzer={"verification": {"reference_c": CHECK_C, "sd_c": 0.5}},
    ),
)
BY_NAME: Mapping[str, Case] = {case.name: case for case in CASES}


def inputs_of(case: Case, strength: float, is_faulty: bool) -> tuple[InputReading, ...]:
    """What the control system has written: a prediction that is off, or a product's number."""
    if not case.has_inputs:
        return ()
    if case.analyzer.get("product_input"):
        return (InputReading("grade", strength if is_faulty else 1.0, True, 1.0),)
    off_c = strength if is_faulty else 0.0
    return (InputReading("predicted", 62.0 + off_c, True, 1.0),)
