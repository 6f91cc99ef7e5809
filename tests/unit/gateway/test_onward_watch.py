"""When an MQTT outlet counts as not delivering, and when it counts as well again."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from edgeflash.alarms.conditions import STEADY_S
from edgeflash.gateway.onward_watch import STUCK_S, Delivery, away, begun, looked
from edgeflash.outlets.mqtt_figures import MqttFigures, Owed

AT = datetime(2031, 4, 5, 6, 7, 8, tzinfo=UTC)
LOST = "the session ended: the network is gone"


def up(*owed: Owed, fault: str = "") -> MqttFigures:
    """An outlet in session."""
    return MqttFigures("panel", "mqtts://broker:8883", AT, owed=owed, fault=fault)


def down(*owed: Owed, fault: str = LOST) -> MqttFigures:
    """An outlet without a session."""
    return MqttFigures("panel", "mqtts://broker:8883", owed=owed, fault=fault)


def over(
    delivery: Delivery, figures: MqttFigures, from_s: int, to_s: int, proof_s: float = 0.0
) -> Delivery:
    """After a look in each second."""
    for second in range(from_s, to_s):
        delivery = looked(delivery, figures, float(second), proof_s)
    return delivery


def test_away_counts_from_the_first_moment() -> None:
    """Also one that has never been there; the reason is the latest one."""
    delivery = over(begun(0.0), down(fault="not connected yet"), 0, 50)
    delivery = over(delivery, down(), 50, 301)
    assert (delivery.trouble_s(301.0), delivery.why) == (301.0, LOST)
    told = away([(down(), delivery, 300.0)], 301.0)
    assert told == f"panel (mqtts://broker:8883) for 301 s: {LOST}"
    assert away([(down(), delivery, 301.0)], 301.0) == ""


def test_a_session_that_stands_ends_it() -> None:
    """After the steady time, and not before."""
    delivery = over(begun(0.0), down(), 0, 400)
    delivery = over(delivery, up(Owed(0, 7)), 400, 400 + int(STEADY_S))
    assert delivery.trouble_s(410.0) == 410.0
    assert looked(delivery, up(Owed(0, 7)), 400 + STEADY_S).trouble_s(500.0) == 0.0


def test_thrown_out_again_and_again_is_trouble_all_the_time() -> None:
    """Nine seconds in session, one without, for an hour: never well in between."""
    delivery = begun(0.0)
    for start in range(0, 3600, 10):
        delivery = over(delivery, up(Owed(3, 7)), start, start + 9)
        delivery = over(delivery, down(Owed(3, 7)), start + 9, start + 10)
    assert delivery.trouble_s(3600.0) == 3600.0


@pytest.mark.parametrize("other", [Owed(0, 4), Owed(5, 4)])
def test_a_session_that_acknowledges_nothing_is_not_well(other: Owed) -> None:
    """A broker that takes states and never answers for results: each session outlasts the steady
    time, and nothing gets through."""
    delivery = begun(0.0)
    for start in range(0, 3600, 40):
        delivery = over(delivery, up(Owed(3, 7), other), start, start + 30)
        delivery = over(delivery, down(Owed(3, 7), other), start + 30, start + 40)
    assert delivery.trouble_s(3600.0) >= 3500.0


def test_a_stream_that_does_not_move_is_trouble_without_any_fault() -> None:
    """And each stream counts for itself; one that owes nothing need not move."""
    well = over(begun(0.0), up(Owed(0, 7), Owed(0, 2)), 0, 20)
    assert well.trouble_s(20.0) == 0.0
    seconds = int(STUCK_S) + 20
    moving = well
    for second in range(20, 2 * seconds):
        moving = looked(moving, up(Owed(1, second), Owed(0, 2)), float(second))
    assert moving.trouble_s(2.0 * seconds) == 0.0
    for owed in ((Owed(1, 7), Owed(0, 2)), (Owed(0, 7), Owed(1, 2))):
        stuck = over(well, up(*owed), 20, 2 * seconds)
        assert stuck.trouble_s(2.0 * seconds) > 0.0
        assert "nothing of what is owed" in stuck.why


def test_what_needs_evidence_has_the_time_for_it() -> None:
    """A Sparkplug host's presence proves what was sent a while ago, not sooner."""
    well = over(begun(0.0), up(Owed(0, 7)), 0, 20)
    until = 20 + int(STUCK_S)
    assert over(well, up(Owed(2, 7)), 20, until + 80, 90.0).trouble_s(until + 80.0) == 0.0
    assert over(well, up(Owed(2, 7)), 20, until + 120, 90.0).trouble_s(until + 120.0) > 0.0
