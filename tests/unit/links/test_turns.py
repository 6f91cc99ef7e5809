"""Turns on a shared line, in simulated time: fair, and no unit kept waiting for ever."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from edgeflash.links.turns import Turns


def test_longest_unserved_first() -> None:
    """Turn by turn, whoever asks faster."""
    turns = Turns(10.0)
    order = []
    for _ in range(6):
        unit = turns.next({7: 0.0, 3: 0.0}, 0.0)
        assert unit is not None
        turns.note(unit, is_silent=False, now_s=0.0)
        order.append(unit)
    assert order in ([7, 3] * 3, [3, 7] * 3)


def test_a_unit_left_alone_waits() -> None:
    """Until its time, and others go on."""
    turns = Turns(10.0)
    turns.leave_alone(3, 5.0)
    assert turns.next({3: 0.0, 7: 0.0}, 1.0) == 7
    assert turns.next({3: 0.0}, 4.9) is None
    assert turns.wait_s([3], 4.0) == 1.0
    assert turns.next({3: 0.0}, 5.0) == 3
    turns.leave_alone(3, 4.0)
    assert turns.wait_s([3], 4.0) == 1.0, "a later word does not shorten it"
    assert turns.wait_s([], 0.0) is None


def test_nobody_after_opening() -> None:
    """A line just opened is quiet for as long as somebody's answer may be under way."""
    turns = Turns(10.0)
    turns.leave_all_alone(2.0)
    assert turns.next({1: 0.0, 2: 0.0}, 1.9) is None
    assert turns.wait_s([1, 2], 1.5) == 0.5
    assert turns.next({1: 0.0}, 2.0) == 1


@settings(max_examples=60, deadline=None)
@given(
    st.integers(1, 5),
    st.integers(0, 6),
    st.floats(0.001, 0.2),
    st.floats(0.1, 3.0),
)
def test_silent_units_take_little(live: int, dead: int, answer_s: float, limit_s: float) -> None:
    """However many units are dead: between two of their turns each live one has its own, and each
    dead one is asked within a bounded time."""
    turns = Turns(patience_s=10 * limit_s)
    now_s = 0.0
    units = range(live + dead)  # the last ones are dead
    for unit in units:
        turns.note(unit, is_silent=unit >= live, now_s=0.0)
    since = dict.fromkeys(units, now_s)
    order = []
    for _ in range(int(60 * limit_s * max(1, dead) / answer_s) + 50):
        unit = turns.next(since, now_s)
        assert unit is not None
        order.append(unit)
        now_s += answer_s if unit < live else limit_s
        turns.note(unit, is_silent=unit >= live, now_s=now_s)
        since[unit] = now_s
        if len(order) > 2000:
            break
    asked = [at for at, unit in enumerate(order) if unit >= live]
    if 10 * limit_s > (live + 1) * answer_s:
        for before, after in pairwise(asked):
            assert set(order[before + 1 : after]) == set(range(live))
    if dead and now_s > 12 * limit_s * dead:
        assert {order[at] for at in asked} == set(range(live, live + dead))
