"""Keep-alive, lifetime and revised times. Source: OPC 10000-4, 5.13.1 and 5.13.2, from memory."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.outlets.publishing import (
    Cadence,
    Step,
    revised_counts,
    revised_interval,
    revised_sampling,
)


def test_the_first_cycle_sends_whatever_there_is() -> None:
    assert Cadence(10, 30).cycle(has_news=False) is Step.SEND


def test_silence_is_broken_by_a_keep_alive() -> None:
    """With a count of 3: two silent cycles, a keep-alive in the third, and again."""
    cadence = Cadence(3, 9)
    cadence.cycle(False)
    cadence.sent()
    steps = []
    for _ in range(6):
        steps.append(cadence.cycle(False))
        if steps[-1] is Step.SEND:
            cadence.sent()
    assert steps == [Step.REST, Step.REST, Step.SEND] * 2


def test_news_is_sent_at_once_and_counts_as_a_sign_of_life() -> None:
    cadence = Cadence(3, 9)
    cadence.cycle(False)
    cadence.sent()
    cadence.cycle(False)
    assert cadence.cycle(True) is Step.SEND
    cadence.sent()
    assert cadence.cycle(False) is Step.REST


def test_a_subscription_that_nobody_asks_for_ends() -> None:
    """Lifetime 9: in the tenth cycle without an answer taken."""
    cadence = Cadence(3, 9)
    assert [cadence.cycle(True) for _ in range(10)] == [Step.SEND] * 9 + [Step.EXPIRE]


def test_a_request_of_the_client_begins_its_lifetime_anew() -> None:
    cadence = Cadence(3, 9)
    for _ in range(8):
        cadence.cycle(False)
    cadence.heard()
    assert all(cadence.cycle(False) is not Step.EXPIRE for _ in range(9))
    assert cadence.cycle(False) is Step.EXPIRE


@given(st.integers(0, 2**32 - 1), st.integers(0, 2**32 - 1))
def test_a_lifetime_is_three_keep_alives_at_least(keep_alive: int, lifetime: int) -> None:
    granted, lives = revised_counts(keep_alive, lifetime, 5000, 15_000)
    assert 1 <= granted <= 5000
    assert 3 * granted <= lives <= 15_000


def test_granted_counts() -> None:
    assert revised_counts(10, 100, 5000, 15_000) == (10, 100)
    assert revised_counts(10, 5, 5000, 15_000) == (10, 30)
    assert revised_counts(0, 0, 5000, 15_000) == (5000, 15_000)


@pytest.mark.parametrize(
    ("asked", "granted"),
    [(0.0, 50.0), (-5.0, 50.0), (math.nan, 50.0), (70.0, 70.0), (math.inf, 1000.0)],
)
def test_intervals_keep_their_limits(asked: float, granted: float) -> None:
    assert revised_interval(asked, 50.0, 1000.0) == granted


@pytest.mark.parametrize(
    ("asked", "granted"),
    [(0.0, 0.0), (-1.0, 500.0), (math.nan, 500.0), (1.0, 50.0), (80.0, 80.0), (1e12, 1000.0)],
)
def test_sampling_intervals(asked: float, granted: float) -> None:
    """7.21: 0 is the fastest there is, -1 that of the subscription."""
    assert revised_sampling(asked, 500.0, 50.0, 1000.0) == granted
