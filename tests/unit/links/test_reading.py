"""Polls against an image of registers: what is read when, and what is made of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edgeflash.config.register_map import Encoding, RolePlace, Table
from edgeflash.links.errors import LinkError, LinkFault, PlanError
from edgeflash.links.reading import (
    ATTEMPTS_PER_POLL,
    BODY_ROLES,
    LIVE_ROLES,
    POLLS_PER_CYCLE,
    MapReading,
    Mark,
    ReadingState,
    is_new,
    is_skip,
    prepare,
    scan_steps,
)
from edgeflash.links.source import read_scan
from edgeflash.model import CycleBody, Role, Scan
from tests.unit.links.image import SAMPLES, START, AnalyzerImage, analyzer_map

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
NO_TRACE = (
    Role.TRACE_CYCLE,
    Role.TRACE_LENGTH,
    Role.TRACE_TIME,
    Role.TRACE_TEMPERATURE,
    Role.TRACE_PRESSURE,
)


def time_of(number: int) -> datetime:
    return START + timedelta(minutes=number)


class Poller:
    """A link without I/O: keeps the state between polls."""

    def __init__(
        self, image: AnalyzerImage, reading: MapReading | None = None, last: Mark | None = None
    ) -> None:
        self.image = image
        self.reading = reading or prepare("cup", analyzer_map())
        self.state = ReadingState(last)

    def poll(self) -> Scan:
        self.image.reads.clear()
        scan, self.state = self.image.play(scan_steps(self.reading, self.state, NOW, 1.0))
        return scan


def belongs_to(body: CycleBody) -> set[float]:
    """The cycle numbers that the values of a body come from."""
    found = {body.values[role] for role in (Role.CYCLE_NUMBER, Role.ALIVE)}
    for role, address in (
        (Role.FLASH_POINT, 6),
        (Role.SAMPLE_TEMPERATURE, 8),
        (Role.PEAK_PRESSURE, 40),
        (Role.HEATING_RATE, 80),
    ):
        value = body.values[role]
        assert isinstance(value, float)
        found.add(value - address / 128)
    time = body.values[Role.RESULT_TIME]
    assert isinstance(time, datetime)
    found.add((time - START) / timedelta(minutes=1))
    if body.trace is not None:
        found |= set(body.trace.temperature_c) | set(body.trace.pressure_kpa - 0.25)
    return {float(number) for number in found if isinstance(number, int | float)}


def test_first_scan_brings_live_values_body_trace_and_ring() -> None:
    """With nothing known, the last finished cycle and the ring come at once."""
    image = AnalyzerImage()
    for number in (5, 6, 7):
        image.finish(number)
    scan = Poller(image).poll()
    assert (scan.analyzer, scan.taken_at, scan.taken_mono_s) == ("cup", NOW, 1.0)
    assert scan.live[Role.FLASH_POINT] == 7 + 6 / 128
    assert Role.HEATING_RATE not in scan.live
    assert scan.body is not None
    assert scan.body.cycle_number == 7
    assert not scan.body.torn
    assert belongs_to(scan.body) == {7.0}
    assert scan.body.trace is not None
    assert len(scan.body.trace) == SAMPLES
    assert [r.cycle_number for r in scan.recent] == [5, 6, 7]
    assert [r.flash_point_c for r in scan.recent] == [5.5, 6.5, 7.5]
    assert [r.result_time for r in scan.recent] == [time_of(n) for n in (5, 6, 7)]


def test_between_cycles_only_the_live_group_is_read() -> None:
    """One request a poll in this map, and no body twice."""
    image = AnalyzerImage(7)
    poller = Poller(image)
    poller.poll()
    for _ in range(3):
        scan = poller.poll()
        assert scan.body is None
        assert scan.recent == ()
        assert [(b.address, b.count) for b in image.reads] == [(0, 10)]


def test_next_cycle_is_delivered_once_without_the_ring() -> None:
    """The number that follows, and the one after the wrap, are no skips."""
    image = AnalyzerImage(998)
    poller = Poller(image)
    poller.poll()
    for number in (999, 1, 2):
        image.finish(number, time_of(1000 + number))
        scan = poller.poll()
        assert scan.body is not None
        assert scan.body.cycle_number == number
        assert scan.recent == ()
        assert poller.poll().body is None


@pytest.mark.parametrize("number", [9, 3, 1, 999])
def test_a_skipped_or_reset_number_brings_the_ring(number: int) -> None:
    """After 6, anything but 7 means something was missed or the counter started again."""
    image = AnalyzerImage(6)
    poller = Poller(image)
    poller.poll()
    image.finish(number, time_of(1000))
    scan = poller.poll()
    assert scan.body is not None
    assert [r.cycle_number for r in scan.recent][-1] == number
    assert poller.poll().recent == ()


def test_a_known_cycle_is_not_delivered_again_after_a_restart() -> None:
    """The journal's mark holds the cycle back; another number or another time lets it through."""
    image = AnalyzerImage(7)
    scan = Poller(image, last=Mark(7, time_of(7))).poll()
    assert scan.body is None
    assert [r.cycle_number for r in scan.recent] == [7]
    assert Poller(image, last=Mark(7, None)).poll().body is None
    assert Poller(image, last=Mark(6, time_of(7))).poll().body is not None
    assert Poller(image, last=Mark(7, time_of(6))).poll().body is not None


@given(
    last=st.one_of(st.none(), st.integers(0, 3)),
    number=st.integers(0, 3),
    times=st.tuples(*[st.one_of(st.none(), st.just(NOW), st.just(START))] * 2),
)
def test_is_new(
    last: int | None, number: int, times: tuple[datetime | None, datetime | None]
) -> None:
    """Another number, or another time where both are known."""
    mark = None if last is None else Mark(last, times[0])
    differs = times[0] is not None and times[1] is not None and times[0] != times[1]
    assert is_new(mark, number, times[1]) == (last is None or number != last or differs)


def test_repeated_number_with_a_new_time_is_a_new_body() -> None:
    """An analyzer whose counter stands still still makes results; no ring for that."""
    image = AnalyzerImage(7)
    poller = Poller(image)
    poller.poll()
    image.finish(7, time_of(8))
    scan = poller.poll()
    assert scan.body is not None
    assert scan.body.values[Role.RESULT_TIME] == time_of(8)
    assert scan.recent == ()


def test_skip_is_unknown_without_a_counter() -> None:
    """Times follow each other at any distance."""
    reading = prepare("cup", analyzer_map(without=[Role.CYCLE_NUMBER]))
    assert not is_skip(reading, Mark(100, None), 500)


def test_without_a_counter_the_number_is_the_time_in_seconds() -> None:
    """result_time alone tells cycles apart."""
    image = AnalyzerImage(7)
    without = [Role.CYCLE_NUMBER, Role.RECENT_NUMBER]
    poller = Poller(image, prepare("cup", analyzer_map(without=without)))
    scan = poller.poll()
    assert scan.body is not None
    assert scan.body.cycle_number == int(time_of(7).timestamp())
    assert [r.cycle_number for r in scan.recent] == [scan.body.cycle_number]
    assert poller.poll().body is None
    image.finish(8)
    assert poller.poll().body is not None


def test_no_number_yet_means_no_body() -> None:
    """An analyzer fresh from the factory has live values only; the ring waits for a number."""
    image = AnalyzerImage(7)
    without = [Role.CYCLE_NUMBER, Role.RECENT_NUMBER]
    poller = Poller(image, prepare("cup", analyzer_map(without=without)))
    image.put(4, bytes(4))
    scan = poller.poll()
    assert scan.body is None
    assert scan.recent == ()
    assert scan.live[Role.RESULT_TIME] is None
    assert poller.state.ring_due


def test_a_number_that_moves_once_is_read_again() -> None:
    """A cycle that ends in the middle of the reading: the whole new cycle comes, in one poll."""
    for moment in range(1, 12):
        image = AnalyzerImage(7)
        poller = Poller(image, last=Mark(6, time_of(6)))

        def move(read: int, image: AnalyzerImage = image, moment: int = moment) -> None:
            if read == moment:
                image.finish(8)

        image.before_read = move
        scan = poller.poll()
        assert scan.body is not None
        assert not scan.body.torn
        assert belongs_to(scan.body) == {float(scan.body.cycle_number)}
        assert scan.body.trace is not None


@settings(max_examples=100, deadline=None)
@given(
    moves=st.sets(st.integers(0, 80)),
    lag=st.integers(0, 6),
    trace_first=st.booleans(),
)
def test_no_body_is_ever_mixed(moves: set[int], lag: int, trace_first: bool) -> None:
    """Whenever the analyzer moves, an untorn body and its trace are of one cycle.

    The trace block changes up to `lag` reads after, or before, the number.
    """
    image = AnalyzerImage(7)
    poller = Poller(image, last=Mark(6, time_of(6)))
    number = 7
    clock = 0
    pending: list[tuple[int, int, bool]] = []

    def before_read(_: int) -> None:
        nonlocal number, clock
        if clock in moves:
            number += 1
            if trace_first:
                image.finish_trace(number)
                pending.append((clock + lag, number, False))
            else:
                image.finish(number, with_trace=False)
                pending.append((clock + lag, number, True))
        for due, n, is_trace in [p for p in pending if p[0] <= clock]:
            pending.remove((due, n, is_trace))
            if is_trace:
                image.finish_trace(n)
            else:
                image.finish(n, with_trace=False)
        clock += 1

    image.before_read = before_read
    delivered = []
    for poll in range(8 + lag + POLLS_PER_CYCLE):
        if poll == 8:  # from here on the analyzer rests, and its last cycle must come
            moves = set()
        body = poller.poll().body
        if body is None:
            continue
        delivered.append(body.cycle_number)
        assert poller.state.last is not None
        assert poller.state.last.cycle_number == body.cycle_number
        if body.torn:
            assert body.trace is None
        else:
            assert belongs_to(body) == {float(body.cycle_number)}
    assert delivered == sorted(set(delivered))
    assert delivered[-1] == number


def test_a_number_that_moves_back_is_no_new_cycle() -> None:
    """The live block said 8, the body says 7 again, as the journal knows it: nothing to deliver."""
    image = AnalyzerImage(7)
    poller = Poller(image, last=Mark(7, time_of(7)))
    image.finish(8)

    def move_back(read: int) -> None:
        if read == 1:
            image.finish(7)

    image.before_read = move_back
    assert poller.poll().body is None
    assert poller.state.last == Mark(7, time_of(7))


def test_the_ring_waits_for_the_body() -> None:
    """A skip whose trace is late: body and ring come together, the ring not before."""
    image = AnalyzerImage(6)
    poller = Poller(image)
    poller.poll()
    image.finish(9, with_trace=False)
    poller.state = replace(poller.state, ring_due=True)
    scan = poller.poll()
    assert (scan.body, scan.recent) == (None, ())
    image.finish_trace(9)
    scan = poller.poll()
    assert scan.body is not None
    assert [r.cycle_number for r in scan.recent] == [6, 9]


def test_a_number_that_never_rests_is_torn_in_the_third_poll() -> None:
    """Three attempts in each of three polls, then the body comes marked torn."""
    image = AnalyzerImage(7)
    poller = Poller(image, prepare("cup", analyzer_map(without=NO_TRACE)), Mark(6, time_of(6)))
    count = 7

    def move(_: int) -> None:
        nonlocal count
        count += 1
        image.finish(count)

    image.before_read = move
    body_reads = len(poller.reading.body.plan.blocks) + len(poller.reading.number.plan.blocks)
    for poll in range(1, POLLS_PER_CYCLE + 1):
        scan = poller.poll()
        assert len(image.reads) <= 1 + ATTEMPTS_PER_POLL * (body_reads + 2)
        assert (scan.body is not None) == (poll == POLLS_PER_CYCLE)
    assert scan.body is not None
    assert scan.body.torn
    assert scan.body.trace is None
    assert scan.recent == ()
    assert poller.state.unsettled_polls == 0
    image.before_read = lambda _: None
    scan = poller.poll()
    assert scan.body is not None
    assert not scan.body.torn
    assert scan.recent


def test_late_trace_is_waited_for_then_done_without() -> None:
    """The block still holds cycle 6: cycle 7 waits two polls for its trace, no longer."""
    image = AnalyzerImage(6)
    poller = Poller(image)
    poller.poll()
    image.finish(7, with_trace=False)
    assert poller.poll().body is None
    image.finish_trace(7)
    scan = poller.poll()
    assert scan.body is not None
    assert scan.body.trace is not None
    image.finish(8, with_trace=False)
    assert [poller.poll().body for _ in range(2)] == [None, None]
    scan = poller.poll()
    assert scan.body is not None
    assert scan.body.trace is None
    assert not scan.body.torn
    assert belongs_to(scan.body) == {8.0}


def test_a_trace_of_another_cycle_is_not_read_at_all() -> None:
    """Its header settles that; the arrays would be many requests for nothing."""
    image = AnalyzerImage(6)
    poller = Poller(image)
    poller.poll()
    image.finish(7, with_trace=False)
    poller.poll()
    assert not any(b.address >= 1000 and b.count > 2 for b in image.reads)


def test_a_trace_that_changes_while_it_is_read_is_not_used() -> None:
    """The analyzer fills the block with cycle 8 while its number still says 7."""
    image = AnalyzerImage(7)
    poller = Poller(image, last=Mark(6, time_of(6)))

    def overwrite(_: int) -> None:
        if image.reads and image.reads[-1].address >= 1200:
            image.finish_trace(8)

    image.before_read = overwrite
    assert poller.poll().body is None
    image.finish(8)
    scan = poller.poll()
    assert scan.body is not None
    assert scan.body.trace is not None
    assert belongs_to(scan.body) == {8.0}


def _finish_while_the_ring_is_read(image: AnalyzerImage, *numbers: int) -> None:
    """Makes a result after each of the next readings of the ring."""
    left = list(numbers)

    def move(read: int) -> None:
        if left and image.reads and image.reads[-1].address == 500:
            image.finish(left.pop(0))

    image.before_read = move


def test_ring_that_moved_while_it_was_read_is_read_again() -> None:
    """No entry is put together from two cycles."""
    image = AnalyzerImage(7)
    poller = Poller(image, last=Mark(7, time_of(7)))
    _finish_while_the_ring_is_read(image, 8)
    assert [r.cycle_number for r in poller.poll().recent] == [7, 8]


def test_a_result_made_while_the_ring_is_read_loses_none_before_it() -> None:
    """Cycle 6 was made while nobody looked: it comes with the body of 7, though 8 comes between."""
    image = AnalyzerImage(6)
    image.finish(7)
    poller = Poller(image, last=Mark(5, time_of(5)))
    _finish_while_the_ring_is_read(image, 8)
    scan = poller.poll()
    assert scan.body is not None
    assert scan.body.cycle_number == 7
    assert 6 in [r.cycle_number for r in scan.recent]
    body = poller.poll().body
    assert body is not None
    assert body.cycle_number == 8


def test_a_ring_that_never_holds_still_stays_due() -> None:
    """A number that moves at every look says nothing about the ring between."""
    image = AnalyzerImage(7)
    poller = Poller(image, last=Mark(7, time_of(7)))
    _finish_while_the_ring_is_read(image, 8, 9, 10)
    assert poller.poll().recent == ()
    assert poller.state.ring_due
    assert 10 in [r.cycle_number for r in poller.poll().recent]


def test_undecodable_words_are_not_available() -> None:
    """One role that holds nonsense does not stop the others."""
    register_map = analyzer_map()
    roles = dict(register_map.roles)
    roles[Role.ALIVE] = RolePlace(table=Table.INPUT, address=2, type=Encoding.BCD16)
    image = AnalyzerImage(7)
    image.put(2, b"\xff\xff")
    reading = prepare("cup", register_map.model_copy(update={"roles": roles}))
    scan = Poller(image, reading).poll()
    assert scan.live[Role.ALIVE] is None
    assert scan.live[Role.FLASH_POINT] is not None


def test_prepare_refuses_what_the_configuration_should_have() -> None:
    """A scalar with a count and a unit nobody knows are named with their role."""
    register_map = analyzer_map()
    for change, problem in (
        ({"count": 3}, "alive: count is for"),
        ({"unit": "furlong"}, "alive: unit 'furlong'"),
    ):
        place = register_map.roles[Role.ALIVE].model_copy(update=change)
        roles = {**register_map.roles, Role.ALIVE: place}
        with pytest.raises(PlanError, match=problem):
            prepare("cup", register_map.model_copy(update={"roles": roles}))


def test_every_role_has_its_group() -> None:
    """Scalars are in the body, and what can change within a cycle is live."""
    assert set(LIVE_ROLES) <= set(BODY_ROLES)
    arrays_and_headers = {r for r in Role if r.startswith(("trace_", "pulse_", "recent_"))}
    assert set(BODY_ROLES) == set(Role) - arrays_and_headers


async def test_a_failed_request_leaves_the_state_as_it_was() -> None:
    """The error passes through; the next poll starts from the same state and delivers all."""
    image = AnalyzerImage(7)
    reading = prepare("cup", analyzer_map())
    state = ReadingState(None)

    def fail(read: int) -> None:
        if read == 3:
            raise LinkError(LinkFault.NO_RESPONSE, "no answer")

    image.before_read = fail
    with pytest.raises(LinkError):
        await read_scan(image, reading, state, NOW, 1.0)
    image.before_read = lambda _: None
    scan, after = await read_scan(image, reading, state, NOW, 2.0)
    assert scan.body is not None
    assert scan.recent
    assert after == replace(state, last=Mark(7, time_of(7)), ring_due=False)
