"""Notices jumps of the wall clock and changes of its synchronisation. Pure: times are arguments.

No age and no quality depends on any of it: it is noted, and the alarm `clock` tells it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from edgeflash.alarms.conditions import LARGEST_STEP_S
from edgeflash.clock_state import UNKNOWN_CLOCK, ClockState, Synchronisation
from edgeflash.model import EventEntry, EventKind

NOTE_EVERY_S = 10.0
"""Between two lines of one kind: what comes in between is summed up in the next, so that a clock
that is pulled to and fro cannot fill the disk."""


@dataclass(frozen=True, slots=True)
class ClockLook:
    """Both clocks at one instant, and what the system says of the wall clock."""

    wall: datetime
    mono_s: float
    state: ClockState = UNKNOWN_CLOCK

    @property
    def ahead_s(self) -> float:
        """The wall clock less the monotonic clock: constant while nobody sets the clock."""
        return self.wall.timestamp() - self.mono_s


@dataclass(frozen=True, slots=True)
class ClockSeen:
    """What has been seen so far.

    step_s: by how much the clock moved at the latest look. unsynchronised_since_mono_s: None while
    the clock is, or may be, synchronised. jumps, jumped_s: those not yet noted, and their sum.
    noted: the synchronisation that was noted last.
    """

    look: ClockLook
    step_s: float = 0.0
    unsynchronised_since_mono_s: float | None = None
    jumps: int = 0
    jumped_s: float = 0.0
    jump_noted_mono_s: float | None = None
    noted: Synchronisation | None = None
    noted_mono_s: float | None = None

    @property
    def unsynchronised_s(self) -> float:
        """For how long the clock has not been synchronised; 0 while it is, or nothing is known."""
        since_s = self.unsynchronised_since_mono_s
        return 0.0 if since_s is None else max(0.0, self.look.mono_s - since_s)


def looked(seen: ClockSeen, look: ClockLook) -> tuple[ClockSeen, tuple[EventEntry, ...]]:
    """What is seen after another look, and the lines for the event record."""
    step_s = look.ahead_s - seen.look.ahead_s
    is_lost = look.state.synchronisation is Synchronisation.NOT_SYNCHRONISED
    since_s = seen.unsynchronised_since_mono_s
    seen = replace(
        seen,
        look=look,
        step_s=step_s,
        unsynchronised_since_mono_s=(look.mono_s if since_s is None else since_s)
        if is_lost
        else None,
    )
    if abs(step_s) > LARGEST_STEP_S:
        seen = replace(seen, jumps=seen.jumps + 1, jumped_s=seen.jumped_s + step_s)
    events = []
    if seen.jumps and _is_due(seen.jump_noted_mono_s, look):
        events.append(_of_jump(seen))
        seen = replace(seen, jumps=0, jumped_s=0.0, jump_noted_mono_s=look.mono_s)
    if seen.noted is not look.state.synchronisation and _is_due(seen.noted_mono_s, look):
        events.append(_of_state(seen))
        seen = replace(seen, noted=look.state.synchronisation, noted_mono_s=look.mono_s)
    return seen, tuple(events)


def _is_due(noted_mono_s: float | None, look: ClockLook) -> bool:
    return noted_mono_s is None or look.mono_s - noted_mono_s >= NOTE_EVERY_S


def _of_jump(seen: ClockSeen) -> EventEntry:
    after, by_s = seen.look.wall, seen.jumped_s
    way = "forward" if by_s >= 0 else "back"
    text = f"set {way} by {abs(by_s):.1f} s: from {_in_words(after, -by_s)} to {_in_words(after)}"
    if seen.jumps > 1:
        text += f", in {seen.jumps} jumps"
    return EventEntry(after, EventKind.CLOCK_MOVED, subject="wall clock", text=text)


def _in_words(wall: datetime, by_s: float = 0.0) -> str:
    try:
        moved = wall + timedelta(seconds=by_s)
    except OverflowError:
        return "a time that no calendar has"
    return moved.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _of_state(seen: ClockSeen) -> EventEntry:
    state = seen.look.state
    text = state.synchronisation.words
    if state.largest_error_s is not None:
        text += f", wrong by {state.largest_error_s:g} s at most"
    text += "; before: " + seen.noted.words if seen.noted is not None else " at the start"
    return EventEntry(seen.look.wall, EventKind.CLOCK_STATE, subject="wall clock", text=text)
