"""Time-weighted averages: worked examples, and an independent computation on a fine grid.

The definition is the docstring of edgeflash.history.resample. Outside references: pandas
(merge_asof on a grid of seconds), the raw data of OPC 10000-13, annex A, "Historian 1" (from
memory), and the outlets' own PercentGood.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edgeflash.errors import UsageError
from edgeflash.history import resample as module
from edgeflash.history.resample import resample
from edgeflash.history.schema import TableName, schema
from edgeflash.outlets.aggregates import Aggregate, Treatment
from edgeflash.outlets.history_processed import processed_task
from edgeflash.outlets.history_rows import Place, Row
from tests.unit.outlets.history_made import BAD, GOOD, UNCERTAIN, reader

NOON = datetime(2026, 5, 1, 12, tzinfo=UTC)
FOR_EVER_S = 1e6


class Made(NamedTuple):
    """A row: seconds after noon, value, verdict, cycles missed before, delay to its result."""

    s: float
    value: float | None
    verdict: str = "accepted"
    missed: int = 0
    delay_s: float = 0.0


def at(s: float) -> datetime:
    return NOON + timedelta(seconds=s)


def table(rows: Sequence[Made], analyzer: str = "fp-101") -> pa.Table:
    wanted = [*module.RESAMPLED_FROM, "published_c"]
    columns = {
        "analyzer": [analyzer] * len(rows),
        "epoch": [0] * len(rows),
        "cycle_number": list(range(len(rows))),
        "finished_at": [at(r.s + r.delay_s) for r in rows],
        "sampled_at": [at(r.s) for r in rows],
        "verdict": [r.verdict for r in rows],
        "missed": [r.missed for r in rows],
        "published_c": [r.value for r in rows],
    }
    full = schema(TableName.RESULTS)
    return pa.table(columns, pa.schema([full.field(name) for name in wanted]))


def told(found: pa.Table, *names: str) -> list[tuple[object, ...]]:
    return list(zip(*(found[name].to_pylist() for name in names), strict=True))


def test_a_worked_example() -> None:
    """60 °C for 6 min, 63 °C for 4: a mean of 61.2 °C; what stood before counts within only."""
    rows = [Made(-120, 60.0), Made(360, 63.0), Made(600, 70.0)]
    found = resample(table(rows), timedelta(minutes=10), since=NOON, until=at(600))
    assert found["begin_at"].to_pylist() == [NOON]
    assert found["mean"].to_pylist() == pytest.approx([(60.0 * 6 + 63.0 * 4) / 10])
    assert told(found, "min", "max", "good_share", "count") == [(60.0, 63.0, 1.0, 1)]
    assert found.schema.field("mean").metadata[b"unit"] == "°C".encode()
    assert found.schema.field("count").metadata[b"unit"] == b""


def test_a_value_stands_no_longer_than_its_hold() -> None:
    """Held for 300 s after its result, which came 60 s after the sample: 360 s of 600."""
    rows = [Made(0, 60.0, delay_s=60.0)]
    found = resample(table(rows), timedelta(minutes=10), hold_s=300.0, until=at(1200))
    assert told(found, "mean", "good_share", "count") == [(60.0, 0.6, 1), (None, 0.0, 0)]
    assert found["min"].null_count == found["max"].null_count == 1


def test_no_value_reaches_through_a_rejected_cycle() -> None:
    """60 °C until the rejected one at 4 min; then nothing until 66 °C at 8 min."""
    rows = [Made(0, 60.0), Made(240, None, "rejected"), Made(480, 66.0), Made(600, 66.0)]
    found = resample(table(rows), timedelta(minutes=10), until=at(600))
    assert found["mean"].to_pylist() == pytest.approx([(60.0 * 240 + 66.0 * 120) / 360])
    assert told(found, "good_share", "count") == [(0.6, 2)]


def test_doubtful_ones_by_choice() -> None:
    """Left out they end the one before, as rejected ones do; taken, they stand as the others."""
    rows = [Made(0, 60.0), Made(300, 64.0, "doubtful"), Made(600, 60.0)]
    span = {"since": NOON, "until": at(600)}
    found = resample(table(rows), timedelta(minutes=10), **span)
    assert told(found, "mean", "good_share", "count") == [(60.0, 0.5, 1)]
    found = resample(table(rows), timedelta(minutes=10), doubtful=True, **span)
    assert told(found, "mean", "good_share", "count") == [(62.0, 1.0, 2)]


def test_no_value_reaches_across_missed_cycles() -> None:
    """Two missed in 9 min: 60 °C stands for the 3 min to the first of them."""
    rows = [Made(0, 60.0), Made(540, 66.0, missed=2), Made(600, None, "rejected")]
    found = resample(table(rows), timedelta(minutes=10), until=at(600))
    assert found["mean"].to_pylist() == pytest.approx([(60.0 * 180 + 66.0 * 60) / 240])
    assert told(found, "good_share", "count") == [(0.4, 2)]


def test_streams_are_kept_apart_by_choice() -> None:
    """60 °C of stream 1 for 4 min, 80 °C of stream 2 for 2, 60 °C again for 4: of one that is
    chosen, the other's cycle ends what stood before it, as a rejected one does; unknown is none."""
    rows = [Made(0, 60.0), Made(240, 80.0), Made(360, 60.0), Made(600, 90.0)]
    both = table(rows)
    field = schema(TableName.RESULTS).field("stream")
    both = both.append_column(field, pa.array([1, 2, 1, None], field.type))
    width = timedelta(minutes=10)
    found = [resample(both, width, until=at(600), stream=n) for n in (1, 2, 3, None)]
    assert [told(f, "mean", "good_share", "count") for f in found] == [
        [(60.0, 0.8, 2)],
        [(80.0, 0.2, 1)],
        [(None, 0.0, 0)],
        [(64.0, 1.0, 3)],
    ]


def test_each_analyzer_has_its_own() -> None:
    """By name, over the same time; a value of one never stands for another."""
    both = pa.concat_tables(
        [table([Made(0, 60.0), Made(300, 61.0)], "b"), table([Made(120, 70.0)], "a")]
    )
    found = resample(both, timedelta(minutes=5), hold_s=300.0)
    assert told(found, "analyzer", "begin_at", "mean", "good_share") == [
        ("a", NOON, 70.0, 0.6),
        ("a", at(300), 70.0, 0.4),
        ("b", NOON, 60.0, 1.0),
        ("b", at(300), 61.0, 1.0),
    ]


def test_of_no_rows_there_is_nothing() -> None:
    """No analyzer, no bucket; the columns are there."""
    found = resample(table([]), timedelta(hours=1), since=NOON, until=at(7200))
    assert found.num_rows == 0
    assert found.column_names == [
        "analyzer", "begin_at", "mean", "min", "max", "good_share", "count"
    ]  # fmt: skip


HISTORIAN_1 = [
    *(Made(s, float(s)) for s in (10, 20, 30)),
    Made(40, None, "rejected"),
    *(Made(s, float(s)) for s in (50, 60)),
    Made(70, 70.0, "doubtful"),
    *(Made(s, float(s)) for s in (80, 90)),
]
"""OPC 10000-13, annex A: 40 is bad, 70 uncertain."""


def test_the_example_of_the_standard() -> None:
    """Shares are those that tests/unit/outlets/test_aggregates.py has; the averages by hand:
    seconds × value of each stepped stretch within 16 s."""
    found = resample(
        table(HISTORIAN_1), timedelta(seconds=16), hold_s=FOR_EVER_S, since=NOON, until=at(96)
    )
    assert found["good_share"].to_pylist() == pytest.approx(
        [6 / 16, 1.0, 8 / 16, 14 / 16, 6 / 16, 1.0]
    )
    assert found["mean"].to_pylist() == pytest.approx(
        [
            10.0,
            (4 * 10 + 10 * 20 + 2 * 30) / 16,
            30.0,
            (10 * 50 + 4 * 60) / 14,
            60.0,
            (10 * 80 + 6 * 90) / 16,
        ]
    )
    assert found["count"].to_pylist() == [1, 2, 0, 2, 0, 2]


@pytest.mark.parametrize(
    ("wrong", "match"),
    [
        ({"width": timedelta(0)}, "above 0"),
        ({"hold_s": 0.0}, "above 0"),
        ({"hold_s": float("nan")}, "above 0"),
        ({"value": "verdict"}, "no number"),
        ({"value": "peak_mpa"}, "columns peak_mpa"),
        ({"since": datetime(2026, 5, 1)}, "since.*timezone"),  # noqa: DTZ001
        ({"width": timedelta(microseconds=1), "until": at(100)}, "wider"),
    ],
)
def test_what_cannot_be_asked(wrong: dict[str, object], match: str) -> None:
    with pytest.raises(UsageError, match=match):
        resample(table([Made(0, 60.0)]), **{"width": timedelta(hours=1), **wrong})


def test_it_loads_nothing_of_the_extra() -> None:
    code = (
        "import sys, edgeflash.history.resample; "
        "sys.exit(bool({'pandas', 'duckdb', 'matplotlib', 'plotly'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


value = st.floats(-50, 300, allow_nan=False, width=32)
verdict = st.sampled_from(["accepted", "accepted", "doubtful", "rejected"])
series = st.dictionaries(
    st.integers(-60, 600),
    st.tuples(value, verdict, st.sampled_from([0, 0, 0, 1, 4]), st.integers(0, 40)),
    min_size=1,
    max_size=50,
).map(
    lambda made: [
        Made(s, None if v == "rejected" else c, v, missed, float(delay))
        for s, (c, v, missed, delay) in sorted(made.items())
    ]
)

TICKS = 10
"""Of a second: half of one and the fifth part of one fall on the grid too."""


def on_a_grid(rows: list[Made], hold_s: float, doubtful: bool, width_s: int) -> pd.DataFrame:
    """Each tick of 600 s asked for the last row before it, and whether that still stands."""
    frame = pd.DataFrame({"at": [round(r.s * TICKS) for r in rows], "row": range(len(rows))})
    grid = pd.DataFrame({"at": np.arange(600 * TICKS)})
    seen = pd.merge_asof(grid, frame, on="at").dropna()
    standing = []
    for tick, number in zip(seen["at"], seen["row"].astype(int), strict=True):
        row, begun = rows[number], round(rows[number].s * TICKS)
        fine = row.verdict == "accepted" or (doubtful and row.verdict == "doubtful")
        fine = fine and tick < (row.s + row.delay_s + hold_s) * TICKS
        if number + 1 < len(rows) and rows[number + 1].missed:
            until_next = round(rows[number + 1].s * TICKS) - begun
            fine = fine and tick < begun + until_next / (rows[number + 1].missed + 1)
        standing.append(row.value if fine else np.nan)
    values = pd.Series(standing, seen["at"], dtype=float).reindex(grid["at"])
    by_bucket = values.groupby(grid["at"].to_numpy() // (width_s * TICKS))
    return by_bucket.agg(["mean", "min", "max", "count"])


@settings(deadline=None, max_examples=40)
@given(
    series,
    st.sampled_from([10, 50, 60, 200, 300]),
    st.integers(1, 200),
    st.booleans(),
    st.randoms(use_true_random=False),
)
def test_it_is_what_a_fine_grid_gives(
    rows: list[Made], width_s: int, hold_s: int, doubtful: bool, chance: object
) -> None:
    """pandas on ticks of a tenth of a second; whatever the order of the rows."""
    made = table(rows)
    mixed = list(range(len(rows)))
    chance.shuffle(mixed)  # type: ignore[attr-defined]
    found = resample(
        made.take(mixed),
        timedelta(seconds=width_s),
        hold_s=float(hold_s),
        doubtful=doubtful,
        since=NOON,
        until=at(600),
    )
    wanted = on_a_grid(rows, float(hold_s), doubtful, width_s)
    assert len(found) == len(wanted) == 600 // width_s
    for name in ("mean", "min", "max"):
        ours = found[name].to_pandas().to_numpy(float, na_value=np.nan)
        np.testing.assert_allclose(ours, wanted[name], rtol=1e-9, atol=1e-9)
    shares = wanted["count"] / (width_s * TICKS)
    np.testing.assert_allclose(found["good_share"].to_numpy(), shares, atol=1e-12)
    believed = {"accepted", "doubtful"} if doubtful else {"accepted"}
    counts = np.zeros(len(wanted), int)
    for row in rows:
        if 0 <= row.s < 600 and row.verdict in believed:
            counts[int(row.s) // width_s] += 1
    assert found["count"].to_pylist() == counts.tolist()


@settings(deadline=None, max_examples=40)
@given(series, st.integers(1, 90), st.integers(1, 300), st.booleans())
def test_shares_are_the_outlets_percent_good(
    rows: list[Made], width_s: int, hold_s: int, doubtful: bool
) -> None:
    """OPC UA HistoryRead of the same rows says the same (it knows nothing of missed cycles)."""
    rows = [r._replace(missed=0) for r in rows]
    statuses = {"accepted": GOOD, "doubtful": UNCERTAIN, "rejected": BAD}
    points = [
        Row(
            Place(at(r.s), 0, n),
            r.value,
            statuses[r.verdict],
            at(r.s),
            at(r.s + r.delay_s + hold_s),
        )
        for n, r in enumerate(rows)
    ]
    # Whole multiples of the width since 1970, as ours begin.
    begin_s = -(NOON.timestamp() % width_s)
    end_s = begin_s + width_s * (600 // width_s)
    task = processed_task(
        at(begin_s),
        at(end_s),
        1000.0 * width_s,
        Aggregate.PERCENT_GOOD,
        Treatment(uncertain_is_bad=not doubtful),
    )
    answers, rest = task.page(reader(points), 10_000, at(1e6))
    assert rest is None
    found = resample(
        table(rows),
        timedelta(seconds=width_s),
        hold_s=float(hold_s),
        doubtful=doubtful,
        since=at(begin_s),
        until=at(end_s),
    )
    percents = [0.0 if a.value is None else a.value for a in answers]
    assert [100.0 * s for s in found["good_share"].to_pylist()] == pytest.approx(percents)


@settings(deadline=None, max_examples=40)
@given(series, st.integers(1, 300))
def test_wide_buckets_are_made_of_narrow_ones(rows: list[Made], hold_s: int) -> None:
    """Time and value × time add up; each mean lies between least and most."""
    span = {"since": at(0), "until": at(600), "hold_s": float(hold_s)}
    narrow = resample(table(rows), timedelta(seconds=30), **span).to_pandas()
    (wide,) = resample(table(rows), timedelta(seconds=600), **span).to_pylist()
    assert narrow["good_share"].mean() == pytest.approx(wide["good_share"])
    assert narrow["count"].sum() == wide["count"]
    known = narrow.dropna()
    assert ((known["min"] <= known["mean"]) & (known["mean"] <= known["max"])).all()
    assert ((narrow["good_share"] > 0) == narrow["mean"].notna()).all()
    if len(known):
        weighted = (known["mean"] * known["good_share"]).sum() / known["good_share"].sum()
        assert wide["mean"] == pytest.approx(weighted)
        assert (wide["min"], wide["max"]) == (known["min"].min(), known["max"].max())
    else:
        assert wide["mean"] is None


@given(value, st.lists(st.integers(0, 3600), min_size=1, max_size=20, unique=True))
def test_the_mean_of_equal_values_is_that_value(same: float, seconds: list[int]) -> None:
    """To the last digit, however the time is cut."""
    rows = [Made(s, same) for s in sorted(seconds)]
    found = resample(table(rows), timedelta(seconds=7))
    assert set(found["mean"].to_pylist()) <= {same, None}
