"""Faults: what can go wrong in the physics or in the device, for a range of cycles.

A fault never touches a judgement; it changes what the cup does or what the device serves.
Cycles are counted from 1 for the first cycle of a simulated analyzer.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from simulators.errors import FaultError


class FaultKind(StrEnum):
    """What goes wrong; the meaning of `strength` stands behind each kind."""

    TORN = "torn"  # simulated seconds in which no consistent reading is possible
    SENTINEL = "sentinel"  # no strength: flash point NaN though an ignition was seen
    DEVICE_FAULT_BIT = "device_fault_bit"  # number of the fault bit
    CYCLE_TOO_LONG = "cycle_too_long"  # extra seconds in the idle phase
    CYCLE_TOO_SHORT = "cycle_too_short"  # about the whole cycle in seconds
    COUNTER_REPEATED = "counter_repeated"  # no strength: new result under the last number
    STALE_RESULT = "stale_result"  # no strength: number counts on, result and time stay
    COUNTER_RESET = "counter_reset"  # the number this cycle gets
    COUNTER_SKIP = "counter_skip"  # how many numbers are left out
    NO_IGNITION = "no_ignition"  # no strength: dead igniter, sparks are only commanded
    WEAK_IGNITION = "weak_ignition"  # peak of the pulse in kPa
    SECOND_FLASH = "second_flash"  # height of a second pulse as a share of the first
    PRESSURE_STEP = "pressure_step"  # kPa; a step half way up the ramp that does not decay
    CONTAMINATION = "contamination"  # mole fraction of n-octane in the stream
    OUT_OF_RANGE = "out_of_range"  # flash point of the product in °C
    REPORTED_BIAS = "reported_bias"  # °C added to the reported flash point only
    RESULT_FROZEN = "result_frozen"  # no strength: old values under a new number and time
    RAMP_FAST = "ramp_fast"  # factor on the heating rate, > 1
    RAMP_SLOW = "ramp_slow"  # factor on the heating rate, < 1
    SENSOR_FROZEN = "sensor_frozen"  # seconds into the ramp at which the sensor sticks
    ZERO_DRIFT = "zero_drift"  # kPa added to the transducer's zero
    SAMPLE_FLOW_LOW = "sample_flow_low"  # share of the nominal sample flow
    AIR_FLOW_LOW = "air_flow_low"  # share of the nominal air flow
    BAROMETER_BAD = "barometer_bad"  # reading of the barometer in kPa, whatever the air does
    CLOCK_OFF = "clock_off"  # seconds added to the device's clock
    MAINTENANCE = "maintenance"  # seconds of the maintenance phase before the cleaning
    CHECK_SAMPLE = "check_sample"  # seconds of drawing the check fluid
    FROZEN = "frozen"  # no strength: registers stand still, the result is lost
    NOT_CLEANED = "not_cleaned"  # share of the cleaning phase that is left out
    NOT_ZEROED = "not_zeroed"  # share of the zeroing phase that is left out
    NOT_PURGED = "not_purged"  # share of the purge that is left out
    ZERO_FIRST = "zero_first"  # share of the zeroing that comes before the cleaning
    ALIVE_STUCK = "alive_stuck"  # seconds for which the sign of life stands still
    TRACE_SENTINEL = "trace_sentinel"  # share of the trace's samples that are no number
    TRACE_HOLE = "trace_hole"  # seconds of the trace that are missing, near the ignition
    BAROMETER_JUMP = "barometer_jump"  # kPa added to the barometer's reading
    PRESSURE_NOISE = "pressure_noise"  # kPa of noise on the cell pressure, beside the usual
    INLET_TEMPERATURE = "inlet_temperature"  # °C added at the sample inlet
    ZERO_CREEP = "zero_creep"  # kPa added to the transducer's zero with every cycle
    START_HOT = "start_hot"  # °C by which the ramp starts nearer to the flash
    RAMP_UNSTEADY = "ramp_unsteady"  # amplitude in °C of a slow swing on the ramp
    RAMP_BENT = "ramp_bent"  # factor on the heating rate over the last degrees
    SENSOR_BIAS = "sensor_bias"  # °C added to all the sample sensor shows
    SENSOR_HELD = "sensor_held"  # seconds in the ramp during which the sensor stands still
    SENSOR_JUMP = "sensor_jump"  # °C by which the sensor steps in the ramp, and stays
    MISFIRE = "misfire"  # °C above its flash point at which the vapour first lights
    MISSED_FLASH = "missed_flash"  # how many flashes the firmware does not see
    EARLY_SPIKE = "early_spike"  # peak in kPa of a valve's knock that decays like a flash
    PICKUP_SPIKE = "pickup_spike"  # peak in kPa of one spark's pickup, taken for a flash
    PULSE_SLOW = "pulse_slow"  # seconds in which the pressure rises from 10 to 90 %
    PRODUCT_STEP = "product_step"  # °C by which the product's flash point is another
    GRADE_CHANGE = "grade_change"  # as product_step, and the device expects it
    CONTAMINATION_RAMP = "contamination_ramp"  # mole fraction of n-octane added every cycle
    CARRY_OVER = "carry_over"  # share of the cup's old contents that stays in it
    STREAM_SWITCH = "stream_switch"  # number of the stream that is switched to
    STREAM_READS = "stream_reads"  # what the stream's register shows, whatever flows


DEFAULT_STRENGTH: Mapping[FaultKind, float] = {
    FaultKind.TORN: 40.0,
    FaultKind.SENTINEL: 0.0,
    FaultKind.DEVICE_FAULT_BIT: 4.0,
    FaultKind.CYCLE_TOO_LONG: 600.0,
    FaultKind.CYCLE_TOO_SHORT: 45.0,
    FaultKind.COUNTER_REPEATED: 0.0,
    FaultKind.STALE_RESULT: 0.0,
    FaultKind.COUNTER_RESET: 1.0,
    FaultKind.COUNTER_SKIP: 2.0,
    FaultKind.NO_IGNITION: 0.0,
    FaultKind.WEAK_IGNITION: 12.0,
    FaultKind.SECOND_FLASH: 0.7,
    FaultKind.PRESSURE_STEP: 30.0,
    FaultKind.CONTAMINATION: 0.20,
    FaultKind.OUT_OF_RANGE: 18.0,
    FaultKind.REPORTED_BIAS: 3.0,
    FaultKind.RESULT_FROZEN: 0.0,
    FaultKind.RAMP_FAST: 1.8,
    FaultKind.RAMP_SLOW: 0.5,
    FaultKind.SENSOR_FROZEN: 40.0,
    FaultKind.ZERO_DRIFT: 5.0,
    FaultKind.SAMPLE_FLOW_LOW: 0.4,
    FaultKind.AIR_FLOW_LOW: 0.4,
    FaultKind.BAROMETER_BAD: 60.0,
    FaultKind.CLOCK_OFF: 7200.0,
    FaultKind.MAINTENANCE: 60.0,
    FaultKind.CHECK_SAMPLE: 20.0,
    FaultKind.FROZEN: 0.0,
    FaultKind.NOT_CLEANED: 1.0,
    FaultKind.NOT_ZEROED: 1.0,
    FaultKind.NOT_PURGED: 1.0,
    FaultKind.ZERO_FIRST: 1.0,
    FaultKind.ALIVE_STUCK: 90.0,
    FaultKind.TRACE_SENTINEL: 0.3,
    FaultKind.TRACE_HOLE: 15.0,
    FaultKind.BAROMETER_JUMP: 3.0,
    FaultKind.PRESSURE_NOISE: 5.0,
    FaultKind.INLET_TEMPERATURE: 20.0,
    FaultKind.ZERO_CREEP: 0.2,
    FaultKind.START_HOT: 12.0,
    FaultKind.RAMP_UNSTEADY: 1.5,
    FaultKind.RAMP_BENT: 1.8,
    FaultKind.SENSOR_BIAS: 3.0,
    FaultKind.SENSOR_HELD: 15.0,
    FaultKind.SENSOR_JUMP: 5.0,
    FaultKind.MISFIRE: 8.0,
    FaultKind.MISSED_FLASH: 3.0,
    FaultKind.EARLY_SPIKE: 60.0,
    FaultKind.PICKUP_SPIKE: 30.0,
    FaultKind.PULSE_SLOW: 0.3,
    FaultKind.PRODUCT_STEP: 10.0,
    FaultKind.GRADE_CHANGE: 10.0,
    FaultKind.CONTAMINATION_RAMP: 0.005,
    FaultKind.CARRY_OVER: 0.8,
    FaultKind.STREAM_SWITCH: 2.0,
    FaultKind.STREAM_READS: 9.0,
}

BOUNDS: Mapping[FaultKind, tuple[float, float]] = {
    FaultKind.RAMP_FAST: (0.2, 5.0),
    FaultKind.RAMP_SLOW: (0.2, 5.0),
    FaultKind.RAMP_BENT: (0.2, 5.0),
    FaultKind.SAMPLE_FLOW_LOW: (0.0, 1.0),
    FaultKind.AIR_FLOW_LOW: (0.0, 1.0),
    FaultKind.CONTAMINATION: (0.0, 1.0),
    FaultKind.CONTAMINATION_RAMP: (0.0, 1.0),
    FaultKind.CARRY_OVER: (0.0, 1.0),
    FaultKind.NOT_CLEANED: (0.0, 1.0),
    FaultKind.NOT_ZEROED: (0.0, 1.0),
    FaultKind.NOT_PURGED: (0.0, 1.0),
    FaultKind.ZERO_FIRST: (0.0, 1.0),
    FaultKind.TRACE_SENTINEL: (0.0, 1.0),
    FaultKind.DEVICE_FAULT_BIT: (0, 31),
    FaultKind.CYCLE_TOO_SHORT: (20.0, 120.0),
    FaultKind.ALIVE_STUCK: (0.0, 86_400.0),
    FaultKind.TRACE_HOLE: (0.0, 600.0),
    FaultKind.PRESSURE_NOISE: (0.0, 100.0),
    FaultKind.START_HOT: (-40.0, 35.0),
    FaultKind.SENSOR_HELD: (0.0, 600.0),
    FaultKind.MISFIRE: (0.0, 100.0),
    FaultKind.MISSED_FLASH: (0, 1000),
    FaultKind.PULSE_SLOW: (0.001, 2.0),
    FaultKind.STREAM_SWITCH: (0, 65_535),
    FaultKind.STREAM_READS: (0, 65_535),
}
"""Strengths that can be played; a kind that is not here takes any finite one."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault over the cycles from_cycle..to_cycle, both included, counted from 1.

    Raises FaultError when the range is empty or the strength cannot be played.
    """

    kind: FaultKind
    strength: float
    from_cycle: int
    to_cycle: int

    def __post_init__(self) -> None:
        if not 1 <= self.from_cycle <= self.to_cycle:
            raise FaultError(
                f"{self.kind}: cycles {self.from_cycle}..{self.to_cycle} are no range;"
                " the first cycle is 1 and the last must not be before the first"
            )
        if not math.isfinite(self.strength):
            raise FaultError(f"{self.kind}: the strength must be finite, got {self.strength}")
        low, high = BOUNDS.get(self.kind, (-math.inf, math.inf))
        if not low <= self.strength <= high:
            raise FaultError(
                f"{self.kind}: the strength must be within {low:g}..{high:g}, got {self.strength}"
            )

    def covers(self, cycle: int) -> bool:
        """True when the fault acts in that cycle."""
        return self.from_cycle <= cycle <= self.to_cycle


def fault(
    kind: FaultKind | str,
    from_cycle: int,
    to_cycle: int | None = None,
    strength: float | None = None,
) -> Fault:
    """A fault with the kind's usual strength, for one cycle unless to_cycle is given."""
    known = _kind(str(kind))
    used = DEFAULT_STRENGTH[known] if strength is None else strength
    return Fault(known, used, from_cycle, from_cycle if to_cycle is None else to_cycle)


def parse_fault(text: str) -> Fault:
    """A fault from KIND:STRENGTH:FROM:TO; an empty strength is the usual one.

    Raises FaultError with the text and the accepted form.
    """
    parts = text.split(":")
    if len(parts) != 4:
        raise FaultError(f"{text!r} is not KIND:STRENGTH:FROM:TO, for example weak_ignition:12:3:5")
    kind, strength, first, last = (part.strip() for part in parts)
    try:
        return fault(kind, int(first), int(last), float(strength) if strength else None)
    except ValueError as error:
        raise FaultError(f"{text!r}: {error}; write KIND:STRENGTH:FROM:TO with numbers") from error


@dataclass(frozen=True, slots=True)
class ActiveFaults:
    """The faults of one cycle. cycle: its number in the plan, for faults that grow."""

    faults: tuple[Fault, ...] = ()
    cycle: int = 1

    def __contains__(self, kind: FaultKind) -> bool:
        return any(f.kind is kind for f in self.faults)

    def strength(self, kind: FaultKind, otherwise: float) -> float:
        """Strength of the last fault of that kind, or `otherwise` when there is none."""
        found = [f.strength for f in self.faults if f.kind is kind]
        return found[-1] if found else otherwise

    def grown(self, kind: FaultKind) -> float:
        """Strength times the cycles it has lasted, this one included; 0 when there is none."""
        found = [f for f in self.faults if f.kind is kind]
        return found[-1].strength * (self.cycle - found[-1].from_cycle + 1) if found else 0.0


@dataclass(frozen=True, slots=True)
class Chances:
    """Where in a cycle its faults strike, each from 0 to 1. The same whatever their strength."""

    sensor: float = 0.5
    spike: float = 0.5
    pickup: float = 0.5
    hole: float = 0.5
    seed: int = 0

    @classmethod
    def of_cycle(cls, seed: Sequence[int]) -> Chances:
        """The chances that belong to a seed."""
        rng = np.random.default_rng(seed)
        sensor, spike, pickup, hole = rng.uniform(size=4).tolist()
        return cls(sensor, spike, pickup, hole, int(rng.integers(2**62)))


@dataclass(frozen=True, slots=True)
class FaultPlan:
    """Which faults act when; with period > 0 the plan starts again after that many cycles."""

    faults: Sequence[Fault] = field(default_factory=tuple)
    period: int = 0

    def active(self, cycle: int) -> ActiveFaults:
        """Faults of a cycle, counted from 1."""
        place = (cycle - 1) % self.period + 1 if self.period else cycle
        return ActiveFaults(tuple(f for f in self.faults if f.covers(place)), place)


def plan_of(faults: FaultPlan | Iterable[Fault]) -> FaultPlan:
    """A plan as it is, or a plan made of single faults."""
    return faults if isinstance(faults, FaultPlan) else FaultPlan(tuple(faults))


def _kind(name: str) -> FaultKind:
    try:
        return FaultKind(name)
    except ValueError:
        raise FaultError(f"unknown fault {name!r}; known: {', '.join(FaultKind)}") from None
