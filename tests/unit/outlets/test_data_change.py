"""Filter, deadband, sampling and queue of monitored items.

Sources, from memory: OPC 10000-4, 5.12.1.5 (queue overflow, with the worked figure of a queue of
four), 7.22.2 (triggers, deadband), 7.39 (InfoType and Overflow bits); OPC 10000-8, 7.2 (percent).
"""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.outlets.data_change import (
    OVERFLOW_BITS,
    DeadbandError,
    Filter,
    Queue,
    Sample,
    Sampler,
    Trigger,
    absolute_deadband,
    is_change,
    percent_deadband,
)

AT = datetime(2031, 4, 5, tzinfo=UTC)
LATER = AT + timedelta(minutes=5)
GOOD, UNCERTAIN, BAD = 0, 0x40900000, 0x80310000
EVERY = Filter()


def sample(value: object, status: int = GOOD, at: datetime = AT) -> Sample:
    return Sample(value, status, at)


def test_the_overflow_bits() -> None:
    """InfoType 01 in bits 10 and 11, Overflow in bit 7."""
    assert OVERFLOW_BITS == (0b01 << 10) | (1 << 7)


def test_the_first_sample_is_a_change() -> None:
    assert is_change(Filter(Trigger.STATUS, 5.0), None, sample(None, BAD))


@pytest.mark.parametrize("trigger", list(Trigger))
@pytest.mark.parametrize("deadband", [0.0, 1000.0])
def test_a_status_change_always_passes(trigger: Trigger, deadband: float) -> None:
    """To bad, which has no value, from it, and to uncertain with the same value."""
    wanted = Filter(trigger, deadband)
    assert is_change(wanted, sample(60.0), sample(None, BAD))
    assert is_change(wanted, sample(None, BAD), sample(60.0))
    assert is_change(wanted, sample(60.0), sample(60.0, UNCERTAIN))
    assert is_change(wanted, sample(None, BAD), sample(None, 0x809B0000))


@pytest.mark.parametrize(
    ("trigger", "by_value", "by_time"),
    [
        (Trigger.STATUS, False, False),
        (Trigger.STATUS_VALUE, True, False),
        (Trigger.STATUS_VALUE_TIMESTAMP, True, True),
    ],
)
def test_triggers(trigger: Trigger, by_value: bool, by_time: bool) -> None:
    wanted = Filter(trigger)
    assert is_change(wanted, sample(60.0), sample(60.5)) is by_value
    assert is_change(wanted, sample(60.0), sample(60.0, at=LATER)) is by_time
    assert not is_change(wanted, sample(60.0), sample(60.0))


def test_with_a_deadband_a_moved_time_is_no_change() -> None:
    """7.22.2: with a deadband the third trigger is as the second."""
    wanted = Filter(Trigger.STATUS_VALUE_TIMESTAMP, 1.0)
    assert not is_change(wanted, sample(60.0), sample(60.0, at=LATER))
    assert is_change(wanted, sample(60.0), sample(61.5, at=LATER))


def test_a_deadband_must_be_exceeded() -> None:
    """abs(last - current) > deadband: the deadband itself is not enough."""
    assert not is_change(Filter(deadband=0.5), sample(60.0), sample(60.5))
    assert is_change(Filter(deadband=0.5), sample(60.0), sample(60.51))
    assert is_change(Filter(deadband=0.5), sample(60.0), sample(59.49))


def test_values_that_are_no_numbers() -> None:
    """NaN is NaN; it differs from any number; infinities, texts, flags and lists compare."""
    band = Filter(deadband=5.0)
    assert not is_change(band, sample(math.nan), sample(math.nan))
    assert not is_change(EVERY, sample(math.nan), sample(math.nan))
    assert is_change(band, sample(math.nan), sample(1.0))
    assert is_change(band, sample(1.0), sample(math.nan))
    assert not is_change(band, sample(math.inf), sample(math.inf))
    assert is_change(band, sample(math.inf), sample(-math.inf))
    assert is_change(band, sample("heat"), sample("purge"))
    assert is_change(EVERY, sample(False), sample(True))
    assert is_change(band, sample([1.0, 2.0]), sample([1.0, 8.0]))
    assert not is_change(band, sample([1.0, 2.0]), sample([1.0, 6.0]))
    assert is_change(band, sample([1.0]), sample([1.0, 1.0]))


def test_a_slow_drift_is_sent() -> None:
    """Compared with the last sent value, steps within the deadband add up."""
    wanted, before, sent = Filter(deadband=1.0), sample(60.0), 0
    for step in range(1, 101):
        now = sample(60.0 + 0.3 * step)
        if is_change(wanted, before, now):
            before, sent = now, sent + 1
    assert sent == 25  # every fourth step: 1.2 > 1.0, 0.9 is not


@given(
    st.lists(st.floats(allow_nan=False, allow_infinity=False, width=32), min_size=1),
    st.floats(min_value=0, max_value=1e6),
)
def test_the_client_is_never_off_by_more_than_the_deadband(
    values: list[float], deadband: float
) -> None:
    """What a client last got is within the deadband of what stands, at every instant."""
    wanted, before = Filter(deadband=deadband), None
    for value in values:
        now = sample(value)
        if before is None or is_change(wanted, before, now):
            before = now
        assert isinstance(before.value, float)
        assert abs(before.value - value) <= deadband


def test_percent_is_of_the_range() -> None:
    """10 % of -50 to 400 is 45."""
    assert percent_deadband(10.0, (-50.0, 400.0)) == pytest.approx(45.0)
    assert absolute_deadband(0.25) == 0.25


@pytest.mark.parametrize("percent", [-1.0, 100.5, math.nan, math.inf])
def test_a_wrong_percent_is_refused(percent: float) -> None:
    with pytest.raises(DeadbandError):
        percent_deadband(percent, (0.0, 1.0))


@pytest.mark.parametrize("eu_range", [None, (1.0, 1.0), (2.0, 1.0), (0.0, math.inf)])
def test_percent_needs_a_range(eu_range: tuple[float, float] | None) -> None:
    with pytest.raises(DeadbandError):
        percent_deadband(5.0, eu_range)


@pytest.mark.parametrize("deadband", [-0.1, math.nan, math.inf])
def test_a_wrong_absolute_deadband_is_refused(deadband: float) -> None:
    with pytest.raises(DeadbandError):
        absolute_deadband(deadband)


def content(queue: Queue[int]) -> list[tuple[int, bool]]:
    return [(q.item, q.overflowed) for q in queue.take(len(queue))]


def test_overflow_with_the_oldest_discarded() -> None:
    """The figure of 5.12.1.5: the one that is the oldest after the loss is marked."""
    queue = Queue[int](4, discard_oldest=True)
    assert [queue.put(n) for n in range(1, 7)] == [True] * 4 + [False] * 2
    assert content(queue) == [(3, True), (4, False), (5, False), (6, False)]


def test_overflow_with_the_newest_discarded() -> None:
    """The figure of 5.12.1.5: the one that took the place of the lost one is marked."""
    queue = Queue[int](4, discard_oldest=False)
    for number in range(1, 7):
        queue.put(number)
    assert content(queue) == [(1, False), (2, False), (3, False), (6, True)]


@pytest.mark.parametrize("discard_oldest", [True, False])
def test_a_queue_of_one_holds_the_newest_unmarked(discard_oldest: bool) -> None:
    queue = Queue[int](1, discard_oldest)
    for number in range(5):
        queue.put(number)
    assert content(queue) == [(4, False)]


@given(st.integers(2, 10), st.booleans(), st.lists(st.integers(1, 10), max_size=20))
def test_a_loss_is_always_marked_and_only_a_loss(
    size: int, discard_oldest: bool, bursts: list[int]
) -> None:
    """Between two takes: a mark where something is missing, in order, the newest always there."""
    queue, number = Queue[int](size, discard_oldest), 0
    for burst in bursts:
        first = number
        for _ in range(burst):
            queue.put(number)
            number += 1
        taken = content(queue)
        numbers = [one for one, _ in taken]
        assert numbers == sorted(numbers)
        assert numbers[-1] == number - 1
        assert any(marked for _, marked in taken) == (burst > size)
        if burst > size:
            place = 0 if discard_oldest else -1
            assert taken[place][1]
        assert len(taken) == min(burst, size)
        assert numbers[0] == (number - len(taken) if discard_oldest else first)


def test_a_smaller_queue_marks_what_it_lost() -> None:
    for discard_oldest, left in ((True, [(3, True), (4, False)]), (False, [(1, False), (2, True)])):
        queue = Queue[int](4, discard_oldest)
        for number in range(1, 5):
            queue.put(number)
        queue.resize(2, discard_oldest)
        assert content(queue) == left


def test_sampling_at_zero_takes_every_change() -> None:
    sampler = Sampler[int](0.0, 100.0)
    assert [list(sampler.changed(n, 100.0)) for n in (1, 2)] == [[1], [2]]
    assert not sampler.is_waiting


def test_sampling_takes_what_stands_at_its_instants() -> None:
    """Every second: of two changes in one second only the last is seen, and by its instant."""
    sampler = Sampler[str](1.0, 0.0)
    assert list(sampler.changed("a", 0.2)) == []
    assert list(sampler.changed("b", 0.9)) == []
    assert list(sampler.due(0.99)) == []
    assert list(sampler.due(1.0)) == ["b"]
    assert list(sampler.changed("c", 1.5)) == []
    assert list(sampler.changed("d", 5.5)) == ["c"]
    assert list(sampler.due(5.9)) == []
    assert list(sampler.at_once()) == ["d"]
    assert list(sampler.due(9.0)) == []


@given(
    st.lists(st.floats(0.01, 3.0), max_size=40),
    st.floats(0.1, 2.0),
    st.floats(0.1, 5.0),
)
def test_sampling_is_as_with_a_timer(gaps: list[float], interval: float, look: float) -> None:
    """Against a simulation that reads the value at every instant, whenever one looks."""
    times: list[float] = []
    for gap in gaps:
        times.append((times[-1] if times else 0.0) + gap)
    end = (times[-1] if times else 0.0) + interval + look
    sampler, seen = Sampler[int](interval, 0.0), list[int]()
    events = sorted([(t, 1, n) for n, t in enumerate(times)] + _looks(look, end))
    for t, kind, number in events:
        seen += sampler.changed(number, t) if kind else sampler.due(t)
    seen += sampler.due(end + interval)
    wanted: list[int] = []
    for place in range(1, int(end // interval) + 3):
        standing = [n for n, t in enumerate(times) if t // interval < place]
        if standing and (not wanted or wanted[-1] != standing[-1]):
            wanted.append(standing[-1])
    assert seen == wanted


def _looks(every: float, end: float) -> list[tuple[float, int, int]]:
    return [(every * n, 0, 0) for n in range(1, int(end // every) + 1)]


def test_another_pace_begins_anew() -> None:
    sampler = Sampler[int](10.0, 0.0)
    sampler.changed(7, 1.0)
    assert list(sampler.paced(2.0, 5.0)) == []
    assert list(sampler.due(6.9)) == []
    assert list(sampler.due(7.0)) == [7]
    sampler.changed(8, 7.5)
    assert list(sampler.paced(0.0, 8.0)) == [8]
    assert not sampler.is_waiting
