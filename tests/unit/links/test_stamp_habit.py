"""Stamps that move by themselves, and stop. What a stamp may mean: OPC 10000-4, 7.11 (from memory);
servers that stamp samples: common practice, no source."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from edgeflash.links.opcua_values import NodeValue
from edgeflash.links.stamp_habit import HABIT_READINGS, StampHabit

START = datetime(2026, 5, 1, 12, tzinfo=UTC)
CYCLE_S = 170.0


def number(second: float, stamped_s: float | None) -> NodeValue:
    """The number of the cycle that ended before, as stamped."""
    stamp = None if stamped_s is None else START + timedelta(seconds=stamped_s)
    return NodeValue(int(second // CYCLE_S), source_time=stamp)


def still_at(
    stamped_s: dict[float, float | None] | list[tuple[float, float | None]],
) -> list[float]:
    """The readings at which nobody samples."""
    habit, found = StampHabit(), []
    for second, stamp_s in dict(stamped_s).items():
        habit.note(number(second, stamp_s), second)
        if habit.is_still:
            found.append(second)
    return found


def test_stamps_of_samples_that_stop() -> None:
    """A minute's samples, then the last one for ever: said after 30 s, and until it moves."""
    readings = [(float(s), float(min(s, 60))) for s in range(150)]
    assert still_at(readings) == [float(s) for s in range(91, 150)]
    assert still_at([*readings, (150.0, 150.0), (151.0, 150.0)])[-1] == 149.0


def test_a_server_that_stamps_changes_is_never_said_to_stand() -> None:
    """A day, and the number stands for an hour in it; nor one without stamps."""
    stood = [(float(s), CYCLE_S * (s // CYCLE_S)) for s in range(3 * 3600)]
    stood += [(float(s), stood[-1][1]) for s in range(3 * 3600, 4 * 3600)]
    assert still_at(stood) == []
    assert still_at([(float(s), None) for s in range(600)]) == []


def test_a_slow_sampler_may_be_slow() -> None:
    """Read every second, sampled every ten: such a habit cannot be seen, and is not used. Read as
    slowly as it is sampled, ten of its pauses may pass."""
    slow: list[tuple[float, float | None]] = [(float(s), 10.0 * (s // 10)) for s in range(3600)]
    assert still_at(slow) == []
    every_20_s = [(20.0 * n, 20.0 * min(n, 2 * HABIT_READINGS)) for n in range(100)]
    last_s = 20.0 * 2 * HABIT_READINGS
    assert still_at(every_20_s)[0] == last_s + 220.0


def test_a_habit_that_has_changed_is_given_up() -> None:
    """Samples no longer stamped, but results still come: said once, within one cycle."""
    readings: list[tuple[float, float | None]] = [(float(s), float(s)) for s in range(100)]
    readings += [
        (float(s), max(99.0, CYCLE_S * (s // CYCLE_S))) for s in range(100, 6 * int(CYCLE_S))
    ]
    assert still_at(readings)[-1] < CYCLE_S


def test_only_what_was_good_and_is_not_newer_is_doubted() -> None:
    """A bad value stays bad; one that is still sampled stays good."""
    habit = StampHabit()
    for second in range(150):
        habit.note(number(float(second), float(min(second, 60))), float(second))
    old, new = (START + timedelta(seconds=s) for s in (60.0, 149.0))
    doubted = habit.judged(NodeValue(61.5, source_time=old))
    assert (doubted.value, doubted.told) == (61.5, "UncertainLastUsableValue")
    assert habit.judged(NodeValue(61.5)).told == "UncertainLastUsableValue"
    bad = NodeValue(None, 0x80310000, "BadNoCommunication")
    fresh = NodeValue(61.5, source_time=new)
    assert (habit.judged(bad), habit.judged(fresh)) == (bad, fresh)
