"""What the figures show: each cycle with its trust, no time shown twice, nothing made up."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edgeflash.figures import TracedCycle, availability_figure, trace_figure, trend_figure
from edgeflash.figures.figure import (
    Cells,
    Figure,
    Ink,
    Instant,
    Level,
    Line,
    Points,
    Ribbon,
    Spans,
    Symbol,
)
from edgeflash.history.schema import TableName, rows
from edgeflash.model import Result, Verdict
from tests.unit.journal.samples import entries_of, sample_pulse, sample_result

NOON = datetime(2026, 5, 1, 12, tzinfo=UTC)


def results(*made: Result) -> pa.Table:
    return rows(TableName.RESULTS, entries_of(made))


def cycles(count: int, **more: Any) -> pa.Table:
    return results(*(sample_result(n, with_trace=False, **more) for n in range(count)))


def layers(figure: Figure, kind: type, panel: int = 0) -> list[Any]:
    return [layer for layer in figure.panels[panel].layers if isinstance(layer, kind)]


def test_each_cycle_is_a_point_that_says_time_value_unit_and_trust() -> None:
    """Of four cycles two are accepted, one doubtful, one rejected, in the samples."""
    figure = trend_figure(cycles(8), analyzer="fp-101")
    points = {p.name.split(":")[0]: p for p in layers(figure, Points)}
    assert {name: len(p.y) for name, p in points.items()} == {
        "accepted": 4,
        "doubtful": 2,
        "rejected": 2,
    }
    assert len({p.symbol for p in points.values()}) == len({p.ink for p in points.values()}) == 3
    assert points["accepted"].words[0] == ("2026-04-30 21:58:45 UTC\n62.50 °C, accepted\ncycle 0/0")
    assert "63.00 °C, doubtful: ignition_weak" not in points["accepted"].words
    assert "62.70 °C, doubtful: ignition_weak" in points["doubtful"].words[0]
    # A rejected cycle has no value for use: what is shown is the analyzer's, and says so.
    assert points["rejected"].y[0] == pytest.approx(62.3)
    assert "not for use" in points["rejected"].name
    assert figure.panels[0].y_label == "flash point, °C"
    assert "8 cycles" in figure.subtitle
    assert "UTC" in figure.subtitle


def test_the_curve_joins_accepted_cycles_only() -> None:
    """Broken at each other verdict, and where no cycle came for longer than the hold."""
    made = [sample_result(n, with_trace=False) for n in (0, 1, 4, 5, 25, 28)]
    (curve, _limit) = layers(trend_figure(results(*made), analyzer="fp-101"), Line)
    assert np.isnan(curve.y).tolist() == [False, False, False, False, True, False, False]
    mixed = trend_figure(cycles(6), analyzer="fp-101")
    (curve, _limit) = layers(mixed, Line)
    assert np.isnan(curve.y).tolist() == [False, False, True, True, False, False]


def test_a_verdict_stands_only_until_a_cycle_that_was_missed() -> None:
    """As in the averages: two missed in 12 min, so the first of three parts is what is known."""
    made = [sample_result(n, with_trace=False, verdict=Verdict.ACCEPTED) for n in (0, 3)]
    late = replace(made[1], cycle=replace(made[1].cycle, missed=2))
    figure = trend_figure(results(made[0], late), analyzer="fp-101")
    bands = {band.name: band for band in layers(figure, Spans, panel=1)}
    third = (late.sampled_at - made[0].sampled_at) / 3
    silent = bands["no cycle"]
    assert silent.begin.tolist() == [(made[0].sampled_at + third).replace(tzinfo=None)]
    assert silent.end.tolist() == [late.sampled_at.replace(tzinfo=None)]
    assert len(bands["accepted"].begin) == 2


def test_nothing_is_shown_of_what_is_still_to_come() -> None:
    """Today's share is of today until now: an hour of 2, the hold reaching beyond."""
    one = sample_result(0, with_trace=False, verdict=Verdict.ACCEPTED)
    since = one.sampled_at - timedelta(hours=1)
    rows = results(one)
    now = one.sampled_at + timedelta(hours=1)
    (cells,) = layers(availability_figure(rows, since=since, hold_s=9000.0, now=now), Cells)
    assert cells.shares[0, -1] == pytest.approx(0.5)


def test_the_limit_is_a_line() -> None:
    """Of three cycles with one limit, its ends."""
    limit = layers(trend_figure(cycles(3), analyzer="fp-101"), Line)[1]
    assert limit.name == "the product's limit"
    assert limit.y.tolist() == [55.0, 55.0]


def lab(*entries: tuple[float | None, str, str, str | None]) -> pa.Table:
    """value_c, status, entry_id, correction_of."""
    return pa.table(
        {
            "sampled_at": pa.array([NOON] * len(entries), pa.timestamp("us", "UTC")),
            "value_c": pa.array([e[0] for e in entries], pa.float64()),
            "status": [e[1] for e in entries],
            "method": ["ISO 2719 A"] * len(entries),
            "sample_id": ["s-7"] * len(entries),
            "entry_id": [e[2] for e in entries],
            "correction_of": pa.array([e[3] for e in entries], pa.string()),
        }
    )


def test_laboratory_points_are_what_the_laboratory_says_at_last() -> None:
    """Neither what was withdrawn or corrected, nor what has no value; preliminary is hollow."""
    entries = lab(
        (60.0, "final", "a", None),
        (61.0, "final", "b", "a"),
        (62.0, "withdrawn", "c", None),
        (None, "final", "d", None),
        (63.0, "preliminary", "e", None),
    )
    figure = trend_figure(cycles(4), entries, analyzer="fp-101")
    found = {p.name: p for p in layers(figure, Points) if p.symbol is Symbol.DIAMOND}
    assert {name: p.y.tolist() for name, p in found.items()} == {
        "laboratory, final": [61.0],
        "laboratory, preliminary": [63.0],
    }
    assert found["laboratory, preliminary"].hollow
    assert not found["laboratory, final"].hollow
    (words,) = found["laboratory, final"].words
    assert words == (
        "2026-05-01 12:00:00 UTC\nlaboratory, final: 61.0 °C by ISO 2719 A\nsample s-7"
    )


def test_many_cycles_are_shown_as_averages() -> None:
    """With the least and the highest, and below the share of good time, from 0 to 100 %."""
    figure = trend_figure(cycles(40), analyzer="fp-101", most_points=39)
    assert not layers(figure, Points)
    (ribbon,) = layers(figure, Ribbon)
    (mean, _limit) = layers(figure, Line)
    known = np.isfinite(mean.y)
    assert known.any()
    assert (ribbon.low[known] <= mean.y[known]).all()
    assert (mean.y[known] <= ribbon.high[known]).all()
    (share,) = layers(figure, Line, panel=1)
    assert ((share.y >= 0.0) & (share.y <= 100.0)).all()
    assert "averages over 1 min" in figure.subtitle


def test_without_cycles_the_figure_is_empty() -> None:
    figure = trend_figure(cycles(0), analyzer="fp-101")
    assert "no cycles" in figure.subtitle
    assert all(len(s.begin) == 0 for s in layers(figure, Spans, panel=1))
    calendar = availability_figure(cycles(0))
    (cells,) = layers(calendar, Cells)
    assert cells.shares.size == 0


made_rows = st.lists(
    st.tuples(st.integers(1, 2000), st.sampled_from(["accepted", "doubtful", "rejected"])),
    min_size=1,
    max_size=40,
)


@settings(deadline=None, max_examples=60)
@given(made_rows, st.integers(60, 1200))
def test_each_instant_has_one_verdict_or_none(made: list[tuple[int, str]], hold_s: int) -> None:
    """The lanes cover the time from the first sample on without gap or overlap."""
    at = NOON + np.cumsum([gap for gap, _ in made]) * timedelta(seconds=1)
    table = pa.table(
        {
            "analyzer": ["fp-101"] * len(made),
            "epoch": [0] * len(made),
            "cycle_number": list(range(len(made))),
            "finished_at": pa.array(list(at), pa.timestamp("us", "UTC")),
            "sampled_at": pa.array(list(at), pa.timestamp("us", "UTC")),
            "verdict": [verdict for _, verdict in made],
            "missed": [0] * len(made),
            "published_c": [60.0] * len(made),
            "reported_c": [60.0] * len(made),
            "minimum_c": [55.0] * len(made),
            "reasons": pa.array([[] for _ in made], pa.list_(pa.string())),
        }
    )
    figure = trend_figure(table, analyzer="fp-101", hold_s=float(hold_s))
    lanes = layers(figure, Spans, panel=1)
    assert [lane.name for lane in lanes] == ["accepted", "doubtful", "rejected", "no cycle"]
    pieces = sorted(
        (begin, end)
        for lane in lanes
        for begin, end in zip(lane.begin.tolist(), lane.end.tolist(), strict=True)
    )
    naive = [moment.replace(tzinfo=None) for moment in at]
    assert pieces[0][0] == naive[0]
    assert pieces[-1][1] == naive[-1] + timedelta(seconds=hold_s)
    assert all(end == begin for (_, end), (begin, _) in pairwise(pieces))


def test_the_calendar_tells_a_day_without_cycles_from_one_without_a_good_value() -> None:
    """One analyzer: a day of accepted cycles, none the next day, then only rejected ones."""
    at = datetime(2026, 5, 1, tzinfo=UTC)
    steps = [at + timedelta(minutes=10 * n) for n in range(144)]
    made = [sample_result(n, finished_at=t, verdict=Verdict.ACCEPTED) for n, t in enumerate(steps)]
    late = at + timedelta(days=2, hours=5)
    made.append(sample_result(999, finished_at=late, verdict=Verdict.REJECTED))
    figure = availability_figure(
        results(*made),
        since=at,
        until=at + timedelta(days=3),
    )
    (cells,) = layers(figure, Cells)
    assert cells.names == ("fp-101",)
    assert cells.begin.tolist() == [datetime(2026, 5, n) for n in (1, 2, 3)]  # noqa: DTZ001
    assert cells.shares[0, 0] == pytest.approx(1.0, abs=1e-9)
    assert np.isnan(cells.shares[0, 1])
    assert cells.shares[0, 2] == 0.0
    assert "no colour: no sample was taken" in figure.subtitle


def test_a_trace_shows_its_ignition() -> None:
    """Temperature, pressure with baseline and threshold, and the fast pulse in milliseconds."""
    result = sample_result(2, pulse=sample_pulse(2))
    told = TracedCycle(
        result.id,
        result.cycle.finished_at,
        result.verdict.value,
        result.published_c,
        "The peak is 1.2 kPa.",
        result.cycle.trace,
        result.cycle.pulse,
        ignition_time_s=24.5,
        baseline_kpa=0.02,
        noise_kpa=0.03,
    )
    figure = trace_figure(told)
    assert figure.title == "fp-101/0/2: doubtful, 62.70 °C"
    assert figure.subtitle == "2026-04-30 22:08:00 UTC; The peak is 1.2 kPa."
    assert [p.y_label for p in figure.panels] == [
        "sample temperature, °C",
        "cell pressure, kPa above ambient",
        "cell pressure, kPa above ambient",
    ]
    assert [i.x for n in (0, 1) for i in layers(figure, Instant, n)] == [24.5, 24.5]
    # 3 kPa above the baseline, which is more than 6 times the noise: README, "What is computed".
    assert {lv.name: lv.y for lv in layers(figure, Level, 1)} == {
        "baseline 0.02 kPa": 0.02,
        "threshold 3.02 kPa": pytest.approx(3.02),
    }
    (pulse,) = layers(figure, Line, 2)
    assert pulse.x[1] == pytest.approx(1.0)


def test_a_cycle_without_a_trace_has_no_panel() -> None:
    assert trace_figure(TracedCycle("fp-101/0/2", NOON, "rejected")).panels == ()


# Simulated colour vision: Machado, Oliveira and Fernandes (2009), severity 1, from memory.
_VISION = {
    "protan": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deutan": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritan": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}


def seen(ink: Ink, vision: str) -> np.ndarray[Any, Any]:
    """CIE L*a*b* (D65) of what a reader with this vision sees."""
    srgb = np.array([int(ink.value[n : n + 2], 16) for n in (1, 3, 5)]) / 255.0
    linear = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    linear = np.clip(np.array(_VISION[vision]) @ linear, 0.0, 1.0)
    to_xyz = np.array(
        [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    )
    x, y, z = to_xyz @ linear / np.array([0.9505, 1.0, 1.0890])
    fx, fy, fz = (
        np.cbrt(v) if v > (6 / 29) ** 3 else v / (3 * (6 / 29) ** 2) + 4 / 29 for v in (x, y, z)
    )
    return np.array([116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)])


@pytest.mark.parametrize("vision", _VISION)
def test_verdicts_are_told_apart_with_any_colour_vision(vision: str) -> None:
    """A distance of 15 in L*a*b* is six times what is just seen (2.3, from memory)."""
    inks = (Ink.BLUE, Ink.ORANGE, Ink.VERMILLION, Ink.BLACK)
    for n, one in enumerate(inks):
        for other in inks[n + 1 :]:
            assert np.linalg.norm(seen(one, vision) - seen(other, vision)) > 15.0, (one, other)
