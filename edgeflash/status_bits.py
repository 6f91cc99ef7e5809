"""Words of bits that sum an analyzer up: its state, and its alarms. Each bit declared once. Pure.

From a bit follow its place in the Modbus register, its discrete input, the OPC UA value and the
documentation. Places are for ever. Place 15 stays free, so that no word is ever all ones.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from edgeflash.alarms.catalogue import ALARMS
from edgeflash.model import AlarmState, Phase, Role
from edgeflash.publication import JUDGED, LinkState, View
from edgeflash.trust import Quality, Trust

MOST_BITS = 15
"""Bits of one word: of 16, the highest stays 0."""


@dataclass(frozen=True, slots=True)
class Bit:
    """One bit of a word. place: 0 is the lowest. unknown: what it reads while nothing is known.

    A bit that would calm is 0 then, a bit that would warn is 1.
    """

    place: int
    name: str
    meaning: str
    unknown: bool


@dataclass(frozen=True, slots=True)
class StatusBit:
    """A bit of the status word, and what sets it."""

    bit: Bit
    is_set: Callable[[View], bool]


_HELD = frozenset({Quality.LAST_USABLE, Quality.LAST_USABLE_NO_LINK})
_STANDING = frozenset({AlarmState.ACTIVE, AlarmState.ACKNOWLEDGED})
_UNACKNOWLEDGED = frozenset({AlarmState.ACTIVE, AlarmState.RETURNED})


def _trust_is(trust: Trust) -> Callable[[View], bool]:
    return lambda v: v.shown_quality.trust is trust


def _is_in(phase: Phase, rule: str) -> Callable[[View], bool]:
    """The analyzer is in the phase now, or a finding about the present says so."""

    def is_set(v: View) -> bool:
        if any(one.finding.rule == rule for one in v.standing.standing):
            return True
        up = v.standing.link is LinkState.UP
        return up and v.standing.live.get(Role.PHASE) is phase

    return is_set


def _any_alarm(states: frozenset[AlarmState]) -> Callable[[View], bool]:
    """Some alarm is in one of the states; also set while no alarm's state is known."""
    return lambda v: not v.standing.alarms or not states.isdisjoint(v.standing.alarms.values())


_STATUS: tuple[tuple[str, str, bool, Callable[[View], bool]], ...] = (
    ("value_good", "the judged value is good", False, _trust_is(Trust.GOOD)),
    ("value_uncertain", "the judged value is uncertain", False, _trust_is(Trust.UNCERTAIN)),
    ("value_bad", "there is no judged value", True, _trust_is(Trust.BAD)),
    (
        "value_held",
        "the judged value is an earlier one, held",
        False,
        lambda v: (
            v.shown_quality in _HELD and (v.value_c is not None or JUDGED in v.standing.tests)
        ),
    ),
    ("link_up", "the analyzer can be read", False, lambda v: v.standing.link is LinkState.UP),
    (
        "maintenance",
        "the analyzer is in maintenance",
        False,
        _is_in(Phase.MAINTENANCE, "maintenance_now"),
    ),
    (
        "check_sample",
        "a check sample is being measured",
        False,
        _is_in(Phase.CHECK_SAMPLE, "check_sample_now"),
    ),
    (
        "test_active",
        "a test signal is shown in place of a point: nothing here may be used",
        False,
        lambda v: bool(v.standing.tests),
    ),
    (
        "possible_low_flash",
        "evidence of a low flash point stands",
        True,
        lambda v: v.standing.low_flash_alarm,
    ),
    ("alarm_active", "the condition of some alarm stands", True, _any_alarm(_STANDING)),
    (
        "alarm_unacknowledged",
        "some alarm has not been acknowledged",
        True,
        _any_alarm(_UNACKNOWLEDGED),
    ),
)
"""Name, meaning, what it reads while nothing is known, what sets it; in the order of the places."""

STATUS: tuple[StatusBit, ...] = tuple(
    StatusBit(Bit(place, name, meaning, unknown), is_set)
    for place, (name, meaning, unknown, is_set) in enumerate(_STATUS)
)
STATUS_BITS: tuple[Bit, ...] = tuple(one.bit for one in STATUS)
ALARM_BITS: tuple[Bit, ...] = tuple(
    Bit(alarm.code, alarm.name, alarm.title, True) for alarm in ALARMS
)
"""One bit for each alarm, at the place of its code."""


def status_word(view: View) -> int:
    """The status word. It changes with what it tells only, never with time alone."""
    return sum(1 << one.bit.place for one in STATUS if one.is_set(view))


def active_word(view: View) -> int | None:
    """The alarms whose condition stands; None while no alarm's state is known."""
    return _alarm_word(view.standing.alarms, _STANDING)


def unacknowledged_word(view: View) -> int | None:
    """The alarms that nobody has acknowledged; None while no alarm's state is known."""
    return _alarm_word(view.standing.alarms, _UNACKNOWLEDGED)


def _alarm_word(states: Mapping[str, AlarmState], wanted: frozenset[AlarmState]) -> int | None:
    # The alarm of a possible low flash is in force everywhere: without it nothing is known yet.
    # An alarm that an analyzer does not have is 0.
    if not states:
        return None
    return sum(1 << bit.place for bit in ALARM_BITS if states.get(bit.name) in wanted)


def unknown_word(bits: tuple[Bit, ...]) -> int:
    """What a word reads while nothing is known."""
    return sum(1 << bit.place for bit in bits if bit.unknown)


def bits_text(bits: tuple[Bit, ...]) -> str:
    """The bits for a description: place and name of each."""
    return ", ".join(f"{bit.place} {bit.name}" for bit in bits)
