"""`edgeflash alarms list`: what it says of one alarm."""

from __future__ import annotations

from edgeflash.alarms.state import Kept
from edgeflash.cli.alarms import told
from edgeflash.gateway.alarm_desk import change_text
from edgeflash.model import AlarmState

ROW = {
    "analyzer": "kestrel-2",
    "alarm": "possible_low_flash",
    "priority": "high",
    "state": "acknowledged",
    "since": "2026-05-01T08:04:28+02:00",
    "why": "a cycle gave evidence of a flash point that is too low",
    "by": "operator",
    "because": "sample 4711 at the laboratory",
}


def test_an_alarm_is_told_with_its_time_in_utc_its_cause_and_who_knows() -> None:
    """The whole of it, in the order a person asks for it."""
    assert told(ROW).strip() == (
        "kestrel-2 possible_low_flash: acknowledged since 2026-05-01 06:04:28 UTC: a cycle gave "
        "evidence of a flash point that is too low; acknowledged by operator: sample 4711 at the "
        "laboratory"
    )


def test_a_cause_that_is_past_is_not_told_as_present() -> None:
    """An alarm that is over keeps its last cause, and says that it lies before."""
    for state in ("normal", "returned"):
        words = told({**ROW, "state": state, "by": "", "because": ""})
        assert f"{state} since 2026-05-01 06:04:28 UTC; before that: a cycle gave" in words
        assert "acknowledged" not in words


def test_the_event_record_does_not_either() -> None:
    """Nobody shall read a returned alarm as one that has evidence now."""
    why = "a cycle gave evidence of a flash point that is too low"
    assert change_text(Kept(AlarmState.ACTIVE, why=why)) == f"active: {why}"
    for state in (AlarmState.NORMAL, AlarmState.RETURNED):
        assert change_text(Kept(state, why=why)) == f"{state.value}; before that: {why}"
    assert change_text(Kept(AlarmState.RETURNED)) == "returned"
