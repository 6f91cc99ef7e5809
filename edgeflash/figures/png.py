"""A figure as a PNG file, drawn by matplotlib."""

from __future__ import annotations

import io
import textwrap
from typing import Any

import numpy as np

from edgeflash.extras import analyst_library
from edgeflash.figures.figure import (
    Cells,
    Figure,
    Ink,
    Instant,
    Level,
    Line,
    Panel,
    Points,
    Ribbon,
    Spans,
    Symbol,
)

WIDTH_IN = 11.0
DPI = 120
_UNIT_HEIGHT_IN = {True: 1.1, False: 2.4}
"""Of a panel of height 1: of a figure with a shared axis, and of one without."""
_LEGEND_IN = 0.5
_LETTERS = 125

_MARKERS = {Symbol.DOT: "o", Symbol.TRIANGLE: "^", Symbol.CROSS: "x", Symbol.DIAMOND: "D"}
_SIZES = {Symbol.DOT: 3.0, Symbol.TRIANGLE: 6.0, Symbol.CROSS: 6.0, Symbol.DIAMOND: 7.0}
_FAINT = 0.15
_SHARES = "viridis"


def as_png(figure: Figure) -> bytes:
    """The file. Raises MissingExtraError without matplotlib."""
    figures = analyst_library("matplotlib.figure")
    heights = [panel.height * _UNIT_HEIGHT_IN[figure.is_shared] for panel in figure.panels]
    subtitle = textwrap.wrap(figure.subtitle, _LETTERS)
    head_in = 0.45 + 0.17 * len(subtitle)
    height_in = max(2.6, sum(heights) + _LEGEND_IN * len(heights)) + head_in
    whole = figures.Figure(figsize=(WIDTH_IN, height_in), dpi=DPI)
    whole.set_layout_engine("constrained", rect=(0.0, 0.0, 1.0, 1.0 - head_in / height_in))
    for words, below_in, size, weight in (
        (figure.title, 0.1, 13, "bold"),
        ("\n".join(subtitle), 0.4, 9, "normal"),
    ):
        at = 1.0 - below_in / height_in
        whole.text(0.01, at, words, va="top", fontsize=size, fontweight=weight, parse_math=False)
    panels = whole.subplots(
        max(1, len(heights)),
        1,
        sharex=figure.is_shared,
        squeeze=False,
        height_ratios=heights or None,
    )[:, 0]
    if not heights:
        panels[0].set_axis_off()
        panels[0].text(0.0, 0.5, "there is nothing to draw")
    for number, (axes, panel) in enumerate(zip(panels, figure.panels, strict=False)):
        _draw(whole, axes, panel)
        if not figure.is_shared or number == len(heights) - 1:
            axes.set_xlabel(panel.x_label)
    file = io.BytesIO()
    whole.savefig(file, format="png", metadata={"Title": figure.title, "Software": "edgeflash"})
    return file.getvalue()


def _draw(whole: Any, axes: Any, panel: Panel) -> None:
    axes.set_ylabel(panel.y_label)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    lanes = [layer.name for layer in panel.layers if isinstance(layer, Spans)]
    for layer in panel.layers:
        match layer:
            case Spans() if panel.y_is_named:
                _bars(axes, layer, (lanes.index(layer.name) + 0.15, 0.7), 1.0)
            case Spans():
                low, high = panel.shown_span
                _bars(axes, layer, (low, high - low), _FAINT)
            case Cells():
                _cells(whole, axes, layer)
            case _:
                _curve(axes, layer)
    if lanes and panel.y_is_named:
        axes.set_yticks(np.arange(len(lanes)) + 0.5, lanes)
        axes.set_ylim(len(lanes), 0)
        axes.set_ylabel("")
    if panel.is_timed:
        dates = analyst_library("matplotlib.dates")
        axes.xaxis.set_major_formatter(dates.ConciseDateFormatter(axes.xaxis.get_major_locator()))
    if not panel.y_is_named:
        axes.set_ylim(*panel.shown_span)
        axes.grid(color="#dddddd", linewidth=0.6)
        axes.set_axisbelow(True)
        _legend(axes)


def _curve(axes: Any, layer: Line | Points | Ribbon | Level | Instant) -> None:
    match layer:
        case Line():
            axes.plot(
                layer.x,
                layer.y,
                color=layer.ink.value,
                linewidth=layer.width,
                linestyle="--" if layer.dashed else "-",
                drawstyle="steps-post" if layer.stepped else "default",
                label=layer.name,
            )
        case Points():
            axes.plot(
                layer.x,
                layer.y,
                color=layer.ink.value,
                linestyle="",
                marker=_MARKERS[layer.symbol],
                markersize=_SIZES[layer.symbol],
                markerfacecolor="none" if layer.hollow else layer.ink.value,
                label=layer.name,
                zorder=3,
            )
        case Ribbon():
            axes.fill_between(
                layer.x, layer.low, layer.high, color=layer.ink.value, alpha=0.45, label=layer.name
            )
        case Level():
            axes.axhline(
                layer.y,
                color=layer.ink.value,
                linewidth=1.0,
                linestyle="--" if layer.dashed else "-",
                label=layer.name,
            )
        case Instant():
            # Behind the curve: the flash stands just where the line does.
            axes.axvline(
                layer.x, color=layer.ink.value, linewidth=2.5, alpha=0.6, label=layer.name, zorder=1
            )


def _bars(axes: Any, spans: Spans, height: tuple[float, float], alpha: float) -> None:
    number = analyst_library("matplotlib.dates").date2num
    begin, end = (number(x) if x.dtype.kind == "M" else x for x in (spans.begin, spans.end))
    stretches = list(zip(begin, end - begin, strict=True))
    # Without an edge the shortest, one cycle in a year, would not be seen.
    edge = {"edgecolor": spans.ink.value, "linewidth": 0.5} if alpha == 1.0 else {"linewidth": 0.0}
    axes.broken_barh(stretches, height, facecolor=spans.ink.value, alpha=alpha, **edge)
    if spans.begin.dtype.kind == "M":
        axes.xaxis_date()


def _cells(whole: Any, axes: Any, cells: Cells) -> None:
    axes.set_ylabel("")
    if len(cells.begin) == 0:
        axes.text(0.0, 0.5, "there is nothing to draw")
        return
    step = np.diff(cells.begin[-2:])[0] if len(cells.begin) > 1 else np.timedelta64(1, "D")
    edges = np.append(cells.begin, cells.begin[-1] + step)
    known = np.ma.masked_invalid(100.0 * cells.shares)
    mesh = axes.pcolormesh(
        edges,
        np.arange(len(cells.names) + 1),
        known,
        cmap=_SHARES,
        vmin=0.0,
        vmax=100.0,
        edgecolors="white",
        linewidth=0.8 if len(cells.begin) <= 120 else 0.0,
    )
    axes.set_yticks(np.arange(len(cells.names)) + 0.5, cells.names)
    axes.set_ylim(len(cells.names), 0)
    axes.patch.set(facecolor="white", hatch="////", edgecolor=Ink.GREY.value)
    whole.colorbar(mesh, ax=axes, label=textwrap.fill(cells.label, 28), pad=0.01)


def _legend(axes: Any) -> None:
    if axes.get_legend_handles_labels()[1]:
        axes.legend(
            loc="lower left",
            bbox_to_anchor=(0.0, 1.0),
            ncols=3,
            frameon=False,
            fontsize=8,
            borderaxespad=0.1,
        )
