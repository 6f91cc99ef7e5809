"""How close a certificate is to its end, and when to say so. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import IntEnum

SAY_AGAIN = timedelta(days=1)


class Stage(IntEnum):
    """The higher, the more pressing."""

    FINE = 0
    WITHIN_60_DAYS = 1
    WITHIN_30_DAYS = 2
    WITHIN_7_DAYS = 3
    EXPIRED = 4
    NOT_YET_VALID = 5


_DAYS = ((7, Stage.WITHIN_7_DAYS), (30, Stage.WITHIN_30_DAYS), (60, Stage.WITHIN_60_DAYS))


def stage_of(not_before: datetime, not_after: datetime, now: datetime) -> Stage:
    """The stage of a certificate with this validity."""
    if now < not_before:
        return Stage.NOT_YET_VALID
    if now > not_after:
        return Stage.EXPIRED
    for days, stage in _DAYS:
        if not_after - now <= timedelta(days=days):
            return stage
    return Stage.FINE


def days_left(not_after: datetime, now: datetime) -> float:
    """Days until the end; negative behind it."""
    return (not_after - now) / timedelta(days=1)


def state_text(not_before: datetime, not_after: datetime, now: datetime) -> str:
    """The state in words."""
    stage = stage_of(not_before, not_after, now)
    if stage is Stage.NOT_YET_VALID:
        return f"not valid before {not_before:%Y-%m-%d %H:%M} UTC: is the clock right?"
    if stage is Stage.EXPIRED:
        return f"expired on {not_after:%Y-%m-%d}"
    left = int(days_left(not_after, now))
    return f"valid until {not_after:%Y-%m-%d}, {left} {'day' if left == 1 else 'days'} left"


@dataclass(slots=True)
class Reminder:
    """When to say how a certificate stands: at every new stage, and then once a day."""

    stage: Stage = Stage.FINE
    said_at: datetime | None = None

    def due(self, stage: Stage, now: datetime) -> bool:
        """True when this stage is to be said now; remembers that it was."""
        if stage is Stage.FINE:
            self.stage, self.said_at = stage, None
            return False
        # A clock set back must not silence it, so the distance counts both ways.
        recent = self.said_at is not None and abs(now - self.said_at) < SAY_AGAIN
        if stage is self.stage and recent:
            return False
        self.stage, self.said_at = stage, now
        return True
