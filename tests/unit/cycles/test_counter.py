"""Every way one cycle number can follow another."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.cycles.counter import Step, step
from edgeflash.model import Continuity, PreviousResult

SPAN = (0, 65_535)
AT = datetime(2026, 5, 1, 12, 0, tzinfo=UTC)
CYCLE = timedelta(seconds=170)


def known(number: int, epoch: int = 0, timed: bool = True) -> PreviousResult:
    """The cycle before, finished at AT."""
    return PreviousResult(epoch, number, 62.0, AT if timed else None, AT)


@pytest.mark.parametrize(
    ("before", "number", "later", "expected"),
    [
        (10, 11, CYCLE, Step(Continuity.NEXT, 0, 0)),
        (10, 13, 3 * CYCLE, Step(Continuity.SKIP, 0, 2)),
        (65_535, 0, CYCLE, Step(Continuity.WRAP, 1, 0)),
        (65_534, 1, 3 * CYCLE, Step(Continuity.SKIP, 1, 2)),
        (500, 1, CYCLE, Step(Continuity.RESET, 1, 0)),
        (65_000, 1, CYCLE, Step(Continuity.RESET, 1, 0)),
        (10, 10, CYCLE, Step(Continuity.REPEAT, 1, 0)),
        (10, 10, timedelta(0), None),
        (10, 9, CYCLE, Step(Continuity.RESET, 1, 0)),
    ],
)
def test_the_kinds_of_step(
    before: int, number: int, later: timedelta, expected: Step | None
) -> None:
    """Next, skip, wrap, reset and repeat are told apart by number and time."""
    assert step(known(before), number, AT + later, 61.0, SPAN) == expected


def test_the_first_cycle_ever() -> None:
    """Without a past there is nothing to compare with."""
    assert step(None, 4711, AT, 61.0, SPAN) == Step(Continuity.FIRST, 0, 0)


def test_a_restart_of_a_small_counter_is_no_skip() -> None:
    """9950 to 1 within one cycle: no analyzer makes fifty cycles in that time."""
    assert step(known(9950), 1, AT + CYCLE, 61.0, (0, 9999)) == Step(Continuity.RESET, 1, 0)
    assert step(known(500, timed=False), 1, None, 61.0, (0, 999)) == Step(Continuity.RESET, 1, 0)


def test_a_number_that_is_a_time_only_goes_on() -> None:
    """Without a counter nothing can be missed, whatever lies between."""
    assert step(known(1000), 1170, AT + CYCLE, 61.0, None) == Step(Continuity.NEXT, 0, 0)
    assert step(known(1000), 1000, AT, 62.0, None) is None
    assert step(known(1000), 400, AT, 61.0, None) == Step(Continuity.RESET, 1, 0)


def test_without_times_the_value_tells_a_repeat() -> None:
    """The same number and the same value is the same result; another value is a new one."""
    assert step(known(10, timed=False), 10, None, 62.0, SPAN) is None
    assert step(known(10, timed=False), 10, None, 61.0, SPAN) == Step(Continuity.REPEAT, 1, 0)


def test_a_counter_with_its_own_span_wraps_at_it() -> None:
    """A counter that runs from 1 to 9999 goes from 9999 to 1."""
    assert step(known(9999), 1, AT + CYCLE, 61.0, (1, 9999)) == Step(Continuity.WRAP, 1, 0)


@given(st.integers(0, 65_535), st.integers(1, 200))
def test_counting_on_opens_an_epoch_at_the_wrap_only(before: int, steps: int) -> None:
    """A number comes again after a wrap, so the epoch must change there, and only there."""
    number = (before + steps) % 65_536
    found = step(known(before), number, AT + steps * CYCLE, 61.0, SPAN)
    assert found is not None
    assert (found.epoch, found.missed) == (int(number < before), steps - 1)
