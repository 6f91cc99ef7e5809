"""What an interval of a point's history comes to: average, least, most, count, percent good. Pure.

Source: OPC 10000-13, 5.4.3 (Average, Minimum, Maximum, Count, PercentGood) and 5.4.2 (status of
an aggregate), from memory; the text on minimum and maximum is quoted in the comments of
node-opcua's aggregates. Values are stepped: one stands until the next, while it may be used.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import Enum
from math import fsum

from edgeflash.outlets.history_reading import NO_DATA, SUB_NORMAL, Answer
from edgeflash.outlets.history_rows import Row
from edgeflash.points import PointScalar
from edgeflash.trust import Trust

CALCULATED, PARTIAL, MULTIPLE = 0x0401, 0x0404, 0x0410
"""InfoType DataValue with a historian bit: calculated, partial, multiple values (10000-4, 7.39)."""
BAD = 0x80000000


class Aggregate(Enum):
    """The aggregates there are."""

    AVERAGE = "Average"
    MINIMUM = "Minimum"
    MAXIMUM = "Maximum"
    COUNT = "Count"
    PERCENT_GOOD = "PercentGood"

    @property
    def needs_numbers(self) -> bool:
        """Whether it is of the values, and not only of their qualities."""
        return self in (Aggregate.AVERAGE, Aggregate.MINIMUM, Aggregate.MAXIMUM)


@dataclass(frozen=True, slots=True)
class Treatment:
    """How much an aggregate believes. percent_bad: from so much bad on it is bad; percent_good:
    from so much good on it is good; else uncertain (5.4.2). The defaults are the strict ones."""

    uncertain_is_bad: bool = True
    percent_bad: int = 100
    percent_good: int = 100


@dataclass(slots=True)
class Numbers:
    """What the good numbers of an interval come to, however many there are, in bounded memory.

    The sum is exact: parts that do not overlap, of which a double's range holds some forty
    (J. R. Shewchuk, Discrete & Computational Geometry 18 (1997) 305, from memory), rounded once.
    """

    count: int = 0
    least: float = 0.0
    least_times: int = 0
    most: float = 0.0
    most_times: int = 0
    _parts: list[float] = field(default_factory=list)

    def add(self, number: float) -> None:
        """One more."""
        if not self.count or number < self.least:
            self.least, self.least_times = number, 0
        if not self.count or number > self.most:
            self.most, self.most_times = number, 0
        self.least_times += number == self.least
        self.most_times += number == self.most
        self.count += 1
        kept = 0
        for part in self._parts:
            big, small = (number, part) if abs(number) >= abs(part) else (part, number)
            number = big + small
            if lost := small - (number - big):
                self._parts[kept] = lost
                kept += 1
        self._parts[kept:] = [number]

    @property
    def mean(self) -> float:
        """Their mean; there must be one."""
        return fsum(self._parts) / self.count


@dataclass(slots=True)
class Tally:
    """What was seen of one interval, from low to before high. at: the time of its answer.

    truncated: the time asked ended within it.
    """

    at: datetime
    low: datetime
    high: datetime
    truncated: bool = False
    good: int = 0
    uncertain: int = 0
    bad: int = 0
    numbers: Numbers = field(default_factory=Numbers)
    first_good: tuple[datetime, float] | None = None
    uncertain_numbers: tuple[float, float] | None = None
    good_s: float = 0.0
    uncertain_s: float = 0.0
    after_begin: bool = False
    """A row came before the interval, or at its very start."""
    before_end: bool = False
    """A row came after the interval."""
    reached: bool = False
    """Something was known of it: a row in it, or one that still stood."""

    def count(self, row: Row) -> None:
        """A row inside."""
        self.reached = True
        if row.at == self.low:
            self.after_begin = True
        number = _number(row.value)
        match row.trust:
            case Trust.GOOD:
                self.good += 1
                if number is not None:
                    self.numbers.add(number)
                    self.first_good = self.first_good or (row.at, number)
            case Trust.UNCERTAIN:
                self.uncertain += 1
                if number is not None:
                    least, most = self.uncertain_numbers or (number, number)
                    self.uncertain_numbers = (min(least, number), max(most, number))
            case Trust.BAD:
                self.bad += 1

    def stood(self, row: Row, since: datetime, until: datetime) -> None:
        """A row's value stood from since to until, both cut to the interval here."""
        seconds = (min(until, self.high) - max(since, self.low)).total_seconds()
        if seconds <= 0.0:
            return
        self.reached = True
        if row.trust is Trust.GOOD:
            self.good_s += seconds
        elif row.trust is Trust.UNCERTAIN:
            self.uncertain_s += seconds

    def answer(self, aggregate: Aggregate, treatment: Treatment) -> Answer:
        """What it comes to."""
        if not self._is_within:
            return Answer(self.at, None, NO_DATA)
        partial = PARTIAL if self.truncated or not self.after_begin or not self.before_end else 0
        value, status = self._of(aggregate, treatment)
        if status >> 31:
            return Answer(self.at, None, status)
        return Answer(self.at, value, status | partial)

    @property
    def _is_within(self) -> bool:
        """Whether the interval lies between the first data and the last."""
        return self.reached or (self.after_begin and self.before_end)

    def _of(self, aggregate: Aggregate, treatment: Treatment) -> tuple[PointScalar, int]:
        match aggregate:
            case Aggregate.PERCENT_GOOD:
                fine_s = self.good_s + (0.0 if treatment.uncertain_is_bad else self.uncertain_s)
                return 100.0 * fine_s / (self.high - self.low).total_seconds(), CALCULATED
            case Aggregate.COUNT:
                return self.good, self._status(treatment)
            case Aggregate.AVERAGE if self.numbers.count:
                return self.numbers.mean, self._status(treatment)
            case Aggregate.MINIMUM if self.numbers.count:
                least, times = self.numbers.least, self.numbers.least_times
                lower = self.uncertain_numbers is not None and self.uncertain_numbers[0] < least
                return least, self._of_one(least, times, lower, treatment)
            case Aggregate.MAXIMUM if self.numbers.count:
                most, times = self.numbers.most, self.numbers.most_times
                higher = self.uncertain_numbers is not None and self.uncertain_numbers[1] > most
                return most, self._of_one(most, times, higher, treatment)
        return None, NO_DATA

    def _status(self, treatment: Treatment) -> int:
        """By the number of values of each quality."""
        total = self.good + self.uncertain + self.bad
        if total == 0:
            return CALCULATED
        bad = self.bad + (self.uncertain if treatment.uncertain_is_bad else 0)
        if bad and 100.0 * bad / total >= treatment.percent_bad:
            return BAD
        good = total - bad
        is_good = 100.0 * good / total >= treatment.percent_good
        return (0 if is_good else SUB_NORMAL) | CALCULATED

    def _of_one(self, number: float, times: int, surpassed: bool, treatment: Treatment) -> int:
        """Of the least or the most: raw when it stands at the start and nothing speaks against."""
        spoilt = self.bad or (self.uncertain and treatment.uncertain_is_bad)
        multiple = MULTIPLE if times > 1 else 0
        if spoilt or surpassed:
            return SUB_NORMAL | CALCULATED | multiple
        if self.first_good == (self.low, number):
            return multiple
        return CALCULATED | multiple


def tallied(
    tallies: Sequence[Tally],
    earlier: Row | None,
    rows: Iterable[Row],
    later: Row | None,
    now: datetime,
) -> None:
    """Counts rows into tallies that join each other; both by time.

    earlier, later: the row before the first interval and the one behind the last.
    """
    place = 0
    for row, following in _pairs(earlier, rows, later):
        ends = row.usable_until if following is None else min(following.at, row.usable_until)
        ends = min(ends, now)
        while place < len(tallies) and tallies[place].high <= row.at:
            place += 1
        if place == len(tallies):
            break
        if tallies[place].low <= row.at:
            tallies[place].count(row)
        reached = place
        while reached < len(tallies) and tallies[reached].low < ends:
            tallies[reached].stood(row, row.at, ends)
            reached += 1
    _mark_ends(tallies, earlier, later)


def _pairs(
    earlier: Row | None, rows: Iterable[Row], later: Row | None
) -> Iterator[tuple[Row, Row | None]]:
    """Each row with the one that follows it."""
    last = earlier
    for row in rows:
        if last is not None:
            yield last, row
        last = row
    if last is not None:
        yield last, later


def _mark_ends(tallies: Sequence[Tally], earlier: Row | None, later: Row | None) -> None:
    """Tells each interval whether there is data before it and behind it."""
    seen = earlier is not None
    for tally in tallies:
        tally.after_begin = tally.after_begin or seen
        seen = seen or tally.good + tally.uncertain + tally.bad > 0
    seen = later is not None
    for tally in reversed(tallies):
        tally.before_end = seen
        seen = seen or tally.good + tally.uncertain + tally.bad > 0


def _number(value: PointScalar) -> float | None:
    is_one = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if is_one else None  # type: ignore[arg-type]
