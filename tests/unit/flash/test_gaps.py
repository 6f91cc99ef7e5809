"""Gaps and missing numbers in a trace whose samples are set by hand."""

from __future__ import annotations

import numpy as np
import pytest

from edgeflash.flash.finite import finite_samples, sampling_interval_s
from edgeflash.flash.gaps import Gap, gaps_longer_than, missing_fraction
from edgeflash.model import Trace, TraceSource

NAN = float("nan")


def record(time: list[float], temperature: list[float], pressure: list[float]) -> Trace:
    """A trace of these samples."""
    return Trace(TraceSource.BLOCK, np.array(time), np.array(temperature), np.array(pressure))


HOLED = record(
    [0.0, 1.0, 2.0, 3.0, NAN, 5.0, 6.0, 9.0, 10.0],
    [40.0, NAN, NAN, 43.0, 44.0, 45.0, 46.0, 47.0, NAN],
    [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0],
)


def test_gaps_are_those_of_each_quantity() -> None:
    """No time at 4 s; no temperature from 0 to 3 s and to the end; nothing from 6 to 9 s."""
    assert gaps_longer_than(HOLED, 1.5) == (
        Gap("pressure", 3.0, 5.0),
        Gap("pressure", 6.0, 9.0),
        Gap("temperature", 0.0, 3.0),
        Gap("temperature", 3.0, 5.0),
        Gap("temperature", 6.0, 9.0),
    )
    assert [g.length_s for g in gaps_longer_than(HOLED, 2.0)] == [3.0, 3.0, 3.0]
    assert gaps_longer_than(HOLED, 3.0) == ()
    assert Gap("temperature", 9.0, 10.0) in gaps_longer_than(HOLED, 0.999)


@pytest.mark.parametrize(
    ("at_s", "held"), [(3.0, True), (5.0, True), (4.0, True), (2.9, False), (5.1, False)]
)
def test_a_gap_holds_what_was_not_seen(at_s: float, held: bool) -> None:
    """Both ends included."""
    assert Gap("pressure", 3.0, 5.0).holds(at_s) is held


def test_a_sample_misses_when_one_of_its_numbers_does() -> None:
    """One time and three temperatures of nine samples; the pressure in another."""
    assert missing_fraction(HOLED) == pytest.approx(4 / 9)
    one = record([0.0, 1.0, 2.0, 3.0], [1.0, 1.0, 1.0, 1.0], [0.0, NAN, 0.0, 0.0])
    assert missing_fraction(one) == pytest.approx(1 / 4)
    assert missing_fraction(record([], [], [])) == 1.0


def test_a_trace_without_a_time_has_no_gap() -> None:
    """There is nothing to measure it with."""
    assert gaps_longer_than(record([NAN, NAN], [1.0, 2.0], [0.0, 0.0]), 0.1) == ()


def test_finite_samples_keep_their_order_and_pairs() -> None:
    """Where all are numbers, nothing is copied."""
    time, value = finite_samples(HOLED.time_s, HOLED.temperature_c)
    assert time.tolist() == [0.0, 3.0, 5.0, 6.0, 9.0]
    assert value.tolist() == [40.0, 43.0, 45.0, 46.0, 47.0]
    same = finite_samples(time, value)
    assert same[0] is time
    assert same[1] is value


def test_the_sampling_interval_is_the_usual_one() -> None:
    """The median over the times that are numbers; two of them are needed."""
    assert sampling_interval_s(HOLED.time_s) == 1.0
    assert sampling_interval_s(np.array([0.0, 0.5])) == 0.5
    assert sampling_interval_s(np.array([0.0, NAN])) is None
