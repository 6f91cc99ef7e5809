"""Reading a point's history raw and at given times, page by page. Pure: a Reader fetches rows.

Sources, from memory: OPC 10000-11, 6.5.3 (raw), 6.5.5 (at time); OPC 10000-13, 3.1 (bounding
values). A value stands until the next one (stepped), but no longer than it may be used.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Protocol

from edgeflash.errors import EdgeflashError
from edgeflash.outlets.history_rows import (
    EARLIEST,
    LATEST,
    MICROSECOND,
    Place,
    Query,
    Reader,
    Row,
    before,
    behind,
)
from edgeflash.points import PointScalar
from edgeflash.trust import Trust

INTERPOLATED = 0x0402
"""InfoType DataValue with the historian bits "interpolated" (OPC 10000-4, 7.39)."""
BOUND_NOT_FOUND = 0x80D70000
NO_DATA = 0x809B0000
SUB_NORMAL = 0x40A40000
"""BadBoundNotFound, BadNoData and UncertainDataSubNormal (OPC 10000-6, A.2)."""


class ReadingRefusedError(EdgeflashError):
    """A client asked what cannot be read; `name` is the name of the OPC UA status code."""

    def __init__(self, name: str, why: str) -> None:
        super().__init__(f"{name}: {why}")
        self.name = name


@dataclass(frozen=True, slots=True)
class Answer:
    """One value of an answer. judged_at: None where it was not judged, but made for the answer."""

    at: datetime
    value: PointScalar
    status: int
    judged_at: datetime | None = None


class Task(Protocol):
    """What is still to be read of one node."""

    @property
    def held(self) -> Sequence[datetime]:
        """What it keeps of the client's request for as long as it is kept itself."""

    def page(self, read: Reader, most: int, now: datetime) -> tuple[list[Answer], Task | None]:
        """Up to `most` answers, and what is left then. now: UTC."""


def as_answer(row: Row) -> Answer:
    """A row as it is."""
    return Answer(row.at, row.value, row.status, row.judged_at)


@dataclass(frozen=True, slots=True)
class RawTask:
    """Rows from start on to before end, backward where the end is earlier.

    count: most values of one page; 0: no limit of the client's. left: how many in all, where one
    end is open. after: the last row that was given.
    """

    low: datetime
    high: datetime
    forward: bool
    count: int
    start_bound: datetime | None = None
    end_bound: datetime | None = None
    left: int | None = None
    after: Place | None = None

    @property
    def held(self) -> Sequence[datetime]:
        return ()

    def page(self, read: Reader, most: int, now: datetime) -> tuple[list[Answer], Task | None]:
        room = min(most, self.count or most, most if self.left is None else self.left)
        answers: list[Answer] = []
        if self.start_bound is not None:
            answers += self._bound(read, self.start_bound, at_start=True)
        # One more than there is room for, to know whether anything is left.
        wanted = room - len(answers)
        rows = read(Query(self.low, self.high, self.forward, wanted + 1, self.after))
        answers += map(as_answer, rows[:wanted])
        after = rows[wanted - 1].place if wanted and len(rows) >= wanted else self.after
        left = None if self.left is None else self.left - len(answers)
        if len(rows) > wanted:
            rest = replace(self, start_bound=None, after=after, left=left)
            return answers, (None if left == 0 else rest)
        if self.end_bound is not None:
            if len(answers) == room:
                rest = replace(self, start_bound=None, after=after, left=left)
                return answers, rest
            answers += self._bound(read, self.end_bound, at_start=False)
        return answers, None

    def _bound(self, read: Reader, moment: datetime, at_start: bool) -> list[Answer]:
        """The row that bounds the time asked, outside of it; nothing when one stands inside."""
        row = (before if self.forward is at_start else behind)(read, moment)
        if row is None:
            return [Answer(moment, None, BOUND_NOT_FOUND)]
        if self.low <= row.at <= self.high:
            return []
        return [as_answer(row)]


def raw_task(start: datetime | None, end: datetime | None, count: int, bounds: bool) -> RawTask:
    """What a client asks with these. Two of the three are needed; count 0 is none.

    Without an end, that many values forward from start; without a start, backward from end.
    Raises ReadingRefusedError.
    """
    if start is not None and end is not None:
        bound = (start, end) if bounds else (None, None)
        if start == end:
            return RawTask(start, start, True, count, *bound)
        if start < end:
            return RawTask(_clamped(start), _clamped(end) - MICROSECOND, True, count, *bound)
        return RawTask(_clamped(end) + MICROSECOND, _clamped(start), False, count, *bound)
    if not count or (start is None and end is None):
        raise ReadingRefusedError(
            "BadHistoryOperationInvalid", "two of start, end and number of values are needed"
        )
    if start is not None:
        bound_at = start if bounds else None
        return RawTask(_clamped(start), LATEST, True, count, bound_at, left=count)
    assert end is not None
    return RawTask(EARLIEST, _clamped(end), False, count, end if bounds else None, left=count)


def _clamped(moment: datetime) -> datetime:
    """A time that a microsecond can still be added to or taken from."""
    return min(max(moment, EARLIEST), LATEST)


@dataclass(frozen=True, slots=True)
class AtTimeTask:
    """The value at each of these times, from the one at `reached` on.

    times: one object for all nodes of a request, and never copied. simple_bounds: from the row
    before, whatever its quality; else from the last one before that is not bad.
    """

    times: tuple[datetime, ...]
    simple_bounds: bool
    reached: int = 0

    @property
    def held(self) -> Sequence[datetime]:
        return self.times

    def page(self, read: Reader, most: int, now: datetime) -> tuple[list[Answer], Task | None]:
        ends = self.reached + most
        answers = [self._at(read, moment, now) for moment in self.times[self.reached : ends]]
        return answers, (replace(self, reached=ends) if ends < len(self.times) else None)

    def _at(self, read: Reader, moment: datetime, now: datetime) -> Answer:
        moment_inside = _clamped(moment)
        row = before(read, moment_inside)
        if row is None or moment > now:
            return Answer(moment, None, NO_DATA)
        if row.at == moment:
            return as_answer(row)
        skipped = False
        if not self.simple_bounds:
            row, skipped = _not_bad(read, row)
        if row is None or row.trust is Trust.BAD or moment > row.usable_until:
            return Answer(moment, None, NO_DATA)
        # Without a row behind, nobody has said yet that it ended: an extrapolation.
        doubted = skipped or row.trust is Trust.UNCERTAIN or behind(read, moment_inside) is None
        return Answer(moment, row.value, (SUB_NORMAL if doubted else 0) | INTERPOLATED)


_STRETCH = 64


def _not_bad(read: Reader, row: Row) -> tuple[Row | None, bool]:
    """The last row up to this one that is not bad, and whether others were skipped for it."""
    last: Row | None = row
    skipped = False
    while last is not None and last.trust is Trust.BAD:
        skipped = True
        earlier: Sequence[Row] = read(Query(EARLIEST, last.at, False, _STRETCH, after=last.place))
        last = next((r for r in earlier if r.trust is not Trust.BAD), None) or (
            earlier[-1] if earlier else None
        )
    return last, skipped
