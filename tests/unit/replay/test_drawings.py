"""The drawings of a trace: what is marked stands where the figures say."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pytest

from edgeflash.model import Trace, TraceSource
from edgeflash.replay.axes import Scale, round_step, scale_over
from edgeflash.replay.chart import LABEL_COLUMNS, PANEL_ROWS, trace_chart

SVG = "{http://www.w3.org/2000/svg}"

BLANK, ALL_DOTS = 0x2800, 0xFF
"""Unicode: the block of braille patterns begins at U+2800, one bit a dot."""


def trace(pressure_kpa: list[float], temperature_c: list[float] | None = None) -> Trace:
    count = len(pressure_kpa)
    return Trace(
        TraceSource.BLOCK,
        np.arange(count, dtype=np.float64),
        np.linspace(40.0, 60.0, count) if temperature_c is None else np.array(temperature_c),
        np.array(pressure_kpa),
    )


def panel(drawing: str, number: int) -> list[str]:
    """The plotted part of one diagram, without its labels."""
    lines = drawing.splitlines()[number * (PANEL_ROWS + 1) + 1 :][:PANEL_ROWS]
    return [line[LABEL_COLUMNS:] for line in lines]


def test_a_single_sample_of_an_ignition_is_seen() -> None:
    """One high sample among 3000 stands to the top of the diagram, in its column."""
    pressure = [0.0] * 3000
    pressure[2250] = 100.0
    top, *_ = panel(trace_chart(trace(pressure), None, 80).plain, 1)
    assert len(top.strip()) == 1
    assert top.index(top.strip()) == pytest.approx(0.75 * (80 - LABEL_COLUMNS), abs=1)


def test_a_ramp_goes_from_the_lower_left_to_the_upper_right() -> None:
    """Every column has dots, and they rise."""
    rows = panel(trace_chart(trace([0.0] * 100), None, 80).plain, 0)
    heights = [next(n for n, row in enumerate(rows) if row[c] != " ") for c in range(71)]
    assert heights == sorted(heights, reverse=True)
    assert (heights[0], heights[-1]) == (PANEL_ROWS - 1, 0)
    dots = {ord(mark) for row in rows for mark in row if mark != " "}
    assert all(BLANK < dot <= BLANK + ALL_DOTS for dot in dots)


def test_the_ignition_is_marked_through_both_diagrams() -> None:
    """At half of the time: in the middle column."""
    drawing = trace_chart(trace([0.0] * 101), 50.0, 80).plain
    for number in (0, 1):
        rows = panel(drawing, number)
        marked = {row.index("│") for row in rows if "│" in row}
        assert marked == {35}
    assert "ignition at 50.0 s" in drawing


def test_a_trace_without_numbers_is_drawn_empty() -> None:
    """NaN in places is a gap; nothing but NaN an empty diagram."""
    nothing = [float("nan")] * 50
    rows = panel(trace_chart(trace(nothing, nothing), None, 80).plain, 1)
    assert {row.strip() for row in rows} == {""}


@pytest.mark.parametrize("columns", (40, 80))
def test_a_chart_fits_its_terminal(columns: int) -> None:
    """18 rows at most, and no line is longer than the terminal is wide."""
    lines = trace_chart(trace([0.0, 1.0] * 300), 300.0, columns).plain.splitlines()
    assert len(lines) <= 18
    assert max(map(len, lines)) <= columns


@pytest.mark.parametrize("samples", (121, 123, 125, 127))
def test_a_time_on_the_axis_is_whole_or_absent(samples: int) -> None:
    """ "120" that had no room must not be read as 12 s: ticks of 20 s from 0."""
    drawing = trace_chart(trace([0.0] * samples), None, 80).plain
    axis = drawing.splitlines()[-1]
    labels = [int(word) for word in axis.removesuffix(" s").split()]
    assert labels == [20 * n for n in range(len(labels))]
    assert len(labels) >= 6


@pytest.mark.parametrize(
    ("least", "step"), [(0.9, 1.0), (1.0, 1.0), (1.1, 2.0), (0.03, 0.05), (70.0, 100.0)]
)
def test_steps_are_round(least: float, step: float) -> None:
    """1, 2 or 5 times a power of ten."""
    assert round_step(least) == pytest.approx(step)


def test_ticks_lie_on_their_axis() -> None:
    """Round values, none outside."""
    assert Scale(41.3, 63.2).ticks(5) == pytest.approx([45.0, 50.0, 55.0, 60.0])


def test_an_axis_of_one_value_still_has_a_width() -> None:
    """So that nothing is divided by zero."""
    scale = scale_over([np.array([7.0, np.nan])], 2.0)
    assert (scale.low, scale.high) == (6.0, 8.0)
    empty = scale_over([np.array([np.nan])], 2.0)
    assert empty.low < empty.high


def svg_path(element: ElementTree.Element) -> list[tuple[float, float]]:
    """The points of a path of M and L commands (SVG 1.1, 8.3)."""
    numbers = re.findall(r"[ML]([\d.]+) ([\d.]+)", element.attrib["d"])
    return [(float(x), float(y)) for x, y in numbers]
