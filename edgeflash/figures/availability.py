"""The calendar of availability: for each analyzer and day, the share with a good value. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pyarrow as pa

from edgeflash.figures.figure import Cells, Figure, Panel
from edgeflash.history.resample import DEFAULT_HOLD_S, RESAMPLED_FROM, resample

AVAILABILITY_COLUMNS = (*RESAMPLED_FROM, "published_c")
"""The columns of `results` that the calendar is made of."""

_DAY = timedelta(days=1)
_DAY_US = 86_400_000_000


def availability_figure(
    results: pa.Table,
    *,
    since: datetime | None = None,
    until: datetime | None = None,
    hold_s: float | Mapping[str, float] = DEFAULT_HOLD_S,
    now: datetime | None = None,
) -> Figure:
    """The figure. results: rows of every verdict with AVAILABILITY_COLUMNS, of any analyzers.

    A day on which no sample was taken is not known, which is not the same as 0 %. since, until,
    hold_s, now: as for `resample`.
    """
    found = resample(results, _DAY, hold_s=hold_s, since=since, until=until, now=now)
    names = tuple(sorted(set(found["analyzer"].to_pylist())))
    days = len(found) // len(names) if names else 0
    shares = np.asarray(found["good_share"].to_numpy(), np.float64).reshape(len(names), days)
    first_us = _first_us(found)
    known = np.zeros((len(names), days), bool)
    sampled_us = np.asarray(results["sampled_at"].cast(pa.int64()).to_numpy())
    owners: Any = results["analyzer"].to_numpy()
    for number, name in enumerate(names):
        own = (sampled_us[owners == name] - first_us) // _DAY_US
        known[number, own[(own >= 0) & (own < days)]] = True
    begin = (first_us + _DAY_US * np.arange(days)).astype("datetime64[us]")
    cells = Cells(
        names, begin, np.where(known, shares, np.nan), "share of the day with an accepted value, %"
    )
    holds_s = sorted(set(hold_s.values())) if isinstance(hold_s, Mapping) else [hold_s]
    held = " or ".join(f"{hold:g}" for hold in holds_s or [DEFAULT_HOLD_S]) + " s"
    span = "no cycles"
    if days:
        last = datetime.fromtimestamp((first_us + (days - 1) * _DAY_US) / 1e6, UTC)
        span = f"{datetime.fromtimestamp(first_us / 1e6, UTC):%Y-%m-%d} to {last:%Y-%m-%d}"
    return Figure(
        title="Availability of the flash point",
        subtitle=f"{span}, days in UTC; a value counts for at most {held} after its result; "
        "no colour: no sample was taken",
        panels=(
            Panel(
                "day, UTC",
                "analyzer",
                (cells,),
                height=max(1.0, 0.4 * len(names)),
                y_is_named=True,
            ),
        ),
    )


def _first_us(found: pa.Table) -> int:
    if len(found) == 0:
        return 0
    return int(found["begin_at"].cast(pa.int64())[0].as_py())
