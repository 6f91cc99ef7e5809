"""The life of an alarm: a table of every step, and what must hold for any sequence.

States and transitions: ISA-18.2 (from memory). What is ours: an alarm that is not latched returns
without acknowledgement.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.alarms.catalogue import ALARMS, BY_NAME, Declaration
from edgeflash.alarms.state import (
    Kept,
    NothingToAcknowledgeError,
    UnreadableAlarmError,
    acknowledge,
    as_text,
    of_text,
    step,
    unreadable,
)
from edgeflash.model import AlarmState

AT = datetime(2031, 4, 5, 6, 7, 8, 901234, tzinfo=UTC)
LATCHED = replace(BY_NAME["possible_low_flash"], on_delay_s=0.0, off_delay_s=0.0)
PLAIN = replace(BY_NAME["unavailable"], on_delay_s=0.0, off_delay_s=0.0)
N, A, K, R = AlarmState.NORMAL, AlarmState.ACTIVE, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED


@pytest.mark.parametrize(
    ("alarm", "before", "condition", "after"),
    [
        (LATCHED, N, True, A),
        (LATCHED, N, False, N),
        (LATCHED, A, True, A),
        (LATCHED, A, False, R),
        (LATCHED, K, True, K),
        (LATCHED, K, False, N),
        (LATCHED, R, True, A),
        (LATCHED, R, False, R),
        (PLAIN, N, True, A),
        (PLAIN, N, False, N),
        (PLAIN, A, True, A),
        (PLAIN, A, False, N),
        (PLAIN, K, True, K),
        (PLAIN, K, False, N),
        *((alarm, state, None, state) for alarm in (LATCHED, PLAIN) for state in AlarmState),
    ],
)
def test_each_step(
    alarm: Declaration, before: AlarmState, condition: bool | None, after: AlarmState
) -> None:
    """Without delays, one look at the condition gives this state."""
    assert after is step(alarm, Kept(before), condition, AT, 100.0).state


def test_acknowledging() -> None:
    """Active becomes acknowledged, returned becomes normal; by whom and why is kept."""
    for before, after in ((A, K), (R, N)):
        kept = acknowledge(Kept(before, why="47 °C"), "mara", "sample taken", AT)
        assert Kept(after, AT, "47 °C", "mara", "sample taken") == kept
    for state in (N, K):
        with pytest.raises(NothingToAcknowledgeError, match=state.value):
            acknowledge(Kept(state), "mara", "", AT)


def test_delays_end_at_their_boundary() -> None:
    """A condition must have stood, or be gone, for the whole delay; an interruption begins anew."""
    alarm = replace(PLAIN, on_delay_s=60.0, off_delay_s=10.0)
    kept = step(alarm, Kept(), True, AT, 1000.0)
    assert step(alarm, kept, True, AT, 1059.999).state is N
    assert step(alarm, kept, True, AT, 1060.0).state is A
    interrupted = step(alarm, step(alarm, kept, False, AT, 1030.0), True, AT, 1031.0)
    assert step(alarm, interrupted, True, AT, 1090.999).state is N
    assert step(alarm, interrupted, True, AT, 1091.0).state is A
    active = step(alarm, kept, True, AT, 1060.0)
    going = step(alarm, active, False, AT, 1070.0)
    assert step(alarm, going, False, AT, 1079.999).state is A
    assert step(alarm, going, False, AT, 1080.0).state is N


def test_unknown_time_counts_against_safety_only() -> None:
    """While nothing is known, an alarm on its way up goes on; one on its way down begins anew."""
    alarm = replace(PLAIN, on_delay_s=60.0, off_delay_s=10.0)
    rising = step(alarm, step(alarm, Kept(), True, AT, 0.0), None, AT, 30.0)
    assert step(alarm, rising, True, AT, 60.0).state is A
    falling = step(alarm, step(alarm, Kept(A), False, AT, 0.0), None, AT, 5.0)
    assert step(alarm, falling, False, AT, 10.0).state is A


def test_since_is_the_last_change_of_state() -> None:
    """The time moves with the state only, and the reason is that of the raising."""
    later = AT + timedelta(seconds=5)
    active = step(LATCHED, Kept(), True, AT, 0.0, "47 °C")
    still = step(LATCHED, active, True, later, 5.0, "46 °C")
    assert (still.since, still.why) == (AT, "47 °C")
    returned = step(LATCHED, still, False, later, 5.0)
    assert (later, "47 °C") == (returned.since, returned.why)


KEPT = st.builds(
    Kept,
    st.sampled_from(AlarmState),
    st.none() | st.datetimes(timezones=st.just(UTC)),
    st.text(st.characters()),
    st.text(st.characters()),
    st.text(st.characters()),
)


@given(KEPT)
def test_a_restart_keeps_all(kept: Kept) -> None:
    """What was written is read back the same, on one line."""
    assert kept == of_text(as_text(kept))
    assert "\n" not in as_text(kept)
    assert as_text(kept).isascii(), "so any text can be stored, whatever is in it"


@given(st.text() | st.recursive(st.none() | st.integers() | st.text(), st.lists).map(str))
def test_anything_else_is_refused(text: str) -> None:
    """Damage is said, not guessed at; a latched alarm then asks for acknowledgement."""
    with pytest.raises(UnreadableAlarmError):
        of_text(text)


def test_a_lost_state_is_not_silent() -> None:
    """A latched alarm whose state is lost asks for acknowledgement."""
    assert unreadable(LATCHED).state is R
    assert unreadable(PLAIN).state is N


@dataclass(frozen=True)
class Look:
    """One look after `after_s`; acknowledged: somebody acknowledges before it, where possible."""

    condition: bool | None
    after_s: float
    acknowledged: bool


LOOKS = st.lists(
    st.builds(Look, st.sampled_from([True, False, None]), st.floats(0.0, 50.0), st.booleans())
)
ANY_ALARM = st.sampled_from(ALARMS)


def lived(alarm: Declaration, kept: Kept, looks: list[Look]) -> list[tuple[Look, Kept, Kept]]:
    """Each look with the alarm before and after it."""
    life, mono_s = [], 0.0
    for look in looks:
        mono_s += look.after_s
        if look.acknowledged and kept.state in (A, R):
            kept = acknowledge(kept, "mara", "", AT)
        before, kept = kept, step(alarm, kept, look.condition, AT, mono_s)
        life.append((look, before, kept))
    return life


@given(ANY_ALARM, KEPT, LOOKS)
def test_nothing_known_changes_no_state(alarm: Declaration, kept: Kept, looks: list[Look]) -> None:
    """A rejected cycle, which says nothing, never clears an alarm, wherever it comes."""
    for look, before, after in lived(alarm, kept, looks):
        if look.condition is None:
            assert before.state is after.state


@given(ANY_ALARM, KEPT, LOOKS)
def test_a_latched_alarm_ends_by_acknowledgement_only(
    alarm: Declaration, kept: Kept, looks: list[Look]
) -> None:
    """Nobody acknowledges: once raised, it never becomes normal."""
    latched = replace(alarm, is_latched=True)
    untouched = [replace(look, acknowledged=False) for look in looks]
    raised = kept.state in (A, R)
    for _, _, after in lived(latched, kept, untouched):
        raised = raised or after.state is A
        assert not (raised and after.state is N)


@given(ANY_ALARM, LOOKS)
def test_it_rises_exactly_when_the_condition_has_stood(
    alarm: Declaration, looks: list[Look]
) -> None:
    """Against an independent account: true in every known look for the on-delay or longer."""
    mono_s, stood_from_s = 0.0, None
    for look, before, after in lived(alarm, Kept(), looks):
        mono_s += look.after_s
        if look.condition is False:
            stood_from_s = None
        elif look.condition and stood_from_s is None:
            stood_from_s = mono_s
        if before.stands:
            if not after.stands:
                stood_from_s = None
            continue
        due = look.condition and stood_from_s is not None
        rises = bool(due) and mono_s - (stood_from_s or 0.0) >= alarm.on_delay_s
        assert rises is (after.state is A)


@given(ANY_ALARM, LOOKS)
def test_it_never_returns_within_the_off_delay(alarm: Declaration, looks: list[Look]) -> None:
    """From the last look that saw the condition, or nothing, the off-delay must pass."""
    mono_s, not_gone_s = 0.0, 0.0
    for look, before, after in lived(alarm, Kept(A), looks):
        mono_s += look.after_s
        if look.condition is not False:
            not_gone_s = mono_s
        if before.stands and not after.stands:
            assert mono_s - not_gone_s >= alarm.off_delay_s
