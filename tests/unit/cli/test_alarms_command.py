"""`edgeflash alarms list`: what it says of one alarm."""

from __future__ import annotations

from edgeflash.cli.alarms import told

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
    """A normal alarm keeps its last cause, and says that it lies before."""
    words = told({**ROW, "state": "normal", "by": "", "because": ""})
    assert "normal since 2026-05-01 06:04:28 UTC; before that: a cycle gave" in words
    assert "acknowledged" not in words
