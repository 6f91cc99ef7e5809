"""How one cycle number follows another: next, wrap, skip, reset and repeat told apart."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from edgeflash.model import Continuity, PreviousResult

FASTEST_CYCLE_S = 1.0
"""No analyzer makes a result more often; bounds how many numbers can pass in a given time."""

UNKNOWN_TIME_STEPS = 1000
"""How many numbers may have passed when no time tells."""


@dataclass(frozen=True, slots=True)
class Step:
    """How a number follows the one before, the epoch it belongs to, and how many lie between."""

    continuity: Continuity
    epoch: int
    missed: int


def step(
    previous: PreviousResult | None,
    number: int,
    result_time: datetime | None,
    flash_point_c: float | None,
    counter_span: tuple[int, int],
) -> Step | None:
    """The step from the previous result; None when it is the previous result once more.

    counter_span: first number after a wrap and highest number. A smaller number is a wrap only if
    no more cycles lie between than the elapsed time allows; otherwise the counter was reset.
    """
    if previous is None:
        return Step(Continuity.FIRST, 0, 0)
    first, top = counter_span
    forward = (number - previous.cycle_number) % (top - first + 1)
    if forward == 0:
        moved = (
            result_time != previous.result_time
            if result_time is not None and previous.result_time is not None
            else flash_point_c != previous.flash_point_c
        )
        return Step(Continuity.REPEAT, previous.epoch + 1, 0) if moved else None
    wrapped = number < previous.cycle_number
    if wrapped and forward > _most_steps(previous, result_time):
        return Step(Continuity.RESET, previous.epoch + 1, 0)
    if forward == 1:
        return Step(Continuity.WRAP if wrapped else Continuity.NEXT, previous.epoch, 0)
    return Step(Continuity.SKIP, previous.epoch, forward - 1)


def _most_steps(previous: PreviousResult, result_time: datetime | None) -> int:
    if result_time is None or previous.result_time is None:
        return UNKNOWN_TIME_STEPS
    elapsed_s = (result_time - previous.result_time).total_seconds()
    return 1 + max(0, int(elapsed_s / FASTEST_CYCLE_S))
