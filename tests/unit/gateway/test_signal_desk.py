"""Test signals: how long they are shown, and that none hides a danger."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from edgeflash.access import OperationRefusedError, UserRole, Who
from edgeflash.gateway.signal_desk import SignalDesk, alarms_in_the_way, hidden_by
from edgeflash.model import AlarmState, EventEntry, EventKind
from edgeflash.publication import Standing, TestSignal
from edgeflash.trust import Quality

AT = datetime(2031, 4, 5, 6, 7, 8, tzinfo=UTC)
MARA = Who("mara", UserRole.ENGINEER, "operator socket")
ORLA = Who("orla", UserRole.ENGINEER, "opcua 192.0.2.7:50112")
SIGNAL = TestSignal(62.5, Quality.TEST)
QUIET = Standing("kestrel-1", alarms={"possible_low_flash": AlarmState.NORMAL})


class Desk:
    """A desk with its event record."""

    def __init__(self) -> None:
        self.events: list[EventEntry] = []
        self.desk = SignalDesk("kestrel-1", self.events.append)

    def start(self, point: str, seconds: float, lease_s: float | None = None) -> None:
        """A test from 100 s on."""
        self.desk.start(point, SIGNAL, seconds, MARA, AT, 100.0, lease_s)

    def look(self, standing: Standing, at_s: float) -> None:
        """One look at an instant."""
        self.desk.look(standing, AT + timedelta(seconds=at_s - 100.0), at_s)

    @property
    def told(self) -> list[tuple[EventKind, str, str]]:
        """What the record holds."""
        return [(e.kind, e.subject, e.text) for e in self.events]


def test_a_test_is_over_to_the_instant() -> None:
    """Not shown any more, even before anybody looked; recorded once."""
    made = Desk()
    made.start("stream", 60.0)
    shown: Mapping[str, TestSignal] = made.desk.shown(159.9)
    assert shown == {"stream": SIGNAL}
    assert made.desk.shown(160.0) == {}
    made.look(QUIET, 160.0)
    made.look(QUIET, 161.0)
    assert made.told[1:] == [(EventKind.TEST_OFF, "stream", "its time is over")]
    assert made.events[0].until == AT + timedelta(seconds=60)


def test_a_lease_must_be_renewed_and_makes_nothing_longer() -> None:
    """Renewed, it goes on to its time; not renewed, it ends with the lease."""
    made = Desk()
    made.start("stream", 10.0, lease_s=3.0)
    assert made.desk.renew(102.9, MARA) == ["stream"]
    assert made.desk.shown(105.8) == {"stream": SIGNAL}
    assert made.desk.renew(105.8, MARA) == ["stream"]
    assert made.desk.renew(108.7, MARA) == ["stream"]
    assert made.desk.shown(110.0) == {}
    late = Desk()
    late.start("stream", 10.0, lease_s=3.0)
    assert late.desk.renew(103.0, MARA) == []
    late.look(QUIET, 103.0)
    assert late.told[1:] == [
        (EventKind.TEST_OFF, "stream", "the command that asked for it is gone")
    ]


@pytest.mark.parametrize("alarm", ["possible_low_flash", "below_limit"])
def test_an_alarm_that_is_raised_ends_every_test(alarm: str) -> None:
    """Acknowledged, it is in nobody's way, but cannot be tested away."""
    raised = replace(QUIET, alarms={alarm: AlarmState.ACTIVE})
    made = Desk()
    made.start("stream", 60.0)
    made.start("verdict", 60.0)
    made.look(raised, 101.0)
    assert made.desk.shown(101.0) == {}
    assert [text for _, _, text in made.told[2:]] == [f"alarm {alarm} was raised"] * 2
    assert alarms_in_the_way(raised) == (alarm,)
    known = replace(QUIET, alarms={alarm: AlarmState.ACKNOWLEDGED})
    assert alarms_in_the_way(known) == ()
    assert hidden_by(known, f"alarm_{alarm}")
    assert not hidden_by(known, "stream")


def test_evidence_ends_the_test_of_its_own_flag() -> None:
    """The plain flag has no state, and is not to be hidden either."""
    made = Desk()
    made.start("possible_low_flash", 60.0)
    made.look(QUIET, 101.0)
    assert "possible_low_flash" in made.desk.shown(101.0)
    made.look(replace(QUIET, low_flash_alarm=True), 102.0)
    assert made.desk.shown(102.0) == {}


def test_any_alarm_that_rises_ends_the_test_of_its_point() -> None:
    """Also one of low priority; other points are tested on."""
    made = Desk()
    made.start("alarm_clock", 60.0)
    made.start("stream", 60.0)
    made.look(replace(QUIET, alarms={"clock": AlarmState.ACTIVE}), 101.0)
    assert set(made.desk.shown(101.0)) == {"stream"}


def test_no_summary_of_alarms_is_tested_while_one_stands() -> None:
    """A word of bits hides as much as a point of its own."""
    known = replace(QUIET, alarms={"clock": AlarmState.ACKNOWLEDGED})
    assert hidden_by(known, "status_bits")
    assert hidden_by(replace(QUIET, low_flash_alarm=True), "alarms_active")
    assert not hidden_by(QUIET, "status_bits")


def test_nobody_starts_over_the_running_test_of_another() -> None:
    """Refused by name while it runs; the same person may, and anybody once it is over."""
    made, other = Desk(), TestSignal(70.0, Quality.TEST)
    made.start("stream", 60.0)
    with pytest.raises(OperationRefusedError, match="mara has a test of it running"):
        made.desk.start("stream", other, 60.0, ORLA, AT, 110.0)
    assert made.desk.shown(110.0) == {"stream": SIGNAL}
    made.desk.start("stream", other, 20.0, MARA, AT, 110.0)
    assert made.desk.shown(111.0) == {"stream": other}
    made.desk.start("stream", SIGNAL, 60.0, ORLA, AT, 130.0)
    assert made.desk.shown(131.0) == {"stream": SIGNAL}


def test_one_renews_and_ends_ones_own_tests_only() -> None:
    """Where that is asked for; else anybody who may ends every test, which is the safe side."""
    made = Desk()
    made.start("stream", 60.0, lease_s=6.0)
    made.start("margin_c", 60.0, lease_s=6.0)
    made.desk.start("verdict", SIGNAL, 60.0, ORLA, AT, 100.0, 6.0)
    assert made.desk.renew(105.0, MARA, "stream") == ["stream"]
    assert set(made.desk.shown(107.0)) == {"stream"}
    made.desk.start("verdict", SIGNAL, 60.0, ORLA, AT, 107.0)
    made.desk.end("verdict", "ended", AT, MARA, only_own=True)
    made.desk.end(None, "ended", AT, MARA, only_own=True)
    assert set(made.desk.shown(108.0)) == {"verdict"}
    made.desk.end(None, "ended", AT, MARA)
    assert made.desk.shown(108.0) == {}
