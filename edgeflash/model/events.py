"""The event record: who did what, when, by which way."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class EventKind(StrEnum):
    """What the event record holds."""

    ALARM = "alarm"
    ACKNOWLEDGED = "acknowledged"
    COMMENT = "comment"
    MAINTENANCE_ON = "maintenance_on"
    MAINTENANCE_OFF = "maintenance_off"
    CHECK_SAMPLE_ON = "check_sample_on"
    CHECK_SAMPLE_OFF = "check_sample_off"
    TEST_ON = "test_on"
    TEST_OFF = "test_off"
    REFUSED = "refused"
    LOGIN_FAILED = "login_failed"
    INPUT_WRITTEN = "input_written"
    USER_CHANGED = "user_changed"
    TRUST_CHANGED = "trust_changed"
    CERTIFICATE_RENEWED = "certificate_renewed"
    CLOCK_MOVED = "clock_moved"
    CLOCK_STATE = "clock_state"
    HISTORY_DELETED = "history_deleted"
    HISTORY_REPAIRED = "history_repaired"
    MESSAGE_SET_ASIDE = "message_set_aside"
    MESSAGE_DELIVERED = "message_delivered"
    MESSAGES_TRIED_AGAIN = "messages_tried_again"
    MESSAGES_GIVEN_UP = "messages_given_up"


@dataclass(frozen=True, slots=True)
class EventEntry:
    """One line of the event record: who did what, when, by which way.

    at: UTC. analyzer: empty when it is about the gateway. who, via: empty when the gateway did it
    by itself. subject: the alarm, the point, the input, the user or certificate that changed.
    until: when it ends by itself, UTC.
    """

    at: datetime
    kind: EventKind
    analyzer: str = ""
    who: str = ""
    via: str = ""
    subject: str = ""
    text: str = ""
    until: datetime | None = None
