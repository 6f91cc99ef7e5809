"""The life of one alarm: raised, acknowledged, returned. Pure: times come in as arguments.

After ISA-18.2 (from memory): an alarm is active until acknowledged; when its condition goes first,
a latched one stays `returned` until somebody acknowledges it, another goes back to normal by
itself. While an acknowledged alarm stands, new evidence does not raise it again.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import datetime

from edgeflash.alarms.catalogue import Declaration
from edgeflash.errors import EdgeflashError
from edgeflash.model import AlarmState

_STANDING = (AlarmState.ACTIVE, AlarmState.ACKNOWLEDGED)


class NothingToAcknowledgeError(EdgeflashError):
    """Somebody acknowledges an alarm that does not ask for it."""

    def __init__(self, state: AlarmState) -> None:
        super().__init__(f"there is nothing to acknowledge: it is {state.value}")
        self.state = state


class UnreadableAlarmError(EdgeflashError):
    """What was kept of an alarm cannot be read."""


@dataclass(frozen=True, slots=True)
class Kept:
    """Where an alarm stands.

    since: when it came into this state, UTC; None: never in another. why: its condition in words,
    as it was when the alarm was raised. by, because: who acknowledged it, and what they said.
    pending_mono_s: since when a delay is running, towards raising it or towards its return.
    """

    state: AlarmState = AlarmState.NORMAL
    since: datetime | None = None
    why: str = ""
    by: str = ""
    because: str = ""
    pending_mono_s: float | None = None

    @property
    def stands(self) -> bool:
        """Its condition holds, or has not been gone for the off-delay."""
        return self.state in _STANDING


def step(
    alarm: Declaration,
    kept: Kept,
    condition: bool | None,
    at: datetime,
    now_mono_s: float,
    why: str = "",
) -> Kept:
    """The alarm after one look at its condition.

    None: nothing is known, and the state stays. Time in which nothing is known counts towards
    raising an alarm, never towards its return.
    """
    if condition is None:
        return _undelayed(kept) if kept.stands else kept
    if condition is kept.stands:
        return _undelayed(kept)
    pending_mono_s = now_mono_s if kept.pending_mono_s is None else kept.pending_mono_s
    delay_s = alarm.off_delay_s if kept.stands else alarm.on_delay_s
    if now_mono_s - pending_mono_s < delay_s:
        return replace(kept, pending_mono_s=pending_mono_s)
    if condition:
        return Kept(AlarmState.ACTIVE, at, why)
    if alarm.is_latched and kept.state is AlarmState.ACTIVE:
        return Kept(AlarmState.RETURNED, at, kept.why)
    return Kept(AlarmState.NORMAL, at)


def _undelayed(kept: Kept) -> Kept:
    return kept if kept.pending_mono_s is None else replace(kept, pending_mono_s=None)


def acknowledge(kept: Kept, by: str, because: str, at: datetime) -> Kept:
    """The alarm after somebody has taken note of it.

    Raises NothingToAcknowledgeError when it is normal or acknowledged already.
    """
    if kept.state is AlarmState.ACTIVE:
        return replace(kept, state=AlarmState.ACKNOWLEDGED, since=at, by=by, because=because)
    if kept.state is AlarmState.RETURNED:
        return replace(kept, state=AlarmState.NORMAL, since=at, by=by, because=because)
    raise NothingToAcknowledgeError(kept.state)


def as_text(kept: Kept) -> str:
    """What must survive a restart, as one line. A running delay does not: it begins anew."""
    return json.dumps(
        {
            "state": kept.state.value,
            "since": kept.since.isoformat() if kept.since else None,
            "why": kept.why,
            "by": kept.by,
            "because": kept.because,
        }
    )


def of_text(text: str) -> Kept:
    """What `as_text` wrote. Raises UnreadableAlarmError."""
    try:
        tree = json.loads(text)
        since = tree["since"]
        return Kept(
            AlarmState(tree["state"]),
            None if since is None else datetime.fromisoformat(since),
            str(tree["why"]),
            str(tree["by"]),
            str(tree["because"]),
        )
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise UnreadableAlarmError(f"not the state of an alarm: {text[:80]!r}") from error


def unreadable(alarm: Declaration) -> Kept:
    """What stands for a state that cannot be read: a latched alarm asks for acknowledgement."""
    if not alarm.is_latched:
        return Kept()
    return Kept(AlarmState.RETURNED, why="its state before the restart cannot be read")
