"""How one cycle number follows another: next, wrap, skip, reset and repeat told apart."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from edgeflash.model import Continuity, PreviousResult

FASTEST_CYCLE_S = 20.0
"""No analyzer makes a result more often (common practice, no source); bounds how many numbers can
pass in a given time."""

UNKNOWN_TIME_SHARE = 0.1
"""The part of the counter that may have passed when no time tells."""


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
    counter_span: tuple[int, int] | None,
) -> Step | None:
    """The step from the previous result; None when it is the previous result once more.

    counter_span: first number after a wrap and highest number; None when the number is no counter
    but a time, which only ever goes on. A smaller number is a wrap only if no more cycles lie
    between than the elapsed time allows; otherwise the counter was reset. Either way a new epoch
    begins, because the number will come again.
    """
    if previous is None:
        return Step(Continuity.FIRST, 0, 0)
    if counter_span is None:
        return _step_of_time(previous, number)
    first, top = counter_span
    size = top - first + 1
    forward = (number - previous.cycle_number) % size
    if forward == 0:
        moved = (
            result_time != previous.result_time
            if result_time is not None and previous.result_time is not None
            else flash_point_c != previous.flash_point_c
        )
        return Step(Continuity.REPEAT, previous.epoch + 1, 0) if moved else None
    wrapped = number < previous.cycle_number
    epoch = previous.epoch + wrapped
    if wrapped and forward > _most_steps(previous, result_time, size):
        return Step(Continuity.RESET, epoch, 0)
    if forward == 1:
        return Step(Continuity.WRAP if wrapped else Continuity.NEXT, epoch, 0)
    return Step(Continuity.SKIP, epoch, forward - 1)


def _step_of_time(previous: PreviousResult, number: int) -> Step | None:
    if number == previous.cycle_number:
        return None
    if number < previous.cycle_number:
        return Step(Continuity.RESET, previous.epoch + 1, 0)
    return Step(Continuity.NEXT, previous.epoch, 0)


def _most_steps(previous: PreviousResult, result_time: datetime | None, size: int) -> int:
    if result_time is None or previous.result_time is None:
        return int(size * UNKNOWN_TIME_SHARE)
    elapsed_s = (result_time - previous.result_time).total_seconds()
    return 1 + max(0, int(elapsed_s / FASTEST_CYCLE_S))
