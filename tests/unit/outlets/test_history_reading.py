"""Raw and at-time reading of a history, and its pages.

Sources, from memory: OPC 10000-11, 6.5.3.2 (which values, which bounds), 6.5.5 (at time),
OPC 10000-13, 3.1 (simple and interpolated bounding values, stepped).
"""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import chain

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.outlets.history_reading import (
    Answer,
    AtTimeTask,
    ReadingRefusedError,
    Task,
    raw_task,
)
from edgeflash.outlets.history_rows import Reader
from tests.unit.outlets.history_made import BAD, NOON, NOW, UNCERTAIN, reader, row, second

ROWS = [row(s, float(s)) for s in (0, 2, 3, 5, 6)]


def pages(task: Task | None, read: Reader, most: int = 1000) -> list[list[Answer]]:
    """Every page of a reading; each is within its limit, and none but a first is empty."""
    found: list[list[Answer]] = []
    while task is not None:
        page, task = task.page(read, most, NOW)
        assert len(page) <= most
        found.append(page)
        assert len(found) < 1000
    return found


def joined(found: list[list[Answer]]) -> list[Answer]:
    return list(chain.from_iterable(found))


def seconds(answers: list[Answer]) -> list[float]:
    return [(a.at - NOON).total_seconds() for a in answers]


def raw(start: float | None, end: float | None, count: int = 0, bounds: bool = False) -> Task:
    def moment(s: float | None) -> datetime | None:
        return None if s is None else second(s)

    return raw_task(moment(start), moment(end), count, bounds)


def read(
    start: float | None, end: float | None, count: int = 0, bounds: bool = False
) -> list[float]:
    return seconds(joined(pages(raw(start, end, count, bounds), reader(ROWS))))


@pytest.mark.parametrize(
    ("start", "end", "count", "bounds", "wanted"),
    [
        # The standard's own table has rows at 5:00, 5:02, 5:03, 5:05 and 5:06; so have ours.
        (0, 5, 0, False, [0, 2, 3]),
        (0, 6, 0, False, [0, 2, 3, 5]),
        (1, 4, 0, False, [2, 3]),
        (0, 5, 0, True, [0, 2, 3, 5]),
        (1, 4, 0, True, [0, 2, 3, 5]),
        (5, 0, 0, False, [5, 3, 2]),
        (5, 0, 0, True, [5, 3, 2, 0]),
        (4, 1, 0, False, [3, 2]),
        (4, 1, 0, True, [5, 3, 2, 0]),
        (0, None, 3, False, [0, 2, 3]),
        (1, None, 3, False, [2, 3, 5]),
        (1, None, 3, True, [0, 2, 3]),
        (None, 6, 3, False, [6, 5, 3]),
        (None, 4, 3, False, [3, 2, 0]),
        (None, 4, 3, True, [5, 3, 2]),
        (2, 2, 0, False, [2]),
        (2, 2, 0, True, [2]),
        (4, 4, 0, False, []),
        (7, 9, 0, False, []),
    ],
)
def test_which_values(
    start: float | None, end: float | None, count: int, bounds: bool, wanted: list[float]
) -> None:
    assert read(start, end, count, bounds) == wanted


def test_bounds_that_are_not_there() -> None:
    """BadBoundNotFound at the time asked, without a value."""
    for start, end, places in ((-5, 9, (0, -1)), (9, -5, (0, -1))):
        (page,) = pages(raw(start, end, bounds=True), reader(ROWS))
        for place, s in zip(places, (start, end), strict=True):
            assert page[place] == Answer(second(s), None, 0x80D70000)
        assert len(page) == len(ROWS) + 2
    (page,) = pages(raw(0, 1, bounds=True), reader([]))
    assert [a.status for a in page] == [0x80D70000] * 2


@pytest.mark.parametrize(
    ("start", "end", "count"), [(None, None, 5), (0, None, 0), (None, 0, 0), (None, None, 0)]
)
def test_too_little_is_said(start: float | None, end: float | None, count: int) -> None:
    with pytest.raises(ReadingRefusedError) as refusal:
        raw(start, end, count)
    assert refusal.value.name == "BadHistoryOperationInvalid"


rows_at = st.lists(st.integers(0, 30), max_size=20)


@given(
    rows_at,
    st.none() | st.integers(-2, 32),
    st.none() | st.integers(-2, 32),
    st.integers(0, 12),
    st.booleans(),
    st.integers(1, 7),
)
def test_pages_add_up(
    at: list[int],
    start: int | None,
    end: int | None,
    count: int,
    bounds: bool,
    most: int,
) -> None:
    """Several rows of one time among them: small pages give what one page gives, in order."""
    if (start is None) + (end is None) + (count == 0) > 1:
        return
    history = reader([row(s, 1.0, number=number) for number, s in enumerate(at)])
    task = raw(start, end, count, bounds)
    small = pages(task, history, most)
    # A client's count is of each page where both ends are given, and of all where one is open.
    if start is not None and end is not None:
        assert all(len(page) <= (count or 99) for page in small)
        task = raw(start, end, 0, bounds)
    (whole, *rest) = pages(task, history)
    assert rest == []
    assert joined(small) == whole
    if not bounds and start is not None and end is not None and start < end:
        assert seconds(whole) == sorted(s for s in at if start <= s < end)
    if start is None or end is None:
        assert len(whole) <= count


AT = [
    row(0, 10.0),
    row(10, 20.0),
    row(20, None, BAD),
    row(30, 40.0, UNCERTAIN),
    row(40, 50.0),
]


def at_time(s: float, simple: bool) -> Answer:
    ((answer,),) = pages(AtTimeTask((second(s),), simple), reader(AT))
    assert answer.at == second(s)
    return answer


@pytest.mark.parametrize(
    ("s", "simple", "value", "status"),
    [
        (10, True, 20.0, 0),
        (20, True, None, BAD),
        (30, False, 40.0, UNCERTAIN),
        (15, True, 20.0, 0x402),
        (15, False, 20.0, 0x402),
        (25, True, None, 0x809B0000),
        (25, False, 20.0, 0x40A40402),
        (35, True, 40.0, 0x40A40402),
        (45, True, 50.0, 0x40A40402),
        (-1, True, None, 0x809B0000),
    ],
)
def test_at_time(s: float, simple: bool, value: float | None, status: int) -> None:
    """Raw where there is a row; else the one before, marked interpolated (bit 1 of 0x402); less
    than good after a bad one was passed over, of an uncertain one, and where none follows."""
    answer = at_time(s, simple)
    assert (answer.value, answer.status) == (value, status)


def test_many_bad_ones_are_passed_over() -> None:
    rows = [row(-1, 7.0), *(row(s, None, BAD, number=s) for s in range(300))]
    ((answer,),) = pages(AtTimeTask((second(299.5),), False), reader(rows))
    assert (answer.value, answer.status) == (7.0, 0x40A40402)
    ((answer,),) = pages(AtTimeTask((second(299.5),), False), reader(rows[1:]))
    assert (answer.value, answer.status) == (None, 0x809B0000)


def test_nothing_stands_longer_than_it_may() -> None:
    rows = [row(0, 1.0, stands=timedelta(seconds=900)), row(5000, 2.0)]
    ((inside, beyond),) = pages(AtTimeTask((second(900), second(901)), True), reader(rows))
    assert (inside.value, inside.status) == (1.0, 0x402)
    assert (beyond.value, beyond.status) == (None, 0x809B0000)


def test_nothing_is_known_of_the_future() -> None:
    ((answer,),) = pages(AtTimeTask((NOW.replace(year=2031),), True), reader(AT))
    assert answer.status == 0x809B0000


@given(st.lists(st.integers(-5, 60), min_size=1, max_size=30), st.integers(1, 9))
def test_times_come_in_their_order_and_in_pages(asked: list[int], most: int) -> None:
    found = pages(AtTimeTask(tuple(map(second, asked)), True), reader(AT), most)
    assert seconds(joined(found)) == asked
    assert all(len(page) == most for page in found[:-1])
