"""Jumps and the state of the wall clock, from made looks at the clocks."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import pytest

from edgeflash.clock_state import ClockState, Synchronisation
from edgeflash.gateway.clock_watch import NOTE_EVERY_S, ClockLook, ClockSeen, looked
from edgeflash.model import EventEntry, EventKind

START = datetime(2031, 4, 5, 22, 0, tzinfo=UTC)
LOST = ClockState(Synchronisation.NOT_SYNCHRONISED)
KEPT = ClockState(Synchronisation.SYNCHRONISED, 0.04, 0.01)
UNKNOWN = ClockState()


class Clocks:
    """Looks once a second; `set_by_s` moves the wall clock."""

    def __init__(self, state: ClockState = KEPT) -> None:
        self.mono_s = 5000.0
        self.set_by_s = 0.0
        self.state = state
        self.seen = ClockSeen(self._look())

    def _look(self) -> ClockLook:
        wall = START + timedelta(seconds=self.mono_s - 5000.0 + self.set_by_s)
        return ClockLook(wall, self.mono_s, self.state)

    def look(self, times: int = 1, step_s: float = 0.0) -> list[EventEntry]:
        """So many looks, the wall clock set by step_s before each."""
        events: list[EventEntry] = []
        for _ in range(times):
            self.mono_s += 1.0
            self.set_by_s += step_s
            self.seen, more = looked(self.seen, self._look())
            events += more
        return events


def texts(events: Sequence[EventEntry]) -> list[tuple[EventKind, str]]:
    return [(e.kind, e.text) for e in events]


def test_the_start_is_noted_once() -> None:
    """From each start on the record says what the clock was worth."""
    for state, words in (
        (KEPT, "synchronised, wrong by 0.04 s at most at the start"),
        (LOST, "not synchronised at the start"),
        (UNKNOWN, "not known at the start"),
    ):
        clocks = Clocks(state)
        assert [(EventKind.CLOCK_STATE, words)] == texts(clocks.look(60))


@pytest.mark.parametrize(
    ("step_s", "words"),
    [
        (
            -7200.0,
            "set back by 7200.0 s: from 2031-04-05T22:00:03.000Z to 2031-04-05T20:00:03.000Z",
        ),
        (2.5, "set forward by 2.5 s: from 2031-04-05T22:00:03.000Z to 2031-04-05T22:00:05.500Z"),
    ],
)
def test_a_jump_is_noted_with_before_and_after(step_s: float, words: str) -> None:
    """Size, direction, both times; dated by the clock as it is now."""
    clocks = Clocks()
    clocks.look(2)
    (event,) = clocks.look(1, step_s)
    assert (EventKind.CLOCK_MOVED, words) == (event.kind, event.text)
    assert START + timedelta(seconds=3.0 + step_s) == event.at
    assert step_s == pytest.approx(clocks.seen.step_s)
    assert clocks.look(30) == []


@pytest.mark.parametrize("step_s", [1.0, -1.0, 2.0, 0.0005])
def test_a_leap_second_and_slewing_are_no_jumps(step_s: float) -> None:
    """A leap second moves a POSIX clock by one second (IERS Bulletin C 52); a slewed clock by
    0.5 ms a second (500 ppm, RFC 5905)."""
    clocks = Clocks()
    clocks.look(2)
    assert clocks.look(1, step_s) == []


def test_many_jumps_cannot_fill_the_record() -> None:
    """The first is told at once; what follows within NOTE_EVERY_S is summed up."""
    clocks = Clocks()
    clocks.look(2)
    told = [e for e in clocks.look(100, 60.0) if e.kind is EventKind.CLOCK_MOVED]
    assert len(told) == 100 / NOTE_EVERY_S
    assert "forward by 60.0 s" in told[0].text
    assert "forward by 600.0 s" in told[1].text
    assert told[1].text.endswith("in 10 jumps")


def test_the_time_alone_is_counted() -> None:
    """From when the clock was lost, by the monotonic clock, until it is kept again."""
    clocks = Clocks()
    clocks.look(20)
    assert clocks.seen.unsynchronised_s == 0.0
    clocks.state = LOST
    assert [e.text for e in clocks.look(1)] == ["not synchronised; before: synchronised"]
    clocks.look(1000, 3600.0)
    assert clocks.seen.unsynchronised_s == 1000.0
    clocks.state = KEPT
    (event,) = [e for e in clocks.look(1) if e.kind is EventKind.CLOCK_STATE]
    assert event.text == "synchronised, wrong by 0.04 s at most; before: not synchronised"
    assert clocks.seen.unsynchronised_s == 0.0


def test_a_restless_service_cannot_fill_the_record() -> None:
    """A state that comes and goes gives a line in NOTE_EVERY_S at most, and the last one counts."""
    clocks = Clocks()
    events = []
    for turn in range(100):
        clocks.state = LOST if turn % 2 else KEPT
        events += clocks.look(1)
    assert len(events) <= 100 / NOTE_EVERY_S
    clocks.state = KEPT
    clocks.look(int(NOTE_EVERY_S))
    assert Synchronisation.SYNCHRONISED is clocks.seen.noted


def test_a_clock_beyond_all_calendars_is_still_told() -> None:
    """A jump from before the year 1: told without a date, and nothing fails."""
    clocks = Clocks()
    clocks.look(2)
    clocks.seen, (event,) = looked(
        clocks.seen, ClockLook(datetime(1, 1, 1, tzinfo=UTC), clocks.mono_s + 1.0, KEPT)
    )
    assert "set back by" in event.text
