"""Time-weighted averages of judged values, bucket by bucket. Pure.

A value is stepped: it stands from its own time until the next row's, whatever that row's verdict,
and no longer than it may be used. So it never reaches through a rejected cycle, nor across a gap:

- A row stands from `sampled_at` (the sample at the tap) until the next row's `sampled_at`, but at
  most until `finished_at` + hold, as the gateway itself counts `hold_s`.
- Where the next row says that cycles were missed before it, k of them, it stands only until the
  first of these would have come: for the (k + 1)th part of the time to the next row. What they
  measured nobody knows.
- It is good when its verdict is accepted and its value a number; with `doubtful` also when its
  verdict is doubtful; with `stream` only when it was measured of that stream. A row that is not
  good ends the one before, and adds nothing.
- Rows of one time stand in the order of epoch and cycle number: only the last of them lasts.

Buckets have one width, begin at whole multiples of it since 1970-01-01T00:00Z, and hold their
begin but not their end; the first and the last are cut where the time asked begins and ends. Of
each, with w the seconds that a good value stood within it:

- mean: the sum of value × seconds, divided by w; null where w is 0.
- min, max: of the values that stood within it for any time; null where w is 0.
- good_share: w divided by the seconds of the bucket within the time asked, 0 to 1.
- count: good rows whose own time is in it; not those carried in from before.

Compare OPC 10000-13, aggregate TimeAverage with stepped interpolation, PercentGood (100 ×
good_share; the outlets' answer for the same rows is the same) and Count.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from edgeflash.errors import UsageError
from edgeflash.history.columns import TIMESTAMP
from edgeflash.model import Verdict

Micros = npt.NDArray[np.int64]
Reals = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

DEFAULT_HOLD_S = 900.0
"""As `hold_s` of a site file where it is not given."""

MOST_BUCKETS = 5_000_000
"""Of one analyzer: a year of tens of seconds, in some 300 MB."""

LONGEST = timedelta(days=36_525)
"""A width or a hold, so that no sum of microseconds leaves its 64 bits."""

_MICROS = 1_000_000
_ZERO = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Steps:
    """Rows of one analyzer as values that stand from begin_us until end_us (UTC, microseconds).

    In order of time, none reaching into the next. is_good: takes part.
    """

    begin_us: Micros
    end_us: Micros
    values: Reals
    is_good: Flags


@dataclass(frozen=True, slots=True)
class Buckets:
    """What each bucket comes to; see the module. mean, least, most: NaN where nothing stood."""

    begin_us: Micros
    mean: Reals
    least: Reals
    most: Reals
    good_share: Reals
    count: Micros


def steps(
    sampled_us: Micros,
    usable_until_us: Micros,
    missed: Micros,
    values: Reals,
    is_good: Flags,
) -> Steps:
    """How long each row's value stands. Rows in order; missed: cycles missed before each."""
    following = np.append(sampled_us[1:], np.iinfo(np.int64).max)
    parts = np.append(np.maximum(missed[1:], 0), 0) + 1
    alone = np.where(parts > 1, sampled_us + (following - sampled_us) // parts, following)
    end_us = np.maximum(np.minimum(alone, usable_until_us), sampled_us)
    return Steps(sampled_us, end_us, values, is_good & np.isfinite(values))


def bucketed(rows: Steps, since_us: int, until_us: int, width_us: int) -> Buckets:
    """The buckets from since to before until. Raises UsageError for more than MOST_BUCKETS."""
    first, last = since_us // width_us, -(-until_us // width_us)
    buckets = max(0, last - first) if until_us > since_us else 0
    if buckets > MOST_BUCKETS:
        raise UsageError(f"{buckets} buckets are more than {MOST_BUCKETS}: take wider ones")
    edges_us = (first + np.arange(buckets + 1, dtype=np.int64)) * width_us
    asked_us = np.diff(np.clip(edges_us, since_us, until_us))

    inside = rows.is_good & (rows.begin_us >= since_us) & (rows.begin_us < until_us)
    places = rows.begin_us[inside] // width_us - first
    count = np.bincount(places, minlength=buckets).astype(np.int64)

    begin_us = np.maximum(rows.begin_us, since_us)
    end_us = np.minimum(rows.end_us, until_us)
    standing = rows.is_good & (end_us > begin_us)
    place, lasts_us, values = _pieces(
        begin_us[standing] - first * width_us,
        end_us[standing] - first * width_us,
        rows.values[standing],
        width_us,
    )
    good_us = np.zeros(buckets, np.int64)
    mean, least, most = (np.full(buckets, np.nan) for _ in range(3))
    if len(place):
        starts = np.flatnonzero(np.append(True, np.diff(place) > 0))
        filled = place[starts]
        good_us[filled] = np.add.reduceat(lasts_us, starts)
        least[filled] = np.minimum.reduceat(values, starts)
        most[filled] = np.maximum.reduceat(values, starts)
        # About the least value: a mean of equal values is that value to the last digit.
        above = (
            values - np.repeat(least[filled], np.diff(np.append(starts, len(place))))
        ) * lasts_us
        mean[filled] = least[filled] + np.add.reduceat(above, starts) / good_us[filled]
        mean = np.minimum(mean, most)
    return Buckets(edges_us[:-1], mean, least, most, good_us / np.maximum(asked_us, 1), count)


def resample(
    rows: pa.Table,
    width: timedelta,
    *,
    value: str = "published_c",
    hold_s: float | Mapping[str, float] = DEFAULT_HOLD_S,
    doubtful: bool = False,
    stream: int | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    now: datetime | None = None,
) -> pa.Table:
    """Buckets of a column of `results`, for each analyzer by name; definition: see the module.

    rows: of `results`, of every verdict, in any order, with analyzer, epoch, cycle_number,
    finished_at, sampled_at, verdict, missed and the value (and stream, to choose by it); to know
    what stands at `since`, also those finished up to `hold_s` before it. since, until: aware; else
    where the first row begins and the last one ends, of all analyzers. hold_s: one for all, or by
    analyzer. now: nothing is known of what comes after it.
    Columns: analyzer, begin_at, mean, min, max, good_share, count; mean, min and max have the
    value's unit in their metadata.
    Raises UsageError for a width or hold that is not above 0 or beyond LONGEST, a naive time, or
    another column.
    """
    holds_s = hold_s if isinstance(hold_s, Mapping) else {}
    usual_s = DEFAULT_HOLD_S if isinstance(hold_s, Mapping) else hold_s
    check_spans(width.total_seconds(), usual_s, *holds_s.values())
    width_us = _micros(width)
    needed = (*_NEEDED, value) if stream is None else (*_NEEDED, "stream", value)
    if lacking := [name for name in needed if name not in rows.column_names]:
        raise UsageError(f"to resample, the rows need the columns {', '.join(lacking)}")
    if not _is_number(rows.schema.field(value).type):
        raise UsageError(f"{value} is no number: there is no average of it")
    series = {
        name: _steps_of(part, value, holds_s.get(name, usual_s), doubtful, stream)
        for name, part in _by_analyzer(rows.select(list(dict.fromkeys(needed))))
    }
    since_us, until_us = _asked(series, since, until, now)
    parts = [
        _as_table(name, bucketed(own, since_us, until_us, width_us)) for name, own in series.items()
    ]
    metadata = rows.schema.field(value).metadata or {}
    wanted = _schema(metadata.get(b"unit", b""), value)
    return pa.concat_tables([wanted.empty_table(), *(p.cast(wanted) for p in parts)])


def check_spans(*spans_s: float) -> None:
    """Raises UsageError for a width or hold that cannot be."""
    if not all(0.0 < span_s <= LONGEST.total_seconds() for span_s in spans_s):
        raise UsageError(
            "the width of a bucket and the hold must be above 0, and at most "
            f"{LONGEST.total_seconds():.0f} s"
        )


_NEEDED = (
    "analyzer",
    "epoch",
    "cycle_number",
    "finished_at",
    "sampled_at",
    "verdict",
    "missed",
)

RESAMPLED_FROM = _NEEDED
"""The columns of `results` that `resample` needs beside the value."""


def _steps_of(
    rows: pa.Table, value: str, hold_s: float, doubtful: bool, stream: int | None
) -> Steps:
    believed = [Verdict.ACCEPTED.value, *([Verdict.DOUBTFUL.value] if doubtful else [])]
    sampled_us = _times_us(rows["sampled_at"])
    is_good = _numbers(pc.is_in(rows["verdict"], value_set=pa.array(believed, pa.string())))
    if stream is not None:
        is_good = is_good & _numbers(pc.equal(rows["stream"], stream).fill_null(False))
    keys = (_numbers(rows["cycle_number"]), _numbers(rows["epoch"]), sampled_us)
    # Files are by the time of the result: nearly always in this order already.
    order = slice(None) if np.all(np.diff(sampled_us) > 0) else np.lexsort(keys)
    usable_until_us = _times_us(rows["finished_at"]) + round(hold_s * _MICROS)
    return steps(
        sampled_us[order],
        usable_until_us[order],
        _numbers(rows["missed"].fill_null(0)).astype(np.int64)[order],
        _numbers(rows[value].cast(pa.float64()))[order],
        is_good.astype(np.bool_)[order],
    )


def _pieces(
    begin_us: Micros, end_us: Micros, values: Reals, width_us: int
) -> tuple[Micros, Micros, Reals]:
    """Each stretch cut at the buckets' edges: bucket, microseconds in it, value; in order."""
    first, last = begin_us // width_us, (end_us - 1) // width_us
    many = last - first + 1
    place = np.repeat(first - np.append(0, np.cumsum(many)[:-1]), many) + np.arange(many.sum())
    low = np.maximum(np.repeat(begin_us, many), place * width_us)
    high = np.minimum(np.repeat(end_us, many), (place + 1) * width_us)
    return place, high - low, np.repeat(values, many)


def _by_analyzer(rows: pa.Table) -> list[tuple[str, pa.Table]]:
    names = sorted(pc.unique(rows["analyzer"]).to_pylist())
    if len(names) == 1:
        return [(names[0], rows)]
    return [(n, rows.filter(pc.equal(rows["analyzer"], pa.scalar(n)))) for n in names]


def _asked(
    series: dict[str, Steps],
    since: datetime | None,
    until: datetime | None,
    now: datetime | None,
) -> tuple[int, int]:
    for name, moment in (("since", since), ("until", until), ("now", now)):
        if moment is not None and moment.tzinfo is None:
            raise UsageError(f"{name}: {moment.isoformat()} lacks its timezone (for UTC add Z)")
    begins = [int(s.begin_us[0]) for s in series.values()]
    ends = [int(s.end_us[-1]) for s in series.values()]
    since_us = _micros(since - _ZERO) if since else min(begins, default=0)
    until_us = _micros(until - _ZERO) if until else max(ends, default=since_us)
    if now is not None:
        until_us = min(until_us, _micros(now - _ZERO))
    return since_us, until_us


def _as_table(analyzer: str, buckets: Buckets) -> pa.Table:
    def real(values: Reals) -> pa.Array[Any]:
        return pa.array(values, pa.float64(), mask=np.isnan(values))

    return pa.table(
        {
            "analyzer": pa.array([analyzer] * len(buckets.begin_us), pa.string()),
            "begin_at": pa.array(buckets.begin_us, pa.int64()).cast(TIMESTAMP),
            "mean": real(buckets.mean),
            "min": real(buckets.least),
            "max": real(buckets.most),
            "good_share": pa.array(buckets.good_share, pa.float64()),
            "count": pa.array(buckets.count, pa.int64()),
        }
    )


def _schema(unit: bytes, value: str) -> pa.Schema:
    def field(name: str, kind: pa.DataType, meaning: str, own: bytes = b"") -> pa.Field[Any]:
        return pa.field(name, kind, metadata={b"unit": own, b"description": meaning.encode()})

    return pa.schema(
        [
            field("analyzer", pa.string(), "Identifier of the analyzer."),
            field("begin_at", TIMESTAMP, "Where the bucket begins, UTC."),
            field("mean", pa.float64(), f"Time-weighted mean of {value}.", unit),
            field("min", pa.float64(), f"Least {value} that stood in it.", unit),
            field("max", pa.float64(), f"Highest {value} that stood in it.", unit),
            field("good_share", pa.float64(), "Share of its time with a good value, 0 to 1."),
            field("count", pa.int64(), "Good cycles whose sample was taken in it."),
        ]
    )


def _is_number(kind: pa.DataType) -> bool:
    return bool(pa.types.is_floating(kind) or pa.types.is_integer(kind))


def _times_us(column: pa.ChunkedArray[Any]) -> Micros:
    return _numbers(column.cast(TIMESTAMP).cast(pa.int64())).astype(np.int64)


def _numbers(column: pa.ChunkedArray[Any]) -> npt.NDArray[Any]:
    return np.asarray(column.to_numpy())


def _micros(span: timedelta) -> int:
    return span // timedelta(microseconds=1)
