"""Aggregates of a history.

Outside references: pandas for the figures; for values and qualities the example of OPC 10000-13,
annex A, "Historian 1" (from memory: raw data, and the statuses that 5.4.3 prescribes).
"""

from __future__ import annotations

import tracemalloc
from collections.abc import Sequence
from datetime import timedelta
from math import fsum
from typing import Any

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edgeflash.outlets.aggregates import Aggregate, Numbers, Tally, Treatment, tallied
from edgeflash.outlets.history_processed import processed_task
from edgeflash.outlets.history_reading import Answer, ReadingRefusedError, Task
from edgeflash.outlets.history_rows import Row
from tests.unit.outlets.history_made import (
    BAD,
    NOON,
    NOW,
    UNCERTAIN,
    reader,
    row,
    second,
)

CALCULATED, PARTIAL, MULTIPLE = 0x401, 0x404, 0x410
SUB_NORMAL, NO_DATA = 0x40A40000, 0x809B0000

HISTORIAN_1 = [
    row(10, 10.0),
    row(20, 20.0),
    row(30, 30.0),
    row(40, 40.0, BAD),
    row(50, 50.0),
    row(60, 60.0),
    row(70, 70.0, UNCERTAIN),
    row(80, 80.0),
    row(90, 90.0),
]
"""From 12:00:10 to 12:01:30; at 12:00:40 bad, at 12:01:10 uncertain."""


def processed(
    rows: Sequence[Row],
    kind: Aggregate,
    start: float = 0,
    end: float = 96,
    width: float = 16,
    treatment: Treatment | None = None,
    most: int = 1000,
) -> list[Answer]:
    task: Task | None = processed_task(
        second(start), second(end), width * 1000.0, kind, treatment or Treatment()
    )
    answers: list[Answer] = []
    while task is not None:
        page, task = task.page(reader(rows), most, NOW)
        assert 0 < len(page) <= most
        answers += page
    return answers


def told(answers: list[Answer]) -> list[tuple[Any, int]]:
    return [(a.value, a.status) for a in answers]


def test_average_of_the_standards_example() -> None:
    """In 16 s: 10; 20 and 30; only bad; 50 and 60; only uncertain; 80 and 90."""
    answers = processed(HISTORIAN_1, Aggregate.AVERAGE)
    assert [a.at for a in answers] == [second(16 * n) for n in range(6)]
    assert told(answers) == [
        (10.0, CALCULATED | PARTIAL),
        (25.0, CALCULATED),
        (None, NO_DATA),
        (55.0, CALCULATED),
        (None, NO_DATA),
        (85.0, CALCULATED | PARTIAL),
    ]


def test_bad_and_uncertain_values_are_left_out_and_tell() -> None:
    """One interval of all: seven good of nine; whether two are too many is for the client."""
    whole = {"start": 10, "end": 100, "width": 90}
    ((value, status),) = told(processed(HISTORIAN_1, Aggregate.AVERAGE, **whole))
    assert value == pytest.approx((10 + 20 + 30 + 50 + 60 + 80 + 90) / 7)
    assert status & 0xFFFF0000 == SUB_NORMAL
    lenient = Treatment(percent_good=70, percent_bad=30)
    ((_, status),) = told(processed(HISTORIAN_1, Aggregate.AVERAGE, **whole, treatment=lenient))
    assert status & 0xFFFF0000 == 0
    strict = Treatment(percent_good=100, percent_bad=20)
    answers = processed(HISTORIAN_1, Aggregate.AVERAGE, **whole, treatment=strict)
    assert told(answers) == [(None, 0x80000000)]


def test_minimum_and_maximum_of_the_standards_example() -> None:
    """Raw at the interval's start; the more so calculated; uncertain beside bad ones."""
    aligned = {"start": 10, "end": 90, "width": 20}
    assert told(processed(HISTORIAN_1, Aggregate.MINIMUM, **aligned)) == [
        (10.0, 0),  # 10 stands at the start: raw
        (30.0, SUB_NORMAL | CALCULATED),  # 30 and a bad one
        (50.0, 0),
        (80.0, SUB_NORMAL | CALCULATED),  # 70 is uncertain
    ]
    assert told(processed(HISTORIAN_1, Aggregate.MAXIMUM, **aligned)) == [
        (20.0, CALCULATED),
        (30.0, SUB_NORMAL | CALCULATED),
        (60.0, CALCULATED),
        (80.0, SUB_NORMAL | CALCULATED),
    ]


def test_an_uncertain_value_beyond_the_least_tells() -> None:
    """5.4.3.10: also where uncertain is as good as good otherwise."""
    rows = [row(-5, 0.0), row(1, 5.0), row(2, 7.0, UNCERTAIN), row(3, 3.0), row(30, 0.0)]
    mild = Treatment(uncertain_is_bad=False)
    ((value, status),) = told(processed(rows, Aggregate.MAXIMUM, end=16, treatment=mild))
    assert (value, status) == (5.0, SUB_NORMAL | CALCULATED)
    ((value, status),) = told(processed(rows, Aggregate.MINIMUM, end=16, treatment=mild))
    assert (value, status) == (3.0, CALCULATED)


def test_the_same_least_twice_is_marked() -> None:
    rows = [row(-5, 0.0), row(1, 3.0), row(2, 3.0), row(30, 0.0)]
    assert told(processed(rows, Aggregate.MINIMUM, end=16)) == [(3.0, CALCULATED | MULTIPLE)]


def test_count_of_the_standards_example() -> None:
    """Good ones only; all bad is bad; none at all, between others, is a good 0."""
    assert told(processed(HISTORIAN_1, Aggregate.COUNT)) == [
        (1, CALCULATED | PARTIAL),
        (2, CALCULATED),
        (None, 0x80000000),
        (2, CALCULATED),
        (None, 0x80000000),
        (2, CALCULATED | PARTIAL),
    ]
    rows = [row(0, 1.0), row(100, 1.0)]
    assert told(processed(rows, Aggregate.COUNT, start=16, end=48)) == [(0, CALCULATED)] * 2


def test_percent_good_of_the_standards_example() -> None:
    """Stepped: 6 of 16 s from 12:00:10 on; bad from :40 to :50; uncertain from 1:10 to 1:20."""
    answers = processed(HISTORIAN_1, Aggregate.PERCENT_GOOD)
    percents = [600 / 16, 100.0, 800 / 16, 1400 / 16, 600 / 16, 100.0]
    assert [a.value for a in answers] == pytest.approx(percents)
    assert [a.status for a in answers] == [
        CALCULATED | PARTIAL,
        *[CALCULATED] * 4,
        CALCULATED | PARTIAL,
    ]
    mild = Treatment(uncertain_is_bad=False)
    answers = processed(HISTORIAN_1, Aggregate.PERCENT_GOOD, treatment=mild)
    assert [a.value for a in answers][4] == pytest.approx(100.0)


def test_a_value_is_good_no_longer_than_it_may_stand() -> None:
    """One row that may be used for 4 s: a quarter of the 16 s; and nothing of what is to come."""
    rows = [row(-100, 1.0, stands=timedelta(seconds=1)), row(0, 1.0, stands=timedelta(seconds=4))]
    (answer,) = processed([*rows, row(50, 1.0)], Aggregate.PERCENT_GOOD, end=16)
    assert answer.value == pytest.approx(25.0)
    task = processed_task(second(0), second(16), 0.0, Aggregate.PERCENT_GOOD, Treatment())
    ((known,), _) = task.page(reader([row(0, 1.0)]), 9, second(2))
    assert known.value == pytest.approx(12.5)


@pytest.mark.parametrize("kind", list(Aggregate))
def test_before_and_after_all_data_there_is_none(kind: Aggregate) -> None:
    rows = [row(100, 1.0, stands=timedelta(seconds=5)), row(110, 1.0, stands=timedelta(seconds=5))]
    assert told(processed(rows, kind, 0, 32)) == [(None, NO_DATA)] * 2
    assert told(processed(rows, kind, 160, 192)) == [(None, NO_DATA)] * 2
    assert told(processed([], kind, 0, 32)) == [(None, NO_DATA)] * 2


def test_the_last_interval_may_be_cut() -> None:
    rows = [row(s, float(s)) for s in range(-10, 100, 10)]
    answers = processed(rows, Aggregate.COUNT, 0, 40, 16)
    assert told(answers) == [(2, CALCULATED), (2, CALCULATED), (0, CALCULATED | PARTIAL)]
    (one,) = processed(rows, Aggregate.COUNT, 0, 40, 1e9)
    assert told([one]) == [(4, CALCULATED | PARTIAL)]


def test_backward_holds_the_later_end() -> None:
    """From 40 to 0 in 20 s: (20, 40] told at 40, and (0, 20] told at 20."""
    rows = [row(s, float(s)) for s in range(-10, 100, 10)]
    answers = processed(rows, Aggregate.AVERAGE, 40, 0, 20)
    assert [a.at for a in answers] == [second(40), second(20)]
    assert [a.value for a in answers] == [35.0, 15.0]


@pytest.mark.parametrize(
    ("start", "end", "width"),
    [(None, 1.0, 1.0), (0.0, None, 1.0), (1.0, 1.0, 1.0), (0.0, 1.0, -1.0), (0.0, 1.0, 1e-9)],
)
def test_what_cannot_be_asked(start: float | None, end: float | None, width: float) -> None:
    moments = [None if s is None else second(s) for s in (start, end)]
    with pytest.raises(ReadingRefusedError) as refusal:
        processed_task(*moments, width, Aggregate.COUNT, Treatment())
    assert refusal.value.name == "BadInvalidArgument"


values = st.floats(-100, 500, allow_nan=False, width=32)
series = st.dictionaries(
    st.integers(0, 500),
    st.tuples(values, st.sampled_from([0, 0, 0, UNCERTAIN, BAD])),
    min_size=1,
    max_size=60,
)


@settings(deadline=None)
@given(series, st.integers(1, 90), st.integers(1, 9))
def test_figures_are_those_of_pandas(
    data: dict[int, tuple[float, int]], width: int, most: int
) -> None:
    """resample().agg() over the good values, whatever the pages; forward and backward."""
    rows = [row(s, value, status) for s, (value, status) in data.items()]
    rows += [row(-1, 0.0), row(10_000, 0.0)]
    count = -(-501 // width)
    good = {second(s): value for s, (value, status) in data.items() if status == 0}
    frame = pd.Series(good, index=pd.DatetimeIndex(list(good), tz="UTC"), dtype=float)
    bins = frame.resample(f"{width}s", origin=NOON)
    index = pd.date_range(NOON, periods=count, freq=f"{width}s", tz="UTC")
    wanted = {
        Aggregate.AVERAGE: bins.mean(),
        Aggregate.MINIMUM: bins.min(),
        Aggregate.MAXIMUM: bins.max(),
        Aggregate.COUNT: bins.count(),
    }
    for kind, figures in wanted.items():
        expected = figures.reindex(index)
        answers = processed(rows, kind, 0, count * width, width, most=most)
        assert [a.at for a in answers] == list(index.to_pydatetime())
        for answer, figure in zip(answers, expected, strict=True):
            if answer.value is None:
                assert pd.isna(figure) or figure == 0
            else:
                assert answer.value == pytest.approx(0 if pd.isna(figure) else figure)
        # Backward, moved by less than the rows' grid, the same rows fall into the same intervals.
        shifted = processed(rows, kind, count * width - 0.5, -0.5, width, most=most)
        assert [a.value for a in shifted][::-1] == [a.value for a in answers]


@settings(deadline=None)
@given(series, st.integers(1, 90))
def test_percent_good_is_that_of_a_clock(data: dict[int, tuple[float, int]], width: int) -> None:
    """Against counting, second by second, whether the row before it is good."""
    rows = [row(s, value, status) for s, (value, status) in data.items()]
    rows += [row(-1, 0.0), row(10_000, 0.0)]
    standing, fine = 0, []
    for s in range(600):
        standing = data[s][1] if s in data else standing
        fine.append(standing == 0)
    answers = processed(rows, Aggregate.PERCENT_GOOD, 0, 600 // width * width, width)
    for number, answer in enumerate(answers):
        part = fine[number * width : (number + 1) * width]
        assert answer.value == pytest.approx(100.0 * sum(part) / width)


@given(
    st.lists(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e300, max_value=1e300))
)
def test_a_mean_is_rounded_once(numbers: list[float]) -> None:
    """To the last bit that of math.fsum over all of them; least and most are Python's."""
    seen = Numbers()
    for number in numbers:
        seen.add(number)
    assert seen.count == len(numbers)
    if numbers:
        assert seen.mean == fsum(numbers) / len(numbers)
        assert (seen.least, seen.most) == (min(numbers), max(numbers))
        assert seen.least_times == numbers.count(min(numbers))
        assert seen.most_times == numbers.count(max(numbers))


def test_an_interval_of_many_rows_takes_no_more_memory() -> None:
    """A hundred times the rows of a stretch that is fetched at once; each with another value."""
    many = 100_000
    tally = Tally(NOON, NOON, second(many))
    rows = (row(n, 0.1 * n) for n in range(many))
    tracemalloc.start()
    try:
        tallied([tally], None, rows, None, NOW)
        most_bytes = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert tally.answer(Aggregate.COUNT, Treatment()).value == many
    assert most_bytes < many
