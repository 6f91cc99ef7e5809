"""When each alarm's condition holds, and when nothing is known."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.alarms import conditions
from edgeflash.alarms.catalogue import ALARMS, in_force
from edgeflash.alarms.conditions import DEADBAND_C, LOW_ROOM_BYTES, Facts, SiteFacts
from edgeflash.alarms.state import Kept, step
from edgeflash.clock_state import ClockState, Synchronisation
from edgeflash.config.site import Product
from edgeflash.model import AlarmState, Finding, Result, Severity, Verdict
from edgeflash.publication import Standing
from edgeflash.trust import Quality, Trust
from tests.simulated_line import GAS_OIL, bench_analyzer
from tests.unit.outlets.builders import result

AT = datetime(2031, 4, 5, 6, 7, 8, tzinfo=UTC)
CHECKED_WEEKLY = {"verification": {"reference_c": 62.0, "sd_c": 0.7}}
ROOM = SiteFacts(free_bytes=LOW_ROOM_BYTES)
LOST_CLOCK = ClockState(Synchronisation.NOT_SYNCHRONISED)

SOUND = Facts(
    analyzer=bench_analyzer(**CHECKED_WEEKLY),
    standing=Standing("kestrel-1", latest=result(value_c=62.5)),
    has_accepted=True,
    product=GAS_OIL,
    quality=Quality.GOOD,
    reason="",
    since_check_s=3600.0,
    storage_fault="",
    site=ROOM,
)
"""All is well: an accepted 62.5 °C of a gas oil, above 55.0 °C by EN 590 (from memory)."""


def facts(latest: Result | None = None, **changes: Any) -> Facts:
    """The sound facts with changes; latest, low_flash: those of the standing."""
    standing = replace(
        SOUND.standing,
        latest=latest or SOUND.standing.latest,
        low_flash_alarm=changes.pop("low_flash", False),
    )
    return replace(SOUND, standing=standing, **changes)


def holds(name: str, known: Facts) -> bool | None:
    """What an alarm's condition says."""
    seen = getattr(conditions, name)(known)
    assert seen is None or seen.why or not seen.holds, "a condition that holds says why"
    return None if seen is None else seen.holds


def of(value_c: float, verdict: Verdict = Verdict.ACCEPTED) -> Facts:
    """A latest cycle with this value and verdict."""
    return facts(result(value_c=value_c, verdict=verdict))


def test_all_is_well() -> None:
    """No condition holds and none is unknown."""
    assert {alarm.name: False for alarm in ALARMS} == {
        alarm.name: holds(alarm.name, SOUND) for alarm in ALARMS
    }


def test_low_flash_follows_the_flag() -> None:
    """Up with the evidence; down only once a cycle has been accepted since the start."""
    assert holds("possible_low_flash", facts(low_flash=True, has_accepted=False)) is True
    assert holds("possible_low_flash", facts(low_flash=True)) is True
    assert holds("possible_low_flash", facts(has_accepted=False)) is None


@pytest.mark.parametrize(
    ("value_c", "verdict", "expected"),
    [
        (54.9, Verdict.ACCEPTED, True),
        (55.0, Verdict.ACCEPTED, True),  # "above 55.0": the limit itself fails
        (55.0, Verdict.DOUBTFUL, True),
        (54.9, Verdict.REJECTED, None),
        (55.1, Verdict.ACCEPTED, None),
        (55.0 + DEADBAND_C, Verdict.ACCEPTED, False),
        (62.5, Verdict.DOUBTFUL, None),
        (62.5, Verdict.REJECTED, None),
    ],
)
def test_below_limit(value_c: float, verdict: Verdict, expected: bool | None) -> None:
    """A usable value raises it; only an accepted one, clear of the limit, lets it return."""
    assert expected is holds("below_limit", of(value_c, verdict))


def test_a_limit_that_itself_passes() -> None:
    """EN 14214 has "min 101": 101.0 °C passes (from memory)."""
    fame = Product(minimum_c=101.0, strict_minimum=False)
    assert holds("below_limit", replace(of(101.0), product=fame)) is None
    assert holds("below_limit", replace(of(100.9), product=fame)) is True


def test_below_limit_without_a_limit_or_a_cycle() -> None:
    """Without a limit an accepted value is no alarm; without a cycle nothing is known."""
    assert holds("below_limit", replace(of(20.0), product=None)) is False
    assert holds("below_limit", replace(of(20.0), product=Product())) is False
    assert holds("below_limit", replace(of(20.0, Verdict.DOUBTFUL), product=None)) is None
    nothing = replace(SOUND, standing=Standing("kestrel-1"), product=None)
    assert holds("below_limit", nothing) is None


@pytest.mark.parametrize("quality", Quality)
def test_unavailable_is_every_bad_quality(quality: Quality) -> None:
    """An uncertain value is still a value."""
    known = facts(quality=quality, reason="the analyzer cannot be reached")
    assert (quality.trust is Trust.BAD) is holds("unavailable", known)


def test_verification_overdue() -> None:
    """Due every 7 days by default; never checked is overdue; a clock set back tells nothing."""
    week_s = 7 * 86_400.0
    assert holds("verification_overdue", facts(since_check_s=week_s)) is False
    assert holds("verification_overdue", facts(since_check_s=week_s + 1)) is True
    assert holds("verification_overdue", facts(since_check_s=None)) is True
    assert holds("verification_overdue", facts(since_check_s=-5.0)) is None


def test_history_shortage() -> None:
    """Each cause alone suffices; a disk that cannot be asked tells nothing."""
    full = replace(ROOM, free_bytes=LOW_ROOM_BYTES - 1)
    assert holds("history_shortage", facts(site=full)) is True
    assert holds("history_shortage", facts(storage_fault="no space left")) is True
    assert holds("history_shortage", facts(site=replace(ROOM, history_fault="denied"))) is True
    assert holds("history_shortage", facts(site=replace(ROOM, free_bytes=None))) is None


def test_clock() -> None:
    """A step of more than 2 s either way, more than 900 s without a time service, or the rule's
    finding in the latest cycle."""
    for step_s, expected in ((2.0, False), (2.1, True), (-2.1, True), (-3600.0, True)):
        assert expected is holds("clock", facts(site=replace(ROOM, clock_step_s=step_s)))
    for alone_s, expected in ((900.0, False), (901.0, True)):
        site = replace(ROOM, clock=LOST_CLOCK, unsynchronised_s=alone_s)
        assert expected is holds("clock", facts(site=site))
    note = Finding(114, "clock_off", Severity.NOTE, "the analyzer's clock is 2 h ahead")
    for verdict in Verdict:
        off = replace(result(verdict=verdict), findings=(note,))
        assert holds("clock", facts(off)) is True
    assert holds("clock", facts(result(verdict=Verdict.REJECTED))) is None
    assert holds("clock", replace(SOUND, standing=Standing("kestrel-1"))) is False


REJECTED = st.builds(
    lambda value_c, low: facts(
        result(value_c=value_c, verdict=Verdict.REJECTED), low_flash=low, has_accepted=False
    ),
    st.floats(-50.0, 400.0),
    st.booleans(),
)
STANDING = st.sampled_from([AlarmState.ACTIVE, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED])


@given(st.lists(REJECTED), STANDING)
def test_no_rejected_cycle_clears_what_a_cycle_has_raised(
    cycles: list[Facts], state: AlarmState
) -> None:
    """Whatever a rejected cycle shows, and however many come: no step down.

    The alarm `unavailable` follows the shown value and is not raised by a cycle.
    """
    for alarm in in_force(SOUND.analyzer):
        if alarm.name not in ("possible_low_flash", "below_limit", "clock"):
            continue
        kept = Kept(state, AT)
        for place, known in enumerate(cycles):
            seen = alarm.condition(known)
            condition = None if seen is None else seen.holds
            kept = step(alarm, kept, condition, AT + timedelta(hours=place), 3600.0 * place)
            assert kept.state in (state, AlarmState.ACTIVE)
