"""A figure as an HTML page that needs nothing but itself, drawn by plotly."""

from __future__ import annotations

import textwrap
from html import escape
from typing import Any

import numpy as np

from edgeflash.extras import analyst_library
from edgeflash.figures.figure import (
    Cells,
    Figure,
    Instant,
    Layer,
    Level,
    Line,
    Panel,
    Places,
    Points,
    Ribbon,
    Spans,
    Symbol,
    Values,
)

_UNIT_HEIGHT_PX = {True: 110, False: 280}
_HEAD_PX = 150
_LETTERS = 130
_SYMBOLS = {
    Symbol.DOT: "circle",
    Symbol.TRIANGLE: "triangle-up",
    Symbol.CROSS: "x-thin",
    Symbol.DIAMOND: "diamond",
}
_SIZES = {Symbol.DOT: 5, Symbol.TRIANGLE: 9, Symbol.CROSS: 8, Symbol.DIAMOND: 10}
_PAGE = """<!DOCTYPE html>
<html lang="en">
<head><meta charset="utf-8"><title>{title}</title></head>
<body>
{drawing}
</body>
</html>
"""


def as_html(figure: Figure) -> str:
    """The page, some 5 MB of it the library that draws. Raises MissingExtraError without plotly."""
    subplots = analyst_library("plotly.subplots")
    heights = [panel.height for panel in figure.panels] or [1.0]
    whole = subplots.make_subplots(
        rows=len(heights),
        cols=1,
        shared_xaxes=figure.is_shared,
        row_heights=[h / sum(heights) for h in heights],
        vertical_spacing=0.06 if figure.is_shared else 0.3 / len(heights) ** 1.5,
    )
    for row, panel in enumerate(figure.panels, start=1):
        _draw(whole, panel, row)
        last = not figure.is_shared or row == len(heights)
        whole.update_xaxes(
            title_text=panel.x_label if last else None,
            showgrid=True,
            gridcolor="#dddddd",
            row=row,
            col=1,
        )
    subtitle = "<br>".join(escape(line) for line in textwrap.wrap(figure.subtitle, _LETTERS))
    whole.update_layout(
        title={"text": f"<b>{escape(figure.title)}</b><br><sup>{subtitle}</sup>", "x": 0.01},
        height=round(sum(heights) * _UNIT_HEIGHT_PX[figure.is_shared]) + _HEAD_PX,
        margin={"t": 110, "b": 60, "l": 90},
        plot_bgcolor="white",
        hovermode="closest",
        legend={"orientation": "h", "yanchor": "bottom", "y": 1.0, "x": 0.0},
    )
    drawing = whole.to_html(
        full_html=False,
        include_plotlyjs=True,
        div_id="figure",
        config={"displaylogo": False, "responsive": True},
    )
    return _PAGE.format(title=escape(figure.title), drawing=drawing)


def _draw(whole: Any, panel: Panel, row: int) -> None:
    lanes = [layer.name for layer in panel.layers if isinstance(layer, Spans)]
    low, high = panel.shown_span
    for layer in panel.layers:
        match layer:
            case Spans() if panel.y_is_named:
                lane = lanes.index(layer.name)
                _add(whole, row, _boxes(layer, lane + 0.15, lane + 0.85, 1.0))
            case Spans():
                _add(whole, row, _boxes(layer, low, high, 0.15))
            case Level():
                dash = "dash" if layer.dashed else "solid"
                whole.add_hline(
                    layer.y,
                    line={"color": layer.ink.value, "dash": dash, "width": 1.2},
                    annotation={"text": escape(layer.name), "font": {"color": layer.ink.value}},
                    annotation_position="top left" if layer.dashed else "bottom left",
                    row=row,
                    col=1,
                )
            case Instant():
                whole.add_vline(
                    layer.x,
                    line={"color": layer.ink.value, "width": 1.5},
                    annotation={"text": escape(layer.name), "font": {"color": layer.ink.value}},
                    row=row,
                    col=1,
                )
            case _:
                _add(whole, row, _trace(layer))
    if panel.y_is_named:
        names = lanes or [n for la in panel.layers if isinstance(la, Cells) for n in la.names]
        whole.update_yaxes(
            tickvals=[n + 0.5 for n in range(len(names))],
            ticktext=[escape(n) for n in names],
            range=[len(names), 0],
            row=row,
            col=1,
        )
    else:
        whole.update_yaxes(
            title_text=panel.y_label, range=[low, high], gridcolor="#dddddd", row=row, col=1
        )


def _add(whole: Any, row: int, trace: dict[str, Any]) -> None:
    whole.add_trace(trace, row=row, col=1)


def _trace(layer: Layer) -> dict[str, Any]:
    match layer:
        case Line():
            shape = {"shape": "hv"} if layer.stepped else {}
            dash = {"dash": "dash"} if layer.dashed else {}
            return {
                "type": "scatter",
                "mode": "lines",
                "name": escape(layer.name),
                "x": layer.x,
                "y": layer.y,
                "line": {"color": layer.ink.value, "width": layer.width, **shape, **dash},
            }
        case Points():
            symbol = _SYMBOLS[layer.symbol] + ("-open" if layer.hollow else "")
            return {
                "type": "scatter",
                "mode": "markers",
                "name": escape(layer.name),
                "x": layer.x,
                "y": layer.y,
                "marker": {
                    "color": layer.ink.value,
                    "symbol": symbol,
                    "size": _SIZES[layer.symbol],
                    "line": {"color": layer.ink.value, "width": 1.5},
                },
                "text": [escape(w).replace("\n", "<br>") for w in layer.words],
                "hovertemplate": "%{text}<extra></extra>",
            }
        case Ribbon():
            x, y = _polygons(layer.x, layer.low, layer.high)
            return _filled(layer.name, x, y, layer.ink.value, 0.45)
        case Cells():
            return {
                "type": "heatmap",
                "x": layer.begin + _step(layer.begin) // 2,
                "y": np.arange(len(layer.names)) + 0.5,
                "z": 100.0 * layer.shares,
                "zmin": 0.0,
                "zmax": 100.0,
                "colorscale": "Viridis",
                "colorbar": {"title": {"text": "<br>".join(textwrap.wrap(layer.label, 18))}},
                "customdata": [[escape(n)] * len(layer.begin) for n in layer.names],
                "hovertemplate": "%{customdata}, %{x|%Y-%m-%d}: %{z:.1f} %<extra></extra>",
                "hoverongaps": False,
                "xgap": 1,
                "ygap": 2,
            }
    raise AssertionError(f"{layer} is drawn elsewhere")


def _step(begin: Places) -> Any:
    return np.diff(begin[-2:])[0] if len(begin) > 1 else np.timedelta64(1, "D")


def _boxes(spans: Spans, low: float, high: float, opacity: float) -> dict[str, Any]:
    """All stretches as one trace: a box each, and between them a point that is no number."""
    count = len(spans.begin)
    x = np.stack([spans.begin, spans.begin, spans.end, spans.end, spans.end], 1).ravel()
    y = np.tile(np.array([low, high, high, low, np.nan]), count)
    return _filled(spans.name, x, y, spans.ink.value, opacity)


def _polygons(x: Places, low: Values, high: Values) -> tuple[Places, Values]:
    """Around each run of known values, there along the high ones and back along the low ones."""
    known = np.isfinite(low) & np.isfinite(high)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], known.view(np.int8), [0]])))
    xs, ys = [x[:0]], [low[:0]]
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        run = x[begin:end]
        xs += [run, run[::-1], run[:1]]
        ys += [high[begin:end], low[begin:end][::-1], np.array([np.nan])]
    return np.concatenate(xs), np.concatenate(ys)


def _filled(name: str, x: Places, y: Values, colour: str, opacity: float) -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "lines",
        "name": escape(name),
        "x": x,
        "y": y,
        "fill": "toself",
        "fillcolor": colour,
        "opacity": opacity,
        "line": {"width": 0.5 if opacity == 1.0 else 0.0, "color": colour},
        "showlegend": 0.2 < opacity < 1.0,
        "hoverinfo": "skip",
    }
