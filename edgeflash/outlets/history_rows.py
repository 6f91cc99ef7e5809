"""The history of a point as rows: its own value at each judged cycle, with its quality. Pure.

A row stands at the time its sample passed the tap. What is not a row: the last good value that is
shown live after a rejected cycle. In the history that cycle is bad, with the reason's status.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Protocol

from edgeflash.model import Verdict
from edgeflash.outlets.values import OutletUnits, carried
from edgeflash.points import CATALOGUE, Point, PointScalar, PointType
from edgeflash.rules.catalogue import BY_NAME
from edgeflash.trust import Quality, Trust

PUBLISHED = "flash_point_c"
"""The judged flash point, whose history is each cycle's own published value."""

HISTORIC: tuple[Point, ...] = tuple(
    p for p in CATALOGUE if p.name == PUBLISHED or p.of_result is not None
)
"""The points that have a history."""

_STATEMENTS = frozenset({"possible_low_flash"})
"""Points by which the gateway speaks of itself: good, whatever the verdict."""

EARLIEST = datetime(1970, 1, 1, tzinfo=UTC)
LATEST = datetime(9999, 1, 1, tzinfo=UTC)
MICROSECOND = timedelta(microseconds=1)


@dataclass(frozen=True, slots=True, order=True)
class Place:
    """Where a row stands among those of its point: by time, and then as the cycles came."""

    at: datetime
    epoch: int
    number: int


@dataclass(frozen=True, slots=True)
class Row:
    """One value of a point's history, in the outlet's units; None when its status is bad.

    status: OPC UA status code. judged_at: when the gateway judged it. usable_until: how long it
    may stand for what is measured when no other follows.
    """

    place: Place
    value: PointScalar
    status: int
    judged_at: datetime
    usable_until: datetime

    @property
    def at(self) -> datetime:
        """When the sample passed the tap."""
        return self.place.at

    @property
    def trust(self) -> Trust:
        """good, uncertain or bad, from the top two bits of the status code."""
        return (Trust.GOOD, Trust.UNCERTAIN, Trust.BAD, Trust.BAD)[self.status >> 30]


@dataclass(frozen=True, slots=True)
class Query:
    """Rows from `low` to `high`, both included, by time or against it.

    after: only those beyond this place, in the direction of the query. At most `limit`.
    """

    low: datetime
    high: datetime
    forward: bool
    limit: int
    after: Place | None = None

    def takes(self, place: Place) -> bool:
        """Whether a row at this place is wanted, the limit aside."""
        if not self.low <= place.at <= self.high:
            return False
        return self.after is None or ((place > self.after) is self.forward and place != self.after)


class Reader(Protocol):
    """Reads the history of one point. Blocks; raises EdgeflashError when it cannot be read."""

    def __call__(self, query: Query) -> Sequence[Row]:
        """The rows that the query wants, in its order."""


def before(read: Reader, moment: datetime) -> Row | None:
    """The last row at this time or before it."""
    return next(iter(read(Query(EARLIEST, moment, False, 1))), None)


def behind(read: Reader, moment: datetime) -> Row | None:
    """The first row at this time or after it."""
    return next(iter(read(Query(moment, LATEST, True, 1))), None)


def columns_of(point: Point) -> tuple[str, ...]:
    """The columns of `results` that the point's rows are made of."""
    return (
        "epoch",
        "cycle_number",
        "finished_at",
        "sampled_at",
        "judged_at",
        "verdict",
        "reasons",
        *(() if _value_column(point) in _ALWAYS else (_value_column(point),)),
    )


_ALWAYS = ("epoch", "cycle_number", "sampled_at")


def _value_column(point: Point) -> str:
    return "published_c" if point.name == PUBLISHED else point.name


def row_of(point: Point, cells: Mapping[str, Any], units: OutletUnits, hold_s: float) -> Row:
    """The row of a judged cycle. cells: of the columns of `columns_of`; hold_s: see usable_until.

    A value that its type cannot carry is bad, as it is live.
    """
    quality = quality_of_cycle(point, Verdict(cells["verdict"]), cells["reasons"])
    inside = cells[_value_column(point)]
    value: PointScalar = None
    if quality.trust is not Trust.BAD:
        if inside is None:
            quality = Quality.NO_DATA
        else:
            value = carried(point, inside, units.of(point))
            quality = Quality.BAD if value is None else quality
    return Row(
        Place(cells["sampled_at"], cells["epoch"], cells["cycle_number"]),
        value,
        quality.value.opcua_code,
        cells["judged_at"],
        cells["finished_at"] + timedelta(seconds=hold_s),
    )


def quality_of_cycle(point: Point, verdict: Verdict, reasons: Sequence[str]) -> Quality:
    """The quality of a cycle's own value, whatever is shown live.

    reasons: names of rules, the worst first.
    """
    if point.name in _STATEMENTS or verdict is Verdict.ACCEPTED:
        return Quality.GOOD
    if point.name != PUBLISHED:
        return Quality.SUB_NORMAL
    rule = BY_NAME.get(reasons[0]) if reasons else None
    if verdict is Verdict.DOUBTFUL:
        shown = Quality.SUB_NORMAL if rule is None else rule.shown_as
        # Its own value, and no accepted one: neither good nor one that is held.
        held = (Quality.GOOD, Quality.LAST_USABLE, Quality.LAST_USABLE_NO_LINK)
        return Quality.SUB_NORMAL if shown in held else shown
    missing = Quality.BAD if rule is None else rule.without_value
    return missing if missing.trust is Trust.BAD else Quality.BAD


def is_numeric(point: Point) -> bool:
    """Whether an average of the point's values means something."""
    return point.type is PointType.FLOAT
