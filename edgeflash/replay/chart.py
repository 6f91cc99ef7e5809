"""A trace drawn in a terminal: braille dots, eight to a character. Pure."""

from __future__ import annotations

import numpy as np
from rich.text import Text

from edgeflash.model import Floats, Trace
from edgeflash.replay.axes import Scale, scale_over

LABEL_COLUMNS = 9
PANEL_ROWS = 7
LEAST_SPAN_C = 2.0
LEAST_SPAN_KPA = 2.0

# Unicode braille patterns, U+2800 plus a bit for each dot; by row (0 to 3) and column (0, 1).
_BRAILLE = 0x2800
_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))


def trace_chart(trace: Trace, ignition_s: float | None, columns: int) -> Text:
    """Temperature above pressure against time; the ignition is the line through both.

    columns: of the terminal. 18 rows.
    """
    width = max(20, columns - LABEL_COLUMNS)
    time = scale_over([trace.time_s], 1.0, room=0.0)
    drawing = Text()
    for title, values, least in (
        ("sample temperature, °C", trace.temperature_c, LEAST_SPAN_C),
        ("cell pressure above ambient, kPa", trace.pressure_kpa, LEAST_SPAN_KPA),
    ):
        drawing.append(f"{title}\n", "bold")
        _panel(drawing, trace.time_s, values, time, scale_over([values], least), width, ignition_s)
    drawing.append(_time_axis(time, width), "dim")
    if ignition_s is not None:
        drawing.append(f"\n{' ' * LABEL_COLUMNS}")
        drawing.append("│", "red")
        drawing.append(f" ignition at {ignition_s:.1f} s")
    return drawing


def _panel(
    drawing: Text,
    time_s: Floats,
    values: Floats,
    time: Scale,
    scale: Scale,
    width: int,
    ignition_s: float | None,
) -> None:
    dots = _dots(time_s, values, time, scale, width)
    marked = None if ignition_s is None else min(int(time.share(ignition_s) * width), width - 1)
    labels = {
        0: scale.high,
        PANEL_ROWS // 2: (scale.high + scale.low) / 2,
        PANEL_ROWS - 1: scale.low,
    }
    for row in range(PANEL_ROWS):
        label = f"{labels[row]:.1f}" if row in labels else ""
        drawing.append(
            f"{label:>{LABEL_COLUMNS - 2}} ┤" if label else f"{'│':>{LABEL_COLUMNS}}", "dim"
        )
        for column in range(width):
            bits = sum(
                _DOTS[y][x] for y in range(4) for x in range(2) if dots[4 * row + y, 2 * column + x]
            )
            if column == marked and not bits:
                drawing.append("│", "red")
            else:
                drawing.append(
                    chr(_BRAILLE + bits) if bits else " ", "red" if column == marked else "cyan"
                )
        drawing.append("\n")


def _dots(time_s: Floats, values: Floats, time: Scale, scale: Scale, width: int) -> Floats:
    """Which dots are set, shape (4 × rows, 2 × width): the curve with every sample's peak."""
    dots = np.zeros((4 * PANEL_ROWS, 2 * width), dtype=np.float64)
    known = np.isfinite(time_s) & np.isfinite(values)
    if not known.any():
        return dots
    x = (2 * width - 1) * (time_s[known] - time.low) / (time.high - time.low)
    y = (4 * PANEL_ROWS - 1) * (scale.high - values[known]) / (scale.high - scale.low)
    grid = np.arange(2 * width, dtype=np.float64)
    inside = (grid >= x[0] - 0.5) & (grid <= x[-1] + 0.5)
    between = np.interp(grid, x, y)
    low, high = between.copy(), between.copy()
    np.minimum.at(low, np.rint(x).astype(np.int64), y)
    np.maximum.at(high, np.rint(x).astype(np.int64), y)
    for column in np.flatnonzero(inside):
        dots[int(np.rint(low[column])) : int(np.rint(high[column])) + 1, column] = 1.0
    return dots


def _time_axis(time: Scale, width: int) -> str:
    """The line below: round times under their places. One without room is left out, never cut."""
    room = LABEL_COLUMNS + width - len(" s")
    line = [" "] * room
    for tick in time.ticks(10):
        at, label = LABEL_COLUMNS + int(time.share(tick) * (width - 1)), f"{tick:g}"
        if at + len(label) <= room:
            line[at : at + len(label)] = label
    return "".join(line).rstrip() + " s"
