"""The trend of one analyzer's flash point, with its verdicts, the product's limit and the
laboratory. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from edgeflash.figures.figure import (
    Figure,
    Ink,
    Layer,
    Line,
    Panel,
    Places,
    Points,
    Ribbon,
    Spans,
    Symbol,
    Values,
)
from edgeflash.history.resample import DEFAULT_HOLD_S, RESAMPLED_FROM, resample, steps
from edgeflash.model import Verdict

TREND_COLUMNS = (*RESAMPLED_FROM, "published_c", "reported_c", "minimum_c", "reasons")
"""The columns of `results` that a trend is drawn from."""

LAB_COLUMNS = (
    "sampled_at",
    "value_c",
    "status",
    "method",
    "sample_id",
    "correction_of",
    "entry_id",
)
"""The columns of `lab` that its points are drawn from."""

MOST_POINTS = 4000
"""Cycles that are drawn one by one; of more, the average over time is drawn."""

_INKS = {
    Verdict.ACCEPTED: (Ink.BLUE, Symbol.DOT),
    Verdict.DOUBTFUL: (Ink.ORANGE, Symbol.TRIANGLE),
    Verdict.REJECTED: (Ink.VERMILLION, Symbol.CROSS),
}
_NO_CYCLE = "no cycle"
_WIDTHS_S = (60, 300, 900, 3600, 4 * 3600, 86_400, 7 * 86_400)


def trend_figure(
    results: pa.Table,
    lab: pa.Table | None = None,
    *,
    analyzer: str,
    hold_s: float = DEFAULT_HOLD_S,
    most_points: int = MOST_POINTS,
) -> Figure:
    """The figure. results: rows of one analyzer, with TREND_COLUMNS; lab: its laboratory results,
    with LAB_COLUMNS. Over most_points cycles, it shows time-weighted averages."""
    rows = results.sort_by([(n, "ascending") for n in ("sampled_at", "epoch", "cycle_number")])
    draw = _cycles if len(rows) <= most_points else _averages
    value, below, how = draw(rows, hold_s)
    layers = (*value, *_limit(rows), *_laboratory(lab))
    return Figure(
        title=f"{analyzer}: flash point",
        subtitle=f"{_span(rows)}; {len(rows)} cycles; {how}",
        panels=(
            Panel("time, UTC", "flash point, °C", layers, height=4.0),
            below,
        ),
    )


def _cycles(rows: pa.Table, hold_s: float) -> tuple[tuple[Layer, ...], Panel, str]:
    """Each cycle as a point; below, how long each verdict stood."""
    at, verdicts = _times(rows["sampled_at"]), np.asarray(rows["verdict"].to_pylist(), object)
    published, reported = _reals(rows["published_c"]), _reals(rows["reported_c"])
    shown = np.where(verdicts == Verdict.REJECTED.value, reported, published)
    words = _words(rows, shown)
    accepted = verdicts == Verdict.ACCEPTED.value
    until = _ends(rows, hold_s)
    curve = Line("accepted, joined", *_joined(at, published, accepted, until), Ink.SKY)
    points = []
    for verdict, (ink, symbol) in _INKS.items():
        mine = (verdicts == verdict.value) & np.isfinite(shown)
        is_rejected = verdict is Verdict.REJECTED
        name = "rejected: as the analyzer reports it, not for use" if is_rejected else verdict.value
        told = tuple(words[n] for n in np.flatnonzero(mine))
        if told:
            points.append(Points(name, at[mine], shown[mine], ink, symbol, told))
    bands = _bands(at, until, verdicts)
    strip = Panel("time, UTC", "verdict", bands, height=1.2, y_is_named=True)
    behind = tuple(
        band for band in bands if band.name in (Verdict.DOUBTFUL.value, Verdict.REJECTED.value)
    )
    return (*behind, curve, *points), strip, "each cycle at the time of its sample"


def _averages(rows: pa.Table, hold_s: float) -> tuple[tuple[Layer, ...], Panel, str]:
    """Averages over time with the least and highest; below, the share of good time."""
    width_s = _width_s(rows)
    found = resample(rows, timedelta(seconds=width_s), hold_s=hold_s)
    at = _times(found["begin_at"])
    mean, least, most = (_reals(found[name]) for name in ("mean", "min", "max"))
    share = 100.0 * _reals(found["good_share"])
    good = Panel(
        "time, UTC",
        "good, % of time",
        (Line("share of time with an accepted value", at, share, Ink.GREEN, stepped=True),),
        height=1.2,
        y_span=(0.0, 100.0),
    )
    layers = (
        Ribbon("least to highest accepted", at, least, most, Ink.SKY),
        Line("accepted, mean over time", at, mean, Ink.BLUE),
    )
    return layers, good, f"averages over {_duration(width_s)}"


def _limit(rows: pa.Table) -> Iterable[Layer]:
    minimum = _reals(rows["minimum_c"])
    if np.isfinite(minimum).any():
        at = _times(rows["sampled_at"])
        # Only where it changes: a straight line needs no point for each cycle.
        kept = np.ones(len(minimum), bool)
        kept[1:-1] = (minimum[1:-1] != minimum[:-2]) | (minimum[1:-1] != minimum[2:])
        yield Line(
            "the product's limit", at[kept], minimum[kept], Ink.PURPLE, dashed=True, stepped=True
        )


def _laboratory(lab: pa.Table | None) -> Iterable[Layer]:
    """What the laboratory says at last: neither withdrawn, nor corrected by a later entry."""
    if lab is None or len(lab) == 0:
        return
    corrected = {name for name in lab["correction_of"].to_pylist() if name is not None}
    standing = [
        row
        for row in lab.select(list(LAB_COLUMNS)).to_pylist()
        if row["status"] != "withdrawn"
        and row["entry_id"] not in corrected
        and row["value_c"] is not None
    ]
    for status, hollow in (("final", False), ("preliminary", True)):
        mine = [row for row in standing if row["status"] == status]
        if mine:
            yield Points(
                f"laboratory, {status}",
                _places(row["sampled_at"] for row in mine),
                np.array([row["value_c"] for row in mine], np.float64),
                Ink.BLACK,
                Symbol.DIAMOND,
                tuple(_lab_words(row) for row in mine),
                hollow,
            )


def _lab_words(row: dict[str, Any]) -> str:
    method = f" by {row['method']}" if row["method"] else ""
    return (
        f"{_stamp(row['sampled_at'])}\nlaboratory, {row['status']}: {row['value_c']:.1f} °C"
        f"{method}\nsample {row['sample_id']}"
    )


def _words(rows: pa.Table, shown: Values) -> list[str]:
    """Time, value with unit, and trust of each cycle."""
    columns = (rows[n].to_pylist() for n in ("epoch", "cycle_number", "verdict", "reasons"))
    return [
        f"{_stamp(at)}\n{_number(value)}, {verdict}"
        f"{': ' + ', '.join(reasons) if reasons else ''}\ncycle {epoch}/{number}"
        for at, value, epoch, number, verdict, reasons in zip(
            rows["sampled_at"].to_pylist(), shown, *columns, strict=True
        )
    ]


def _number(value: float) -> str:
    return f"{value:.2f} °C" if np.isfinite(value) else "no value"


def _ends(rows: pa.Table, hold_s: float) -> Places:
    """How long each verdict stands, as `resample` has it: until the next cycle, or the first one
    that was missed before that, and no longer than the hold."""
    at_us, finished_us = (_times(rows[n]).view(np.int64) for n in ("sampled_at", "finished_at"))
    missed = np.asarray(rows["missed"].fill_null(0).to_numpy(), np.int64)
    unweighed = np.zeros(len(rows)), np.zeros(len(rows), bool)
    stood = steps(at_us, finished_us + round(hold_s * 1e6), missed, *unweighed)
    return stood.end_us.view("datetime64[us]")


def _joined(at: Places, published: Values, accepted: Any, until: Places) -> tuple[Places, Values]:
    """The accepted values as one curve, broken at every gap and other verdict."""
    values = np.where(accepted, published, np.nan)
    gap = np.flatnonzero(until[:-1] < at[1:]) + 1
    return np.insert(at, gap, until[gap - 1]), np.insert(values, gap, np.nan)


def _bands(at: Places, until: Places, verdicts: Any) -> tuple[Spans, ...]:
    """Stretches of one verdict, and those without a cycle."""
    bands = []
    for verdict, (ink, _) in _INKS.items():
        begin, end = _runs(at, until, verdicts == verdict.value)
        bands.append(Spans(verdict.value, begin, end, ink))
    silent = np.flatnonzero(until[:-1] < at[1:])
    bands.append(Spans(_NO_CYCLE, until[:-1][silent], at[1:][silent], Ink.GREY))
    return tuple(bands)


def _runs(begin: Places, end: Places, chosen: Any) -> tuple[Places, Places]:
    """The chosen stretches, those that touch made one."""
    first = chosen.copy()
    first[1:] &= ~(chosen[:-1] & (end[:-1] >= begin[1:]))
    last = chosen.copy()
    last[:-1] &= ~(chosen[1:] & (end[:-1] >= begin[1:]))
    return begin[first], end[last]


def _width_s(rows: pa.Table) -> int:
    """A round width that gives some hundreds of buckets."""
    times = _times(rows["sampled_at"])
    span_s = (times[-1] - times[0]) / np.timedelta64(1, "s")
    return next((w for w in _WIDTHS_S if span_s / w <= 1500), _WIDTHS_S[-1])


def _duration(seconds: int) -> str:
    for size, name in ((86_400, "d"), (3600, "h"), (60, "min")):
        if seconds % size == 0:
            return f"{seconds // size} {name}"
    return f"{seconds} s"


def _span(rows: pa.Table) -> str:
    if len(rows) == 0:
        return "no cycles"
    found: Any = pc.min_max(rows["sampled_at"]).as_py()
    first, last = (f"{found[end].astimezone(UTC):%Y-%m-%d %H:%M}" for end in ("min", "max"))
    return f"{first} to {last} UTC"


def _stamp(at: datetime) -> str:
    return f"{at.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC"


def _times(column: pa.ChunkedArray[Any]) -> Places:
    return np.asarray(column.cast(pa.timestamp("us", "UTC")).cast(pa.int64()).to_numpy()).astype(
        "datetime64[us]"
    )


def _places(moments: Iterable[datetime]) -> Places:
    return np.array([m.astimezone(UTC).replace(tzinfo=None) for m in moments], "datetime64[us]")


def _reals(column: pa.ChunkedArray[Any]) -> Values:
    return np.asarray(column.cast(pa.float64()).to_numpy(), np.float64)
