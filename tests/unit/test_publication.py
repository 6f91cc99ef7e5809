"""What the DCS sees: accepted, doubtful, rejected, silent, restarted, and over a clock jump."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.model import CycleSource, Result, Role, Verdict
from edgeflash.publication import (
    Held,
    LinkState,
    Standing,
    StandingFinding,
    View,
    restored,
    view,
    with_result,
)
from edgeflash.rules.catalogue import QUALITY_OF_RULE
from edgeflash.trust import Quality, Trust
from tests.unit.rules.contexts import AT, SOUND, judged, spoiled

GOOD = judged(SOUND)
WEAK = judged(spoiled({Role.BAROMETRIC_PRESSURE: 99.0}, duration_s=700.0))
"""Doubtful, with another value than GOOD."""

REJECTED = judged(spoiled(faults_seen=("heater_fault",)))
HOLD_S = 900.0


def seen(
    standing: Standing,
    mono_s: float,
    *,
    now: datetime = AT,
    bad_at_once: bool = False,
) -> View:
    """The view at an instant of the monotonic clock."""
    return view(
        standing,
        now=now,
        now_mono_s=mono_s,
        hold_s=HOLD_S,
        bad_at_once=bad_at_once,
        heartbeat=1,
        quality_of_rule=QUALITY_OF_RULE,
    )


def after(*results: Result, at_mono_s: float = 0.0, **changes: Any) -> Standing:
    """The standing after results that were all made at one instant."""
    standing = Standing("kestrel-1", link=LinkState.UP, **changes)
    for result in results:
        standing = with_result(standing, Held.since(result, AT, at_mono_s))
    return standing


def link_down() -> StandingFinding:
    """What the rules say while the analyzer cannot be read."""
    from edgeflash.model import Finding, Severity

    finding = Finding(101, "link_down", Severity.REJECT, "connection refused")
    return StandingFinding(finding, Quality.LAST_USABLE_NO_LINK, Quality.NO_COMMUNICATION)


def test_before_the_first_cycle_there_is_no_value() -> None:
    """Waiting for initial data, and saying so."""
    v = seen(Standing("kestrel-1", link=LinkState.UP), 0.0)
    assert (v.value_c, v.quality) == (None, Quality.WAITING_FOR_INITIAL_DATA)


def test_an_accepted_cycle_is_good() -> None:
    """Its own value, good, without a reason, with the age of its sample."""
    v = seen(after(GOOD), 10.0)
    assert (v.value_c, v.quality, v.reason_code) == (GOOD.published_c, Quality.GOOD, 0)
    after_ignition_s = (GOOD.cycle.finished_at - GOOD.sampled_at).total_seconds()
    assert v.age_s == pytest.approx(10.0 + after_ignition_s)


def test_a_doubtful_cycle_shows_its_own_value_as_uncertain() -> None:
    """With the reason of the doubt."""
    v = seen(after(GOOD, WEAK), 10.0)
    assert (v.value_c, v.quality) == (WEAK.published_c, Quality.SUB_NORMAL)
    assert v.reason_code == 202


def test_a_rejected_cycle_holds_the_last_accepted_value() -> None:
    """Uncertain with the reason until the hold time is over, then bad with the reason."""
    standing = after(GOOD, REJECTED)
    held = seen(standing, HOLD_S)
    assert (held.value_c, held.quality) == (GOOD.published_c, Quality.LAST_USABLE)
    assert held.reason_code == 105
    over = seen(standing, HOLD_S + 0.1)
    assert (over.value_c, over.quality) == (None, Quality.DEVICE_FAILURE)
    assert over.age_s is not None
    assert over.age_s > HOLD_S


def test_after_a_doubtful_and_a_rejected_cycle_the_accepted_one_is_held() -> None:
    """The last usable value is the last accepted one."""
    v = seen(after(GOOD, WEAK, REJECTED), 10.0)
    assert (v.value_c, v.quality) == (GOOD.published_c, Quality.LAST_USABLE)


def test_by_configuration_a_rejected_cycle_is_bad_at_once() -> None:
    """Nothing is held."""
    v = seen(after(GOOD, REJECTED), 1.0, bad_at_once=True)
    assert (v.value_c, v.quality) == (None, Quality.DEVICE_FAILURE)


def test_a_lost_link_is_uncertain_then_bad() -> None:
    """The link's own qualities, in time."""
    standing = replace(after(GOOD), link=LinkState.DOWN, standing=(link_down(),))
    assert seen(standing, 10.0).quality is Quality.LAST_USABLE_NO_LINK
    assert seen(standing, HOLD_S + 1).quality is Quality.NO_COMMUNICATION


def test_without_any_accepted_cycle_a_lost_link_is_bad_with_its_reason() -> None:
    """Not 'waiting': the reason is known."""
    standing = replace(Standing("kestrel-1"), standing=(link_down(),))
    v = seen(standing, 0.0)
    assert (v.value_c, v.quality, v.reason_code) == (None, Quality.NO_COMMUNICATION, 101)


def test_after_a_restart_the_last_value_has_its_true_age() -> None:
    """Ten minutes down: ten minutes older, still held; an hour down: bad."""
    for down_s, quality in ((600.0, Quality.GOOD), (3600.0, Quality.NO_DATA)):
        now = AT + timedelta(seconds=down_s)
        held = Held.from_before(GOOD, now, 5.0)
        v = seen(restored(Standing("kestrel-1"), held, held), 5.0, now=now)
        assert v.quality is quality
        assert v.age_s is not None
        assert v.age_s >= down_s


def test_after_a_restart_a_caught_up_cycle_is_not_shown_either() -> None:
    """Killed between the ring's results and the newest one: the accepted value, and the alarm."""
    old = replace(WEAK, cycle=replace(WEAK.cycle, source=CycleSource.RING), low_flash_alarm=True)
    held = [Held.from_before(r, AT, 0.0) for r in (old, GOOD)]
    v = seen(restored(Standing("kestrel-1"), *held), 1.0)
    assert (v.value_c, v.quality) == (GOOD.published_c, Quality.GOOD)
    assert v.standing.low_flash_alarm


def test_after_a_restart_with_a_clock_from_the_past_nothing_is_known() -> None:
    """A dead clock battery makes no old value fresh; the alarm stands all the same."""
    now = AT - timedelta(hours=7)
    alarmed = replace(GOOD, low_flash_alarm=True)
    held = Held.from_before(alarmed, now, 5.0)
    v = seen(restored(Standing("kestrel-1"), held, held), 5.0, now=now)
    assert (v.value_c, v.quality, v.age_s) == (None, Quality.NO_DATA, None)
    assert v.standing.low_flash_alarm


@given(st.floats(-1e6, 1e6))
def test_a_jump_of_the_wall_clock_changes_nothing(jump_s: float) -> None:
    """Age and hold time run on the monotonic clock."""
    standing = after(GOOD)
    still = seen(standing, 100.0)
    jumped = seen(standing, 100.0, now=AT + timedelta(seconds=jump_s))
    assert (still.age_s, still.quality) == (jumped.age_s, jumped.quality)


def test_a_cycle_caught_up_later_is_counted_but_not_shown() -> None:
    """An old result never takes the place of what is shown, but its evidence counts."""
    old = replace(
        GOOD,
        cycle=replace(GOOD.cycle, source=CycleSource.RING),
        verdict=Verdict.DOUBTFUL,
        low_flash_alarm=True,
    )
    standing = after(GOOD, old)
    assert standing.latest is GOOD
    assert standing.counts.doubtful == 1
    assert standing.low_flash_alarm


@given(
    st.lists(st.sampled_from([GOOD, WEAK, REJECTED]), min_size=1, max_size=6),
    st.floats(0.0, 2 * HOLD_S),
    st.booleans(),
)
def test_a_quality_is_never_better_than_its_evidence(
    results: list[Result], mono_s: float, is_down: bool
) -> None:
    """Good only for the newest cycle, accepted, in time, with the link up; bad has no value."""
    standing = after(*results)
    if is_down:
        standing = replace(standing, link=LinkState.DOWN, standing=(link_down(),))
    v = seen(standing, mono_s)
    is_sound = results[-1] is GOOD and mono_s <= HOLD_S and not is_down
    assert (v.quality is Quality.GOOD) == is_sound
    assert (v.value_c is None) == (v.quality.trust is Trust.BAD)
    assert is_sound or v.reason_text
