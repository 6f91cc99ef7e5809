"""What of a changing value a subscriber is sent: filter, deadband, sampling, queue. Pure.

Sources: OPC 10000-4, 5.12.1 (monitored items, their queues), 7.22.2 (DataChangeFilter) and 7.39
(the Overflow bit); OPC 10000-8, 7.2 (percent deadband). All from memory.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import IntEnum
from math import isfinite, isnan
from typing import Generic, TypeVar

from edgeflash.errors import EdgeflashError

OVERFLOW_BITS = 0x0480
"""Added to a status code: InfoType DataValue (bits 10, 11 = 01) and Overflow (bit 7)."""

GOOD_BITS = 0xFFFF0000
"""The part of a status code that says the status; the rest is what is said of the value."""

T = TypeVar("T")


class Trigger(IntEnum):
    """What makes a change; the numbers are those of OPC UA's DataChangeTrigger."""

    STATUS = 0
    STATUS_VALUE = 1
    STATUS_VALUE_TIMESTAMP = 2


@dataclass(frozen=True, slots=True)
class Sample:
    """A value as it was at one instant. value: a scalar, or a list; None when there is none."""

    value: object
    status: int
    source_time: datetime | None


@dataclass(frozen=True, slots=True)
class Filter:
    """Which changes count. deadband: absolute, in the value's own unit; 0: every change."""

    trigger: Trigger = Trigger.STATUS_VALUE
    deadband: float = 0.0


class DeadbandError(EdgeflashError):
    """A client asked for a deadband that cannot be."""


def absolute_deadband(deadband: float) -> float:
    """The deadband as asked. Raises DeadbandError when it is negative or not finite."""
    if not (isfinite(deadband) and deadband >= 0.0):
        raise DeadbandError(f"an absolute deadband of {deadband}")
    return deadband


def percent_deadband(percent: float, eu_range: tuple[float, float] | None) -> float:
    """Percent of the range of engineering units as an absolute deadband.

    Raises DeadbandError beyond 0 to 100 %, and without a range (OPC 10000-8, 7.2: both are
    BadDeadbandFilterInvalid).
    """
    if not 0.0 <= percent <= 100.0:
        raise DeadbandError(f"a deadband of {percent} %")
    if eu_range is None:
        raise DeadbandError("a percent deadband on a value without EURange")
    low, high = eu_range
    span = high - low
    if not (isfinite(span) and span > 0.0):
        raise DeadbandError(f"a percent deadband on the range {low} to {high}")
    return percent / 100.0 * span


def is_change(wanted: Filter, before: Sample | None, now: Sample) -> bool:
    """Whether `now` is sent after `before`, the last one that was put into the queue.

    A status change always is, with a value or without. With a deadband, a moved source time alone
    is none (7.22.2). NaN is the same as NaN, and any number differs from it by more than a
    deadband.
    """
    if before is None or before.status & GOOD_BITS != now.status & GOOD_BITS:
        return True
    if wanted.trigger is Trigger.STATUS:
        return False
    if _differs(wanted.deadband, before.value, now.value):
        return True
    by_time = wanted.trigger is Trigger.STATUS_VALUE_TIMESTAMP and wanted.deadband == 0.0
    return by_time and before.source_time != now.source_time


def _differs(deadband: float, before: object, now: object) -> bool:
    """Whether a value, or any element of a list, moved by more than the deadband."""
    if isinstance(before, list) and isinstance(now, list):
        return len(before) != len(now) or any(
            _differs(deadband, one, other) for one, other in zip(before, now, strict=True)
        )
    if _is_number(before) and _is_number(now):
        assert isinstance(before, int | float) and isinstance(now, int | float)
        if isnan(before) or isnan(now):
            return isnan(before) != isnan(now)
        if before == now:  # infinities too, whose difference is no number
            return False
        return abs(now - before) > deadband
    return before != now


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


class Sampler(Generic[T]):
    """Sees a value at a fixed interval, told only when it changes.

    The instants are `begun_s`, `begun_s` + interval and so on, on the monotonic clock. What stood
    at an instant is known as soon as a later change or a look comes; so no timer is needed, and
    of several changes between two instants only the last is seen, as with a real sampling.
    interval_s: 0 takes every change as it comes.
    """

    def __init__(self, interval_s: float, begun_s: float) -> None:
        self._interval_s = interval_s
        self._begun_s = begun_s
        self._waiting: tuple[int, T] | None = None

    @property
    def is_waiting(self) -> bool:
        """True when a change waits for the next instant."""
        return self._waiting is not None

    def changed(self, value: T, now_s: float) -> Sequence[T]:
        """Tells a change; gives the values that were sampled by it."""
        if self._interval_s <= 0.0:
            return (value,)
        seen = self.due(now_s)
        self._waiting = (self._place(now_s), value)
        return seen

    def due(self, now_s: float) -> Sequence[T]:
        """The value that an instant since its change has seen, if one waits."""
        if self._waiting is None:
            return ()
        place, value = self._waiting
        if self._place(now_s) <= place:
            return ()
        self._waiting = None
        return (value,)

    def at_once(self) -> Sequence[T]:
        """What waits, without waiting for its instant; it then waits no more."""
        if self._waiting is None:
            return ()
        value = self._waiting[1]
        self._waiting = None
        return (value,)

    def paced(self, interval_s: float, now_s: float) -> Sequence[T]:
        """Takes another interval from now on; gives what still waited when that is 0."""
        waited = self.at_once()
        self._interval_s, self._begun_s = interval_s, now_s
        if interval_s <= 0.0:
            return waited
        self._waiting = (0, waited[0]) if waited else None
        return ()

    def _place(self, now_s: float) -> int:
        return int((now_s - self._begun_s) // self._interval_s)


@dataclass(slots=True)
class Queued(Generic[T]):
    """One waiting notification. overflowed: others were lost beside it."""

    item: T
    overflowed: bool = False


class Queue(Generic[T]):
    """Notifications that wait for a publish, at most `size` of them.

    When full: with discard_oldest the oldest is lost and the one that is the oldest then is
    marked; else the newest is replaced, and the one that took its place is marked. A queue of one
    holds the newest, unmarked: it is a buffer, from which nothing is expected to be complete
    (5.12.1.5).
    """

    def __init__(self, size: int, discard_oldest: bool = True) -> None:
        self._size = max(1, size)
        self._discard_oldest = discard_oldest
        self._waiting: deque[Queued[T]] = deque()

    def __len__(self) -> int:
        return len(self._waiting)

    def put(self, item: T) -> bool:
        """Adds the newest; False when another one was lost for it."""
        if len(self._waiting) < self._size:
            self._waiting.append(Queued(item))
            return True
        if self._size == 1:
            self._waiting[0] = Queued(item)
        elif self._discard_oldest:
            self._waiting.popleft()
            self._waiting[0].overflowed = True
            self._waiting.append(Queued(item))
        else:
            self._waiting[-1] = Queued(item, overflowed=True)
        return False

    def take(self, count: int) -> list[Queued[T]]:
        """Up to `count`, the oldest first; they are gone from the queue."""
        return [self._waiting.popleft() for _ in range(min(count, len(self._waiting)))]

    def resize(self, size: int, discard_oldest: bool) -> None:
        """Another size and policy; what no longer fits is lost by the new policy."""
        self._size, self._discard_oldest = max(1, size), discard_oldest
        surplus = len(self._waiting) - self._size
        if surplus <= 0:
            return
        for _ in range(surplus):
            if discard_oldest or self._size == 1:
                self._waiting.popleft()
            else:
                self._waiting.pop()
        if self._size > 1:
            self._waiting[0 if discard_oldest else -1].overflowed = True

    def clear(self) -> None:
        """Drops all."""
        self._waiting.clear()
