"""Fault plans made at random, for long runs: reproducible from their generator's seed."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import numpy as np

from simulators.faults import Fault, FaultKind, FaultPlan

LONGEST_CYCLES = 4
"""A random fault lasts from one cycle to so many."""

RANGES: Mapping[FaultKind, tuple[float, float]] = {
    FaultKind.TORN: (1.0, 160.0),
    FaultKind.SENTINEL: (0.0, 0.0),
    FaultKind.DEVICE_FAULT_BIT: (0, 16),
    FaultKind.CYCLE_TOO_LONG: (10.0, 900.0),
    FaultKind.CYCLE_TOO_SHORT: (35.0, 100.0),
    FaultKind.COUNTER_REPEATED: (0.0, 0.0),
    FaultKind.STALE_RESULT: (0.0, 0.0),
    FaultKind.COUNTER_RESET: (1, 5),
    FaultKind.COUNTER_SKIP: (1, 20),
    FaultKind.NO_IGNITION: (0.0, 0.0),
    FaultKind.WEAK_IGNITION: (2.0, 40.0),
    FaultKind.SECOND_FLASH: (0.05, 1.0),
    FaultKind.PRESSURE_STEP: (2.0, 80.0),
    FaultKind.CONTAMINATION: (0.001, 0.3),
    FaultKind.OUT_OF_RANGE: (15.0, 125.0),
    FaultKind.REPORTED_BIAS: (-6.0, 6.0),
    FaultKind.RESULT_FROZEN: (0.0, 0.0),
    FaultKind.RAMP_FAST: (1.0, 2.5),
    FaultKind.RAMP_SLOW: (0.4, 1.0),
    FaultKind.SENSOR_FROZEN: (20.0, 110.0),
    FaultKind.ZERO_DRIFT: (-8.0, 8.0),
    FaultKind.SAMPLE_FLOW_LOW: (0.0, 1.0),
    FaultKind.AIR_FLOW_LOW: (0.0, 1.0),
    FaultKind.BAROMETER_BAD: (60.0, 115.0),
    FaultKind.CLOCK_OFF: (-7200.0, 7200.0),
    FaultKind.MAINTENANCE: (10.0, 120.0),
    FaultKind.CHECK_SAMPLE: (10.0, 40.0),
    FaultKind.FROZEN: (0.0, 0.0),
    FaultKind.NOT_CLEANED: (0.0, 1.0),
    FaultKind.NOT_ZEROED: (0.0, 1.0),
    FaultKind.NOT_PURGED: (0.0, 1.0),
    FaultKind.ZERO_FIRST: (0.0, 1.0),
    FaultKind.ALIVE_STUCK: (1.0, 160.0),
    FaultKind.TRACE_SENTINEL: (0.005, 0.9),
    FaultKind.TRACE_HOLE: (0.5, 40.0),
    FaultKind.BAROMETER_JUMP: (-5.0, 5.0),
    FaultKind.PRESSURE_NOISE: (0.1, 10.0),
    FaultKind.INLET_TEMPERATURE: (-20.0, 40.0),
    FaultKind.ZERO_CREEP: (-1.0, 1.0),
    FaultKind.START_HOT: (-10.0, 20.0),
    FaultKind.RAMP_UNSTEADY: (0.02, 3.0),
    FaultKind.RAMP_BENT: (0.4, 2.5),
    FaultKind.SENSOR_BIAS: (-5.0, 5.0),
    FaultKind.SENSOR_HELD: (0.5, 40.0),
    FaultKind.SENSOR_JUMP: (-8.0, 8.0),
    FaultKind.MISFIRE: (0.2, 12.0),
    FaultKind.MISSED_FLASH: (1, 20),
    FaultKind.EARLY_SPIKE: (3.0, 120.0),
    FaultKind.PICKUP_SPIKE: (3.0, 60.0),
    FaultKind.PULSE_SLOW: (0.01, 0.8),
    FaultKind.PRODUCT_STEP: (-15.0, 15.0),
    FaultKind.GRADE_CHANGE: (-15.0, 15.0),
    FaultKind.CONTAMINATION_RAMP: (0.0005, 0.02),
    FaultKind.CARRY_OVER: (0.02, 1.0),
    FaultKind.STREAM_SWITCH: (1, 3),
    FaultKind.STREAM_READS: (0, 9),
}
"""Strengths from what nobody can see to gross, by kind; two whole numbers: whole strengths only."""


def random_fault(
    rng: np.random.Generator, kind: FaultKind, from_cycle: int, to_cycle: int
) -> Fault:
    """A fault of that kind with a strength drawn evenly from its range."""
    low, high = RANGES[kind]
    if isinstance(low, int):
        return Fault(kind, float(rng.integers(low, int(high) + 1)), from_cycle, to_cycle)
    return Fault(kind, float(rng.uniform(low, high)), from_cycle, to_cycle)


def random_plan(
    rng: np.random.Generator,
    cycles: int,
    rate: float,
    combos: int = 1,
    kinds: Collection[FaultKind] = tuple(FaultKind),
) -> FaultPlan:
    """Faults over so many cycles. The same state of rng gives the same plan.

    rate: share of the cycles, 0 to 1, in which something begins; combos: how many faults begin
    together at most; kinds: those that may come. Each lasts 1 to LONGEST_CYCLES cycles, so a
    later one can meet an earlier one.
    """
    if not 0.0 <= rate <= 1.0 or not 1 <= combos <= len(kinds):
        raise ValueError(f"rate must be within 0..1 and combos within 1..{len(kinds)}")
    ordered = sorted(kinds)
    faults: list[Fault] = []
    for cycle in range(1, cycles + 1):
        if rng.uniform() >= rate:
            continue
        count = int(rng.integers(1, combos + 1))
        for place in rng.choice(len(ordered), size=count, replace=False):
            last = min(cycle + int(rng.integers(0, LONGEST_CYCLES)), cycles)
            faults.append(random_fault(rng, ordered[place], cycle, last))
    return FaultPlan(tuple(faults))
