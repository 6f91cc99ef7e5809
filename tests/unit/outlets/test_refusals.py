"""Refused clients are told of once, then hourly with a count."""

from __future__ import annotations

from edgeflash.outlets.refusals import MOST_PEERS, TELL_EVERY_S, Refusals


def test_a_client_that_keeps_trying_is_told_of_once_an_hour() -> None:
    """The first refusal, then the number of those that came since."""
    now_s = 0.0
    refusals = Refusals(lambda: now_s)
    assert refusals.note("10.0.0.9") == 1
    assert [refusals.note("10.0.0.9") for _ in range(50)] == [None] * 50
    assert refusals.note("10.0.0.8") == 1
    now_s = TELL_EVERY_S
    assert refusals.note("10.0.0.9") == 51
    assert refusals.note("10.0.0.9") is None
    assert refusals.count == 54


def test_the_memory_is_bounded() -> None:
    """The oldest peer is forgotten when too many come."""
    refusals = Refusals(lambda: 0.0)
    for n in range(MOST_PEERS + 1):
        assert refusals.note(f"peer {n}") == 1
    assert refusals.note("peer 1") is None
    assert refusals.note("peer 0") == 1
