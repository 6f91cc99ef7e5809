"""Continuation points: bounded, timed, and of one node. Source: OPC 10000-4, 7.9, from memory."""

from __future__ import annotations

from collections.abc import Iterator

from edgeflash.outlets.continuations import KEPT_S, MAX_HELD, Continuations


def kept(most: int = 3) -> Continuations[str]:
    tokens: Iterator[int] = iter(range(1000))
    return Continuations(lambda: str(next(tokens)).encode(), most)


def test_a_token_serves_once() -> None:
    one = kept()
    token = one.keep("a", "rest", 0.0)
    assert token is not None
    assert one.take(token, "a", 1.0) == "rest"
    assert one.take(token, "a", 1.0) is None


def test_a_token_of_another_node_is_none_and_stays() -> None:
    one = kept()
    token = one.keep("a", "rest", 0.0)
    assert token is not None
    assert one.take(token, "b", 1.0) is None
    assert one.take(token, "a", 1.0) == "rest"


def test_there_is_room_for_so_many() -> None:
    one = kept(2)
    first = one.keep("a", "1", 0.0)
    one.keep("a", "2", 0.0)
    assert one.keep("a", "3", 0.0) is None
    assert first is not None
    one.take(first, "a", 0.0)
    assert one.keep("a", "3", 0.0) is not None


def test_an_old_one_is_dropped_and_makes_room() -> None:
    one = kept(1)
    token = one.keep("a", "1", 0.0)
    assert token is not None
    assert one.keep("a", "2", KEPT_S - 1.0) is None
    assert one.keep("a", "2", KEPT_S) is not None
    assert one.take(token, "a", KEPT_S) is None
    assert len(one) == 1


def test_what_open_readings_keep_of_requests_is_bounded() -> None:
    """Together so many elements; what several nodes of one request keep counts once."""
    tokens: Iterator[int] = iter(range(1000))
    one: Continuations[list[int]] = Continuations(
        lambda: str(next(tokens)).encode(), 100, held=lambda task: task
    )
    shared = [0] * (MAX_HELD // 2)
    for _ in range(10):
        assert one.keep("a", shared, 0.0) is not None
    token = one.keep("a", [0] * (MAX_HELD // 2), 0.0)
    assert token is not None
    assert one.keep("a", [0], 0.0) is None
    assert one.keep("a", shared, 0.0) is not None
    one.take(token, "a", 0.0)
    assert one.keep("a", [0], 0.0) is not None
