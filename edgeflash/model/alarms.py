"""Where an alarm stands, and what is known of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class AlarmState(StrEnum):
    """Where an alarm stands (after ISA-18.2, from memory).

    returned: its condition is gone, but nobody has acknowledged it.
    """

    NORMAL = "normal"
    ACTIVE = "active"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned"


@dataclass(frozen=True, slots=True)
class AlarmNote:
    """What is known of an alarm beside its state.

    since: when it came into it, UTC; None: never in another. why: its condition in words as it was
    when raised. by, because: who acknowledged it and what they said; empty when nobody did.
    """

    since: datetime | None = None
    why: str = ""
    by: str = ""
    because: str = ""
