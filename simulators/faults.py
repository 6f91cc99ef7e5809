"""Faults: what can go wrong in the physics or in the device, for a range of cycles.

A fault never touches a judgement; it changes what the cup does or what the device serves.
Cycles are counted from 1 for the first cycle of a simulated analyzer.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

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
}

FACTORS = frozenset({FaultKind.RAMP_FAST, FaultKind.RAMP_SLOW})
FLOW_SHARES = frozenset({FaultKind.SAMPLE_FLOW_LOW, FaultKind.AIR_FLOW_LOW})


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
        if self.kind in FACTORS and not 0.2 <= self.strength <= 5.0:
            raise FaultError(f"{self.kind}: the factor must be within 0.2..5, got {self.strength}")
        if self.kind in FLOW_SHARES and not 0.0 <= self.strength <= 1.0:
            raise FaultError(f"{self.kind}: the share must be within 0..1, got {self.strength}")
        if self.kind is FaultKind.CONTAMINATION and not 0.0 <= self.strength <= 1.0:
            raise FaultError(f"{self.kind}: the fraction must be within 0..1, got {self.strength}")
        if self.kind is FaultKind.DEVICE_FAULT_BIT and not 0 <= self.strength <= 31:
            raise FaultError(f"{self.kind}: the bit must be within 0..31, got {self.strength}")
        if self.kind is FaultKind.CYCLE_TOO_SHORT and not 20.0 <= self.strength <= 120.0:
            raise FaultError(f"{self.kind}: the cycle must take 20..120 s, got {self.strength}")

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
    """The faults of one cycle."""

    faults: tuple[Fault, ...] = ()

    def __contains__(self, kind: FaultKind) -> bool:
        return any(f.kind is kind for f in self.faults)

    def strength(self, kind: FaultKind, otherwise: float) -> float:
        """Strength of the last fault of that kind, or `otherwise` when there is none."""
        found = [f.strength for f in self.faults if f.kind is kind]
        return found[-1] if found else otherwise


@dataclass(frozen=True, slots=True)
class FaultPlan:
    """Which faults act when; with period > 0 the plan starts again after that many cycles."""

    faults: Sequence[Fault] = field(default_factory=tuple)
    period: int = 0

    def active(self, cycle: int) -> ActiveFaults:
        """Faults of a cycle, counted from 1."""
        place = (cycle - 1) % self.period + 1 if self.period else cycle
        return ActiveFaults(tuple(f for f in self.faults if f.covers(place)))


def plan_of(faults: FaultPlan | Iterable[Fault]) -> FaultPlan:
    """A plan as it is, or a plan made of single faults."""
    return faults if isinstance(faults, FaultPlan) else FaultPlan(tuple(faults))


def _kind(name: str) -> FaultKind:
    try:
        return FaultKind(name)
    except ValueError:
        raise FaultError(f"unknown fault {name!r}; known: {', '.join(FaultKind)}") from None
