"""Whole cycles, clean and faulty, as the simulator makes them, to be changed and judged again."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from edgeflash.model import Cycle, Result
from edgeflash.rules.memory import Memory
from simulators.faults import FaultKind, fault
from tests.bench.faults_run import played, warm
from tests.simulated_line import EPOCH, SimulatedLine

__all__ = ["Judged", "again", "judged_cycles", "played", "spoken"]

GROSS: tuple[tuple[FaultKind, float] | None, ...] = (
    None,
    (FaultKind.CONTAMINATION, 0.2),
    (FaultKind.PRODUCT_STEP, -8.0),
    (FaultKind.PRODUCT_STEP, 8.0),
    (FaultKind.NO_IGNITION, 0.0),
    (FaultKind.WEAK_IGNITION, 13.0),
    (FaultKind.PRESSURE_STEP, 40.0),
    (FaultKind.SECOND_FLASH, 0.8),
    (FaultKind.RAMP_FAST, 1.9),
    (FaultKind.RAMP_UNSTEADY, 3.0),
    (FaultKind.REPORTED_BIAS, 4.0),
    (FaultKind.SENSOR_HELD, 20.0),
    (FaultKind.SENSOR_JUMP, 8.0),
    (FaultKind.PRESSURE_NOISE, 6.0),
    (FaultKind.SAMPLE_FLOW_LOW, 0.3),
    (FaultKind.BAROMETER_BAD, 112.0),
    (FaultKind.CYCLE_TOO_SHORT, 40.0),
)
"""Each far from the limits of the rules, so that a change that means nothing changes nothing."""


@dataclass(frozen=True, slots=True)
class Judged:
    """A judged cycle, what was remembered before it, and what can judge it again."""

    kind: str
    line: SimulatedLine
    memory: Memory
    result: Result


@lru_cache(maxsize=1)
def judged_cycles() -> tuple[Judged, ...]:
    """One cycle of each kind, after a clean past."""
    found = []
    for place, kind in enumerate(GROSS):
        faults = [] if kind is None else [fault(kind[0], 16, strength=kind[1])]
        line = warm("torn", 0).fork(place, faults)
        while len(line.simulated.truths) < 16:
            memory = line.memory
            results = line.poll()
        found.append(Judged("clean" if kind is None else str(kind[0]), line, memory, results[-1]))
    return tuple(found)


def again(judged: Judged, cycle: Cycle, memory: Memory | None = None) -> Result:
    """The result of a changed cycle after the same past."""
    used = judged.memory if memory is None else memory
    return judged.line.judgement.judge(cycle, used, EPOCH)


def spoken(result: Result) -> tuple[str, tuple[str, ...], bool]:
    """Verdict, the rules behind it, and the alarm."""
    return result.verdict.value, tuple(sorted(result.reasons)), result.low_flash_alarm
