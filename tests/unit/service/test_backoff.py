"""When to try again."""

from __future__ import annotations

import random

from hypothesis import given
from hypothesis import strategies as st

from edgeflash.service.backoff import backoff_s, next_slot_s


def test_delays_double_up_to_the_cap() -> None:
    """Without luck either way: 1, 2, 4, … up to the cap, for ever."""
    highest = [backoff_s(n, 1.0, 30.0, lambda: 1.0) for n in range(8)]
    assert highest == [1.0, 2.0, 4.0, 8.0, 16.0, 30.0, 30.0, 30.0]
    lowest = [backoff_s(n, 1.0, 30.0, lambda: 0.0) for n in range(8)]
    assert lowest == [0.5, 1.0, 2.0, 4.0, 8.0, 15.0, 15.0, 15.0]


@given(
    attempt=st.integers(0, 10**9),
    first_s=st.floats(0.01, 100),
    max_s=st.floats(0.01, 86_400),
    seed=st.integers(),
)
def test_delay_is_bounded_for_years(attempt: int, first_s: float, max_s: float, seed: int) -> None:
    """A link that failed a thousand million times still waits, and never longer than the cap."""
    delay_s = backoff_s(attempt, first_s, max_s, random.Random(seed).random)
    assert 0 < delay_s <= max_s
    assert delay_s >= 0.5 * min(first_s, max_s)


def test_gateways_started_together_come_back_apart() -> None:
    """A hundred links draw a hundred different delays."""
    source = random.Random(1)
    assert len({backoff_s(3, 1.0, 30.0, source.random) for _ in range(100)}) == 100


def test_missed_slots_are_left_out() -> None:
    """Work of 3.5 periods is followed by the slot at 4, not by three polls at once."""
    assert next_slot_s(10.0, 1.0, 10.2) == 11.0
    assert next_slot_s(10.0, 1.0, 13.5) == 14.0
    assert next_slot_s(10.0, 1.0, 9.0) == 11.0


@given(
    start_s=st.floats(0, 1e7),
    period_s=st.floats(0.01, 3600),
    busy=st.lists(st.floats(0, 5), min_size=1, max_size=20),
)
def test_slots_keep_to_the_grid(start_s: float, period_s: float, busy: list[float]) -> None:
    """Each slot lies ahead, at most one period away, a whole number of periods from the start."""
    slot_s = start_s
    for part in busy:
        now_s = slot_s + part * period_s
        slot_s = next_slot_s(slot_s, period_s, now_s)
        assert now_s < slot_s <= now_s + period_s * (1 + 1e-6) + 1e-6
        steps = (slot_s - start_s) / period_s
        assert abs(steps - round(steps)) < 1e-3
