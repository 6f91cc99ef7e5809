"""When a subscription sends, keeps silent, or ends: its counters. Pure.

Source: OPC 10000-4, 5.13.1 (subscription model: keep-alive and lifetime), from memory.
"""

from __future__ import annotations

from enum import Enum, auto

LIFETIMES_PER_KEEP_ALIVE = 3
"""A subscription lives at least so many keep-alive times without its client (5.13.2.2)."""


class Step(Enum):
    """What a publishing cycle does."""

    REST = auto()
    SEND = auto()
    """Notifications where there are any, else a keep-alive."""
    EXPIRE = auto()


class Cadence:
    """Counts the publishing cycles of one subscription.

    keep_alive_count: silent cycles up to a keep-alive. lifetime_count: cycles without a sign of
    the client (a request for this subscription, or an answer that it took) up to the end.
    """

    def __init__(self, keep_alive_count: int, lifetime_count: int) -> None:
        self._keep_alive_count = keep_alive_count
        self._lifetime_count = lifetime_count
        self._silent = 0
        self._alone = 0
        self._is_first = True

    def cycle(self, has_news: bool) -> Step:
        """One publishing interval is over."""
        self._alone += 1
        self._silent += 1
        if self._alone > self._lifetime_count:
            return Step.EXPIRE
        if has_news or self._is_first or self._silent >= self._keep_alive_count:
            return Step.SEND
        return Step.REST

    def sent(self) -> None:
        """An answer went out to the client, who had asked for it."""
        self._silent = self._alone = 0
        self._is_first = False

    def heard(self) -> None:
        """The client used the subscription."""
        self._alone = 0

    def revise(self, keep_alive_count: int, lifetime_count: int) -> None:
        """Other limits from now on."""
        self._keep_alive_count = keep_alive_count
        self._lifetime_count = lifetime_count
        self.heard()


def revised_counts(
    keep_alive_count: int, lifetime_count: int, most_keep_alive: int, most_lifetime: int
) -> tuple[int, int]:
    """What is granted of the asked keep-alive and lifetime counts; 0 asks for the most."""
    keep_alive = min(keep_alive_count, most_keep_alive) or most_keep_alive
    lifetime = min(lifetime_count, most_lifetime) or most_lifetime
    keep_alive = min(keep_alive, most_lifetime // LIFETIMES_PER_KEEP_ALIVE)
    return keep_alive, max(lifetime, LIFETIMES_PER_KEEP_ALIVE * keep_alive)


def revised_interval(asked_ms: float, least_ms: float, most_ms: float) -> float:
    """An interval within its limits; the least for one that is no number."""
    if not asked_ms >= least_ms:  # false for NaN too
        return least_ms
    return min(asked_ms, most_ms)


def revised_sampling(
    asked_ms: float, publishing_ms: float, least_ms: float, most_ms: float
) -> float:
    """The sampling interval that is granted: 0 takes every change, below 0 means as published."""
    if asked_ms == 0.0:
        return 0.0
    if not asked_ms > 0.0:
        return publishing_ms
    return revised_interval(asked_ms, least_ms, most_ms)
