"""The words of bits: what sets each, what they read while nothing is known, what never moves."""

from __future__ import annotations

from dataclasses import replace

import pytest

from edgeflash.alarms.catalogue import ALARMS
from edgeflash.model import AlarmState, Finding, Phase, Role, Severity
from edgeflash.points import CATALOGUE, PointType
from edgeflash.publication import LinkState, Standing, StandingFinding, TestSignal, View
from edgeflash.status_bits import (
    ALARM_BITS,
    MOST_BITS,
    STATUS_BITS,
    active_word,
    status_word,
    unacknowledged_word,
    unknown_word,
)
from edgeflash.trust import Quality
from tests.unit.outlets.builders import accepted_view, rejected_view, standing_of, view_of

PROMISED = (
    "value_good",
    "value_uncertain",
    "value_bad",
    "value_held",
    "link_up",
    "maintenance",
    "check_sample",
    "test_active",
    "possible_low_flash",
    "alarm_active",
    "alarm_unacknowledged",
)
"""Names of the status bits from place 0. Lines are added here, never changed."""

CALM = dict.fromkeys((alarm.name for alarm in ALARMS), AlarmState.NORMAL)


def with_standing(view: View, **changes: object) -> View:
    """The view of a changed standing."""
    return replace(view, standing=replace(view.standing, **changes))  # type: ignore[arg-type]


def names(view: View) -> set[str]:
    """The status bits that are set."""
    word = status_word(view)
    return {bit.name for bit in STATUS_BITS if word >> bit.place & 1}


GOOD = with_standing(accepted_view(), alarms=CALM)


def test_no_status_bit_ever_moves() -> None:
    """A DCS that has mapped a bit finds it there for ever."""
    assert tuple(bit.name for bit in STATUS_BITS) == PROMISED
    assert tuple(bit.place for bit in STATUS_BITS) == tuple(range(len(PROMISED)))


def test_no_word_is_ever_all_ones() -> None:
    """65535 is what a register without a value reads; place 15 stays free for that."""
    assert all(bit.place < MOST_BITS for bit in (*STATUS_BITS, *ALARM_BITS))


def test_alarm_bits_have_the_place_of_their_code() -> None:
    """Codes are for ever, so are these places."""
    assert {bit.name: bit.place for bit in ALARM_BITS} == {a.name: a.code for a in ALARMS}


def test_discrete_inputs_do_not_overlap() -> None:
    """Words of 16 bits each, past every flag's register and within the block."""
    taken = [p.register for p in CATALOGUE if p.type is PointType.FLAG]
    for point in CATALOGUE:
        if point.bits:
            taken += range(point.bits_at, point.bits_at + 16)
    assert len(taken) == len(set(taken))
    assert max(taken) < 200


def test_good_value() -> None:
    """Nothing but good and reachable."""
    assert names(GOOD) == {"value_good", "link_up"}


@pytest.mark.parametrize(
    ("view", "expected"),
    [
        (rejected_view(held=True), {"value_uncertain", "value_held"}),
        (rejected_view(held=False), {"value_bad"}),
    ],
)
def test_held_and_bad(view: View, expected: set[str]) -> None:
    """A held value is uncertain; a bad one is not there, so it is not held either."""
    assert names(with_standing(view, alarms=CALM)) - {"link_up"} == expected


def test_exactly_one_trust_bit() -> None:
    """Whatever the quality, good, uncertain or bad, one of the three."""
    three = {"value_good", "value_uncertain", "value_bad"}
    for quality in Quality:
        assert len(names(replace(GOOD, quality=quality)) & three) == 1, quality


@pytest.mark.parametrize("link", [s for s in LinkState if s is not LinkState.UP])
def test_link_and_what_is_old_without_it(link: LinkState) -> None:
    """Without a link no phase is known, so none is told from the last one."""
    seen = names(with_standing(GOOD, link=link, live={Role.PHASE: Phase.MAINTENANCE}))
    assert not seen & {"link_up", "maintenance"}


@pytest.mark.parametrize("phase", [Phase.MAINTENANCE, Phase.CHECK_SAMPLE])
def test_phases(phase: Phase) -> None:
    """By the analyzer's own phase, or by a finding about the present."""
    assert phase.value in names(with_standing(GOOD, live={Role.PHASE: phase}))
    finding = Finding(209, f"{phase.value}_now", Severity.REJECT, "invented")
    standing = (StandingFinding(finding, Quality.LAST_USABLE, Quality.OUT_OF_SERVICE),)
    assert phase.value in names(with_standing(GOOD, standing=standing))


def test_test_and_low_flash() -> None:
    """A test signal at any point, and the condition of a possible low flash."""
    tests = {"peak_kpa": TestSignal(12.0, Quality.GOOD)}
    assert "test_active" in names(with_standing(GOOD, tests=tests))
    assert "possible_low_flash" in names(with_standing(GOOD, low_flash_alarm=True))


def test_a_test_in_place_of_the_value_is_as_good_as_the_test() -> None:
    """Whoever reads the bits beside the registers must not take a test value for a good one."""
    told = names(with_standing(GOOD, tests={"flash_point_c": TestSignal(55.0, Quality.TEST)}))
    assert "value_good" not in told
    assert "value_uncertain" in told
    bad = names(with_standing(GOOD, tests={"flash_point_c": TestSignal(None, Quality.BAD)}))
    assert "value_bad" in bad
    assert "value_good" not in bad


@pytest.mark.parametrize(
    ("state", "active", "unacknowledged"),
    [  # ISA-18.2, from memory: unacknowledged are the active and the returned
        (AlarmState.NORMAL, False, False),
        (AlarmState.ACTIVE, True, True),
        (AlarmState.ACKNOWLEDGED, True, False),
        (AlarmState.RETURNED, False, True),
    ],
)
@pytest.mark.parametrize("alarm", ALARMS, ids=lambda alarm: alarm.name)
def test_alarm_words(alarm: object, state: AlarmState, active: bool, unacknowledged: bool) -> None:
    """One alarm in each state sets its own bit of each word, and the bit of any alarm."""
    name, code = alarm.name, alarm.code  # type: ignore[attr-defined]
    view = with_standing(GOOD, alarms={**CALM, name: state})
    assert active_word(view) == (1 << code if active else 0)
    assert unacknowledged_word(view) == (1 << code if unacknowledged else 0)
    assert ("alarm_active" in names(view)) is active
    assert ("alarm_unacknowledged" in names(view)) is unacknowledged


def test_an_alarm_that_an_analyzer_does_not_have_is_clear() -> None:
    """Off, or not possible there: it cannot stand."""
    view = with_standing(GOOD, alarms={"possible_low_flash": AlarmState.NORMAL})
    assert active_word(view) == 0


def test_while_nothing_is_known_of_alarms_they_warn() -> None:
    """No state at all: the words have no value, and the bits of any alarm are set."""
    view = with_standing(GOOD, alarms={})
    assert active_word(view) is None
    assert unacknowledged_word(view) is None
    assert {"alarm_active", "alarm_unacknowledged"} <= names(view)


def test_unknown_never_calms() -> None:
    """Without a view no bit says good, up or quiet."""
    unknown = {bit.name for bit in STATUS_BITS if unknown_word(STATUS_BITS) >> bit.place & 1}
    warning = {"value_bad", "possible_low_flash", "alarm_active", "alarm_unacknowledged"}
    assert unknown == warning
    assert unknown_word(ALARM_BITS) == sum(1 << alarm.code for alarm in ALARMS)


def test_time_alone_changes_nothing() -> None:
    """A heartbeat later the word is the same, so nothing is written for it."""
    later = replace(view_of(standing_of(), after_s=5.0), heartbeat=9)
    assert status_word(later) == status_word(view_of(standing_of(), after_s=9.0))


def test_the_words_are_points() -> None:
    """At the registers promised, good and as of now."""
    points = {point.name: point for point in CATALOGUE}
    assert points["status_bits"].read(GOOD).value == status_word(GOOD)
    empty = with_standing(GOOD, alarms={})
    assert points["alarms_active"].read(empty).quality is Quality.NO_DATA
    assert points["status_bits"].read(view_of(Standing("fp-101"))).value == status_word(
        view_of(Standing("fp-101"))
    )
