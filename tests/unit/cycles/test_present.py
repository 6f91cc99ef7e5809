"""Stream, sign of life and clock: what a cycle is told of what lasts beyond it."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.cycles.assembler import Assembler, previous_of
from edgeflash.model import (
    Cycle,
    CycleBody,
    Pulse,
    RecentResult,
    Role,
    Scalar,
    Scan,
)
from tests.unit.cycles.test_assembler import SPAN, assembled, at, body, scan


def with_values(finished: CycleBody, **values: Scalar) -> CycleBody:
    """The body with more values."""
    return replace(
        finished, values={**finished.values, **{Role(name): v for name, v in values.items()}}
    )


def shown(second: float, finished: CycleBody, ahead_s: float = 0.0, **live: Scalar) -> Scan:
    """A scan whose live values and body have a stamp of the analyzer's clock."""
    stamp = finished.values[Role.RESULT_TIME]
    assert not isinstance(stamp, str | int | float | tuple | None)
    stamped = with_values(finished, result_time=stamp + timedelta(seconds=ahead_s))
    return scan(second, stamped, result_time=stamped.values[Role.RESULT_TIME], **live)


# Streams


def test_the_streams_of_a_cycle_are_kept_in_order() -> None:
    """Each change once; what is not available, or no whole number, is no stream."""
    seen: tuple[Scalar, ...] = (3, 3, None, 3.0, 4, True, "header B", 4.5, 4, 3)
    scans = [scan(0, body(1, 0)), *(scan(n, stream=s) for n, s in enumerate(seen, start=1))]
    first, second = assembled([*scans, scan(20, body(2, 20))])
    assert (first.streams, first.on_stream_s) == ((), None)
    assert second.streams == (3, 4, 3)
    assert all(type(number) is int for number in second.streams)


def test_a_stream_read_with_the_result_counts_to_its_cycle() -> None:
    """An analyzer that switches as it finishes: which of both was measured, nobody knows."""
    scans = [
        scan(0, body(1, 0), stream=1),
        scan(1, stream=1),
        scan(2, with_values(body(2, 2), stream=2), stream=2),
        scan(3, stream=2),
        scan(4, with_values(body(3, 4), stream=2), stream=2),
    ]
    assert [c.streams for c in assembled(scans)] == [(), (1, 2), (2,)]


def test_the_time_on_a_stream_outlives_its_cycle() -> None:
    """From the scan that showed the change to the scan with the result, over any cycles."""
    scans = [
        scan(0, body(1, 0), stream=1),
        scan(10, stream=1),
        scan(20, stream=None),
        scan(30, stream=2),
        scan(40, body(2, 40), stream=2),
        scan(100, body(3, 100), stream=2),
        scan(130, stream=1),
        scan(140, body(4, 140), stream=1),
    ]
    assert [c.on_stream_s for c in assembled(scans)] == [None, 10.0, 70.0, 10.0]


def test_a_label_may_be_a_text() -> None:
    """Then it has no number, but its change is seen all the same."""
    scans = [scan(0, body(1, 0), stream="A"), scan(4, stream="B"), scan(9, body(2, 9), stream="B")]
    assert [(c.streams, c.on_stream_s) for c in assembled(scans)] == [((), None), ((), 5.0)]


def test_a_change_found_after_a_break_counts_from_when_it_was_found() -> None:
    """The later time is the careful one: it settles longer."""
    scans = [
        scan(0, body(1, 0), stream=1),
        scan(1, stream=1),
        scan(1000, stream=2),
        scan(1010, body(2, 1010), stream=2),
    ]
    assert assembled(scans)[-1].on_stream_s == 10.0


# Sign of life


def alive(*values: Scalar, begin: float = 1.0) -> list[Scan]:
    """A scan each second with these signs of life."""
    return [scan(begin + n, alive=value) for n, value in enumerate(values)]


@pytest.mark.parametrize(
    ("values", "stuck_s"),
    [
        ((1, 2, 3, 4), 0.0),
        ((1, 1, 2, 2), 1.0),
        ((1, 1, 1, 1), 3.0),
        ((1, 2, 2, 2, 3, 3), 2.0),
        ((True, False, False, True), 1.0),
        ((1, None, None, 1, 2), 3.0),
        ((None, None, None), 2.0),
    ],
)
def test_the_longest_stand_of_the_sign_of_life(values: tuple[Scalar, ...], stuck_s: float) -> None:
    """What is not available has not changed. The last scan comes with the result."""
    *before, last = alive(*values, begin=100.0)
    finished = replace(last, body=body(2, last.taken_mono_s))
    # Another value than any before: the cycle begins with a change.
    scans = [scan(98, alive=7), scan(99, body(1, 99), alive=8)]
    [_, cycle] = assembled([*scans, *before, finished])
    expected = stuck_s if values[0] is not None else stuck_s + 1.0
    assert cycle.alive_stuck_s == expected


def test_a_stand_counts_within_its_cycle_only() -> None:
    """Stuck since long before: each cycle has its own length of it, and the worker the whole."""
    assembler = Assembler("kestrel-1", SPAN)
    scans = [scan(n, alive=5) for n in range(31)]
    for second, number in ((2, 1), (12, 2), (30, 3)):
        scans[second] = replace(scans[second], body=body(number, second))
    assert [c.alive_stuck_s for c in assembled(scans, assembler)] == [2.0, 10.0, 18.0]
    assert assembler.alive_still_s(31.0) == 31.0


def test_without_a_sign_of_life_nothing_is_said_of_it() -> None:
    """None, not 0."""
    assembler = Assembler("kestrel-1", SPAN)
    cycles = assembled([scan(0, body(1, 0)), scan(1), scan(2, body(2, 2))], assembler)
    assert [c.alive_stuck_s for c in cycles] == [None, None]
    assert assembler.alive_still_s(2.0) is None


def test_a_break_is_no_stand() -> None:
    """The bit may have toggled a hundred times while nobody looked."""
    assembler = Assembler("kestrel-1", SPAN, watched_gap_s=5.0)
    scans = [
        scan(0, alive=False),
        scan(1, body(1, 1), alive=True),
        scan(3, alive=True),
        scan(600, alive=True),
        scan(601, body(2, 601), alive=True),
    ]
    assert [c.alive_stuck_s for c in assembled(scans, assembler)] == [0.0, 2.0]
    assert assembler.alive_still_s(603.0) == 3.0
    assembled([scan(602, alive=False)], assembler)
    assert assembler.alive_still_s(603.0) == 1.0


def test_a_stand_is_not_over_before_the_next_result() -> None:
    """Registers that stood still show the result of before: a newer one may have been lost."""
    assembler = Assembler("kestrel-1", SPAN)
    assembled([scan(0, body(1, 0), alive=1)], assembler)
    assembled([scan(n, alive=1) for n in range(1, 41)], assembler)
    assert assembler.alive_still_s(40.0) == 40.0
    assembled([scan(n, alive=n) for n in range(41, 60)], assembler)
    assert assembler.alive_still_s(59.0) == 40.0
    assembled([scan(60, body(2, 60), alive=60)], assembler)
    assert assembler.alive_still_s(60.0) == 0.0


def test_the_stand_of_a_lost_cycle_is_not_anothers() -> None:
    """As phases and faults: neither where a number was missed nor where the ring filled in."""
    ring = (RecentResult(2, 61.0, at(20)),)
    for recent in ((), ring):
        scans = [
            scan(0, alive=1),
            scan(1, body(1, 1), alive=2),
            *(scan(n, alive=2) for n in range(2, 41)),
        ]
        scans[-1] = replace(scans[-1], body=body(3, 40), recent=recent)
        assert [c.alive_stuck_s for c in assembled(scans)][-1] is None


@given(st.lists(st.tuples(st.integers(0, 2), st.integers(1, 9)), min_size=1, max_size=30))
def test_the_stand_is_that_of_the_longest_run(steps: list[tuple[int, int]]) -> None:
    """Against runs of equal values, counted without any state."""
    second, times, values = 0, [], []
    for value, gap in steps:
        second += gap
        times.append(second)
        values.append(value)
    longest = max(
        times[j] - times[i]
        for i in range(len(times))
        for j in range(i, len(times))
        if len(set(values[i : j + 1])) == 1
    )
    scans = [scan(t, alive=v) for t, v in zip(times, values, strict=True)]
    scans[-1] = replace(scans[-1], body=body(1, times[-1]))
    [cycle] = assembled(scans, Assembler("kestrel-1", SPAN, watched_gap_s=9.0))
    assert cycle.alive_stuck_s == (None if len(scans) == 1 else longest)


# Clock


def ahead(stamp_s: float, seen_s: float = 100.0, gap_s: float = 1.0) -> float | None:
    """clock_ahead_s of a result stamped so, found by a scan that long after another."""
    scans = [scan(seen_s - gap_s), shown(seen_s, body(1, stamp_s))]
    [cycle] = assembled(scans, Assembler("kestrel-1", SPAN, watched_gap_s=5.0))
    return cycle.clock_ahead_s


@pytest.mark.parametrize(
    ("stamp_s", "gap_s", "expected_s"),
    [
        (100.0, 1.0, 0.0),
        (99.0, 1.0, 0.0),
        (98.0, 1.0, 0.0),  # made just after the scan before, at 99, and cut to 98
        (97.0, 1.0, -1.0),
        (94.0, 5.0, 0.0),
        (93.5, 5.0, -0.5),
        (100.5, 1.0, 0.5),
        (7300.0, 1.0, 7200.0),
        (-7102.0, 1.0, -7200.0),
    ],
)
def test_the_clock_is_off_by_what_nothing_else_explains(
    stamp_s: float, gap_s: float, expected_s: float
) -> None:
    """A result is made between two scans, and its stamp may be cut to whole seconds."""
    assert ahead(stamp_s, gap_s=gap_s) == expected_s


def test_what_was_not_watched_says_nothing_of_the_clock() -> None:
    """After a break, with the first scan, and without a stamp among the live values."""
    assert ahead(95.0, gap_s=5.1) is None
    [first] = assembled([shown(100, body(1, 100))])
    assert first.clock_ahead_s is None
    [unstamped] = assembled([scan(99), scan(100, body(1, 100))])
    assert unstamped.clock_ahead_s is None


def test_a_result_that_waits_for_its_trace_is_no_slow_clock() -> None:
    """Its stamp was first seen four polls before its body could be read."""
    finished = body(1, 98)
    stamp = finished.values[Role.RESULT_TIME]
    scans = [
        scan(97),
        scan(98, result_time=stamp),
        *(scan(second, result_time=stamp) for second in (99, 100, 101)),
        scan(102, finished, result_time=stamp),
    ]
    [cycle] = assembled(scans)
    assert cycle.clock_ahead_s == 0.0


# The barometer, and the pulse


def test_the_barometer_of_the_cycle_before_is_remembered() -> None:
    """Its mean over the scans; without scans, what was read with the result."""
    scans = [
        scan(0, with_values(body(1, 0), barometric_pressure=101.0)),
        scan(1, barometric_pressure=99.0),
        scan(2, barometric_pressure=100.0),
        scan(3, with_values(body(2, 3), barometric_pressure=42.0), barometric_pressure=42.0),
        scan(4, body(3, 4)),
    ]
    first, second, third = assembled(scans)
    assert second.previous is not None and third.previous is not None
    assert first.previous is None
    assert (second.previous.barometer_kpa, third.previous.barometer_kpa) == (101.0, 99.5)
    assert previous_of(third).barometer_kpa == 42.0


def test_the_pulse_of_the_body_is_the_cycles() -> None:
    """As read."""
    pulse = Pulse(0.0005, [0.0, 8.0, 4.0])
    [cycle] = assembled([scan(0, replace(body(1, 0), pulse=pulse))])
    assert isinstance(cycle, Cycle)
    assert cycle.pulse is pulse
