"""Reading a point's history processed, interval by interval and page by page. Pure.

Source: OPC 10000-11, 6.5.4 and OPC 10000-13, 5.3, from memory. An interval holds its own start
and not the next one's; backward, intervals go from the later time to the earlier, and hold the
later. The time of an answer is where its interval starts in the direction of reading.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import isfinite

from edgeflash.outlets.aggregates import Aggregate, Tally, Treatment, tallied
from edgeflash.outlets.history_reading import Answer, ReadingRefusedError, Task
from edgeflash.outlets.history_rows import (
    EARLIEST,
    LATEST,
    MICROSECOND,
    Query,
    Reader,
    Row,
    before,
    behind,
)

_STRETCH = 5000
"""Rows fetched at a time, so that a year's average needs no year in memory."""

LEAST_INTERVAL = timedelta(milliseconds=1)
LONGEST_INTERVAL_MS = 1e14
"""Some three thousand years: more than there is, and less than a timedelta holds."""


@dataclass(frozen=True, slots=True)
class ProcessedTask:
    """Intervals of this width from start to end; width None: one of all."""

    start: datetime
    end: datetime
    width: timedelta
    aggregate: Aggregate
    treatment: Treatment

    @property
    def held(self) -> Sequence[datetime]:
        return ()

    def page(self, read: Reader, most: int, now: datetime) -> tuple[list[Answer], Task | None]:
        tallies, reached = self._tallies(most)
        by_time = tallies if self.end > self.start else tallies[::-1]
        low, high = by_time[0].low, by_time[-1].high
        tallied(
            by_time,
            before(read, low - MICROSECOND),
            _rows(read, low, high - MICROSECOND),
            behind(read, high),
            now,
        )
        answers = [tally.answer(self.aggregate, self.treatment) for tally in tallies]
        return answers, (None if reached == self.end else replace(self, start=reached))

    def _tallies(self, most: int) -> tuple[list[Tally], datetime]:
        """The next intervals, in the direction of reading, and where they end."""
        tallies: list[Tally] = []
        at = self.start
        while len(tallies) < most and at != self.end:
            width = min(self.width, abs(self.end - at))
            reached = at + width if self.end > at else at - width
            if self.end > at:
                tally = Tally(at, at, reached)
            else:
                # The later end belongs to it: one step of the clock on, it is as forward.
                tally = Tally(at, reached + MICROSECOND, at + MICROSECOND)
            tally.truncated = width < self.width
            tallies.append(tally)
            at = reached
        return tallies, at


def processed_task(
    start: datetime | None,
    end: datetime | None,
    interval_ms: float,
    aggregate: Aggregate,
    treatment: Treatment,
) -> ProcessedTask:
    """What a client asks with these; interval 0 is all the time in one.

    Raises ReadingRefusedError.
    """
    if start is None or end is None or start == end:
        raise ReadingRefusedError("BadInvalidArgument", "start and end, which differ, are needed")
    if not (isfinite(interval_ms) and interval_ms >= 0.0):
        raise ReadingRefusedError("BadInvalidArgument", f"an interval of {interval_ms} ms")
    start, end = (min(max(moment, EARLIEST + MICROSECOND), LATEST) for moment in (start, end))
    if start == end:
        raise ReadingRefusedError("BadInvalidArgument", "a time in which there is nothing")
    width = abs(end - start)
    if interval_ms > 0.0:
        width = timedelta(milliseconds=min(interval_ms, LONGEST_INTERVAL_MS))
    if width < LEAST_INTERVAL:
        raise ReadingRefusedError("BadInvalidArgument", f"an interval of {interval_ms} ms")
    return ProcessedTask(start, end, width, aggregate, treatment)


def _rows(read: Reader, low: datetime, high: datetime) -> Iterator[Row]:
    query = Query(low, high, True, _STRETCH)
    while rows := read(query):
        yield from rows
        if len(rows) < _STRETCH:
            return
        query = replace(query, after=rows[-1].place)
