"""The bucket of requests: a burst, a rate, one for each client, bounded."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from edgeflash.outlets.request_rate import MOST_CLIENTS, RequestRate


def test_a_burst_then_the_rate() -> None:
    """A second's worth at once; then one more for each tenth of a second at ten in one."""
    rate = RequestRate(10)
    assert [rate.admits("a", 0.0) for _ in range(12)] == [True] * 10 + [False] * 2
    assert not rate.admits("a", 0.09)
    assert rate.admits("a", 0.1001)
    assert not rate.admits("a", 0.1002)
    assert [rate.admits("a", 60.0) for _ in range(12)] == [True] * 10 + [False] * 2


def test_clients_do_not_share() -> None:
    """One that asks too much takes nothing from the next."""
    rate = RequestRate(1)
    assert rate.admits("a", 0.0)
    assert not rate.admits("a", 0.0)
    assert rate.admits("b", 0.0)


def test_a_clock_that_runs_back_gives_nothing() -> None:
    """Neither going back nor coming again to the same instant fills the bucket."""
    rate = RequestRate(1)
    assert rate.admits("a", 100.0)
    assert not rate.admits("a", 50.0)
    assert not rate.admits("a", 100.5)
    assert rate.admits("a", 101.0)


def test_memory_is_bounded() -> None:
    """The client that asked longest ago is forgotten first; who asks stays."""
    rate = RequestRate(1)
    assert rate.admits("first", 0.0)
    for n in range(3 * MOST_CLIENTS):
        rate.admits(f"client {n}", 0.0)
        assert not rate.admits("first", 0.0)
    assert len(rate._buckets) == MOST_CLIENTS


@given(st.lists(st.floats(0, 0.2), max_size=200), st.integers(1, 20))
def test_never_more_than_burst_and_rate(gaps: list[float], per_s: int) -> None:
    """Over any time, at most one second's worth and the rate times that time."""
    rate, now_s, admitted = RequestRate(per_s), 0.0, 0
    for gap in gaps:
        now_s += gap
        admitted += rate.admits("a", now_s)
    assert admitted <= per_s + per_s * now_s + 1e-6
