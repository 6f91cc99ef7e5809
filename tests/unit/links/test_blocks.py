"""Traces and rings from arrays, tidy and untidy ones."""

from __future__ import annotations

import struct
from datetime import UTC, datetime, timedelta

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.links.blocks import pulse_from_block, recent_results, trace_from_block
from edgeflash.model import Pulse, RecentResult, Role, Scalar, TraceSource

T0 = datetime(2026, 3, 1, tzinfo=UTC)
HOUR = timedelta(hours=1)


def arrays(
    times: list[Scalar] | None, temperatures: list[Scalar], pressures: list[Scalar]
) -> dict[Role, list[Scalar]]:
    found = {Role.TRACE_TEMPERATURE: temperatures, Role.TRACE_PRESSURE: pressures}
    return found if times is None else {Role.TRACE_TIME: times, **found}


def nearest_single(value: float) -> float:
    """The number of single precision nearest to a value (IEEE 754 binary32), by the C library."""
    (nearest,) = struct.unpack("<f", struct.pack("<f", value))
    return float(nearest)


def test_trace_is_cut_to_its_length() -> None:
    """What lies behind trace_length is left over from before."""
    block = arrays([0.0, 0.5, 1.0, 1.5], [20.0, 21.0, 22.0, 99.0], [0.1, 0.2, 0.3, 9.9])
    trace = trace_from_block({Role.TRACE_LENGTH: 3}, block)
    assert trace is not None
    assert trace.source is TraceSource.BLOCK
    assert trace.time_s.tolist() == [0.0, 0.5, 1.0]
    assert trace.temperature_c.tolist() == [20.0, 21.0, 22.0]
    assert trace.pressure_kpa.tolist() == [nearest_single(p) for p in (0.1, 0.2, 0.3)]
    assert trace.time_s.dtype == np.float64


def test_length_longer_than_the_block_is_the_block() -> None:
    """An analyzer may count samples it could not keep."""
    trace = trace_from_block({Role.TRACE_LENGTH: 500}, arrays([0, 1], [20, 21], [0, 0]))
    assert trace is not None
    assert len(trace) == 2


def test_trace_by_interval() -> None:
    """Without times, samples are trace_interval apart, from 0."""
    block = arrays(None, [20.0, 21.0, 22.0], [0.0, 0.0, 5.0])
    trace = trace_from_block({Role.TRACE_INTERVAL: 0.25}, block)
    assert trace is not None
    assert trace.time_s.tolist() == [0.0, 0.25, 0.5]
    for wrong in (None, 0.0, -1.0):
        assert trace_from_block({Role.TRACE_INTERVAL: wrong}, block) is None


def test_a_lost_sample_keeps_its_place_in_time() -> None:
    """It stays as NaN, so that the share of what is missing can be judged."""
    trace = trace_from_block(
        {Role.TRACE_INTERVAL: 0.5}, arrays(None, [20.0, None, 22.0], [0.0, 0.0, 0.0])
    )
    assert trace is not None
    assert trace.time_s.tolist() == [0.0, 0.5, 1.0]
    assert np.isnan(trace.temperature_c).tolist() == [False, True, False]


def test_repeated_times_are_dropped_and_a_step_back_ends_the_record() -> None:
    """0.01 s ticks at 200 samples a second repeat; an older record behind starts lower."""
    times: list[Scalar] = [0.0, 0.01, 0.01, 0.02, 0.01, 0.03, 0.04]
    trace = trace_from_block({}, arrays(times, [1, 2, 3, 4, 5, 6, 7], [0] * 7))
    assert trace is not None
    assert trace.temperature_c.tolist() == [1, 2, 4]


def test_no_usable_sample_is_no_trace() -> None:
    """None, not an empty trace; also when the length is not available."""
    assert trace_from_block({}, arrays([0.0], [None], [1.0])) is None
    assert trace_from_block({Role.TRACE_LENGTH: 0}, arrays([0.0], [1.0], [1.0])) is None
    assert trace_from_block({Role.TRACE_LENGTH: None}, arrays([0.0], [1.0], [1.0])) is None
    assert trace_from_block({}, arrays([], [], [])) is None


values = st.one_of(st.none(), st.floats(-1e6, 1e6))


@given(samples=st.lists(st.tuples(values, values, values), max_size=30), length=st.integers(-2, 40))
def test_any_block_gives_a_clean_trace(
    samples: list[tuple[Scalar, Scalar, Scalar]], length: int
) -> None:
    """Strictly rising, never longer than told, only samples that were there, NaN for None."""
    columns = [list(c) for c in zip(*samples, strict=True)] or [[], [], []]
    trace = trace_from_block({Role.TRACE_LENGTH: length}, arrays(*columns))
    if trace is None:
        return
    assert 0 < len(trace) <= length
    assert np.all(np.diff(trace.time_s) > 0)
    rows = zip(trace.time_s, trace.temperature_c, trace.pressure_kpa, strict=True)
    there = {
        tuple(nearest_single(v) if isinstance(v, float) else None for v in sample)
        for sample in samples[:length]
    }
    assert {tuple(None if np.isnan(v) else v for v in row) for row in rows} <= there
    assert np.isfinite(trace.time_s).all()


def test_times_that_single_precision_cannot_tell_apart_are_repeats() -> None:
    """16 777 216 s is 2^24: from there on it holds whole even seconds only (IEEE 754 binary32)."""
    times: list[Scalar] = [16_777_216.0, 16_777_216.5, 16_777_218.0]
    trace = trace_from_block({}, arrays(times, [1, 2, 3], [0] * 3))
    assert trace is not None
    assert trace.temperature_c.tolist() == [1, 3]


def test_pulse_is_cut_to_its_length_and_keeps_its_places() -> None:
    """A sample that is not available is no number in its place; what lies behind is older."""
    header: dict[Role, Scalar] = {Role.PULSE_INTERVAL: 0.0005, Role.PULSE_LENGTH: 3}
    pulse = pulse_from_block(header, [0.25, None, 8.0, 99.0])
    assert pulse == Pulse(0.0005, np.array([0.25, np.nan, 8.0]))
    whole = pulse_from_block({Role.PULSE_INTERVAL: 2}, [0.25, 8.0])
    assert whole == Pulse(2.0, np.array([0.25, 8.0]))
    assert pulse_from_block({**header, Role.PULSE_LENGTH: 500}, [1.0, 2.0]) is not None


def test_no_usable_pulse_is_none() -> None:
    """Without a sample, a length or an interval that can be."""
    good: dict[Role, Scalar] = {Role.PULSE_INTERVAL: 0.001, Role.PULSE_LENGTH: 2}
    assert pulse_from_block(good, [1.0, 2.0]) is not None
    for header in (
        {**good, Role.PULSE_LENGTH: 0},
        {**good, Role.PULSE_LENGTH: -1},
        {**good, Role.PULSE_LENGTH: None},
        {**good, Role.PULSE_INTERVAL: 0.0},
        {**good, Role.PULSE_INTERVAL: -0.001},
        {**good, Role.PULSE_INTERVAL: None},
        {Role.PULSE_LENGTH: 2},
    ):
        assert pulse_from_block(header, [1.0, 2.0]) is None, header
    assert pulse_from_block(good, [None, None]) is None
    assert pulse_from_block(good, []) is None


def test_ring_is_oldest_first_across_the_wrap() -> None:
    """The present number is 2 of 1..999; places turn round as the analyzer writes them."""
    ring: dict[Role, list[Scalar]] = {
        Role.RECENT_NUMBER: [1, 2, 997, 998, 999],
        Role.RECENT_TIME: [T0 + n * HOUR for n in (4, 5, 1, 2, 3)],
        Role.RECENT_FLASH_POINT: [61.0, 62.0, 57.0, None, 59.0],
    }
    assert recent_results(ring, 2, 1, 999) == (
        RecentResult(997, 57.0, T0 + 1 * HOUR),
        RecentResult(998, None, T0 + 2 * HOUR),
        RecentResult(999, 59.0, T0 + 3 * HOUR),
        RecentResult(1, 61.0, T0 + 4 * HOUR),
        RecentResult(2, 62.0, T0 + 5 * HOUR),
    )


def test_ring_across_a_restart_of_the_counter() -> None:
    """Numbers from before the restart are older than those after it."""
    ring: dict[Role, list[Scalar]] = {
        Role.RECENT_NUMBER: [1, 2, 40, 41],
        Role.RECENT_FLASH_POINT: [61.0, 62.0, 57.0, 58.0],
    }
    found = recent_results(ring, 2, 0, 65535)
    assert [r.cycle_number for r in found] == [40, 41, 1, 2]


def test_places_never_filled_are_left_out() -> None:
    """Zeros, "not available" and numbers the counter cannot have are no results."""
    with_times: dict[Role, list[Scalar]] = {
        Role.RECENT_NUMBER: [0, 1, 0, 0, 7],
        Role.RECENT_TIME: [T0, T0 + HOUR, None, None, None],
        Role.RECENT_FLASH_POINT: [60.0, 61.0, 0.0, None, 66.0],
    }
    found = recent_results(with_times, 7, 0, 65535)
    assert [(r.cycle_number, r.flash_point_c) for r in found] == [(0, 60.0), (1, 61.0), (7, 66.0)]
    bare: dict[Role, list[Scalar]] = {
        Role.RECENT_NUMBER: [1, 2, 0, 0, None],
        Role.RECENT_FLASH_POINT: [61.0, 62.0, 0.0, 0.0, 0.0],
    }
    assert [r.cycle_number for r in recent_results(bare, 2, 0, 65535)] == [1, 2]
    bare = {Role.RECENT_NUMBER: [1, 0], Role.RECENT_FLASH_POINT: [61.0, 0.0]}
    assert [r.cycle_number for r in recent_results(bare, 1, 1, 65535)] == [1]


def test_ring_without_numbers_counts_seconds() -> None:
    """As the cycle itself does when no counter is mapped; each entry once."""
    ring: dict[Role, list[Scalar]] = {
        Role.RECENT_TIME: [T0 + HOUR, T0, T0, None],
        Role.RECENT_FLASH_POINT: [62.0, 61.0, 61.0, 3.0],
    }
    newest = int((T0 + HOUR).timestamp())
    found = recent_results(ring, newest, 0, 2**63 - 1)
    assert [(r.cycle_number, r.flash_point_c) for r in found] == [
        (newest - 3600, 61.0),
        (newest, 62.0),
    ]
