"""A flood is let through as a burst and then a trickle."""

from __future__ import annotations

from edgeflash.outlets.bucket import Bucket


def test_a_burst_then_one_a_second() -> None:
    """Asked ten times a second for 20 s: 8 at once, then 1 a second; after a pause, 8 again."""
    now_s = 0.0
    bucket = Bucket(8, 1.0, lambda: now_s)
    taken = []
    for _ in range(200):
        if bucket.take():
            taken.append(now_s)
        now_s += 0.1
    assert len([moment for moment in taken if moment < 0.75]) == 8
    assert 26 <= len(taken) <= 28
    now_s += 100.0
    assert sum(bucket.take() for _ in range(20)) == 8
