"""A trace as an SVG figure (Scalable Vector Graphics 1.1). Pure: gives the text of the file."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from xml.sax.saxutils import escape

import numpy as np

from edgeflash.model import Floats
from edgeflash.replay.axes import Scale, scale_over
from edgeflash.replay.explain import Explained

WIDTH = 900
_LEFT, _RIGHT, _TOP, _GAP, _BOTTOM = 80, 30, 70, 60, 60
_PANEL = 230
_LEAST_SPAN = 2.0

_STYLE = (
    "text{font:13px sans-serif;fill:#222}.small{font-size:11px}.title{font-size:16px;"
    "font-weight:bold}.axis{stroke:#222;fill:none}.grid{stroke:#ddd}"
    ".curve{fill:none;stroke-width:1.3;stroke-linejoin:round}.temperature{stroke:#b5471b}"
    ".pressure{stroke:#1b5fb5}.ignition{stroke:#c00;stroke-width:1.5}.baseline{stroke:#2a7a2a}"
    ".threshold{stroke:#2a7a2a;stroke-dasharray:6 4}.red{fill:#c00}.green{fill:#2a7a2a}"
)


@dataclass(frozen=True, slots=True)
class _Panel:
    """One diagram. kind: the style of its curve; marks: name, level and style of level lines."""

    kind: str
    x: Floats
    y: Floats
    x_label: str
    y_label: str
    marks: tuple[tuple[str, float], ...] = ()
    ignition: float | None = None


def svg(told: Explained) -> str:
    """The figure of an explained cycle: temperature, pressure, and the fast pulse if it has one.

    Marks the ignition, the baseline, and from where a rise is taken for an ignition.
    """
    result = told.result
    panels = list(_panels(told))
    height = _TOP + len(panels) * (_PANEL + _GAP) - _GAP + _BOTTOM
    value = "no value" if result.published_c is None else f"{result.published_c:.2f} °C"
    title = f"{result.id}: {result.verdict.value}, {value}"
    finished = f"{result.cycle.finished_at:%Y-%m-%d %H:%M:%S} UTC"
    sentence = result.findings[0].sentence if result.reasons else "no rule doubts or rejects it"
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{height}" '
        f'viewBox="0 0 {WIDTH} {height}" role="img">',
        f"<title>{escape(title)}</title>",
        f"<desc>{escape(f'{finished}; {sentence}')}</desc>",
        f"<style>{_STYLE}</style>",
        f'<rect width="{WIDTH}" height="{height}" fill="#fff"/>',
        _text(_LEFT, 28, title, "title"),
        _text(_LEFT, 48, f"{finished}; {sentence}", "small"),
    ]
    if not panels:
        lines.append(_text(_LEFT, _TOP + 20, "the cycle has no trace"))
    for n, panel in enumerate(panels):
        lines += _drawn(panel, _TOP + n * (_PANEL + _GAP))
    return "\n".join((*lines, "</svg>", ""))


def _panels(told: Explained) -> Iterator[_Panel]:
    cycle, computed = told.result.cycle, told.result.computed
    if cycle.trace is not None:
        time_s, at_s = cycle.trace.time_s, computed.ignition_time_s
        yield _Panel(
            "temperature",
            time_s,
            cycle.trace.temperature_c,
            "time, s",
            "sample temperature, °C",
            ignition=at_s,
        )
        marks = (("baseline", computed.baseline_kpa), ("threshold", told.threshold_kpa))
        yield _Panel(
            "pressure",
            time_s,
            cycle.trace.pressure_kpa,
            "time, s",
            "cell pressure, kPa above ambient",
            tuple((name, level) for name, level in marks if level is not None),
            at_s,
        )
    if cycle.pulse is not None:
        pulse = cycle.pulse
        yield _Panel(
            "pressure",
            1000.0 * pulse.interval_s * np.arange(len(pulse), dtype=np.float64),
            pulse.pressure_kpa,
            "time in the fast record, ms",
            "cell pressure, kPa above ambient",
        )


def _drawn(panel: _Panel, top: int) -> Iterator[str]:
    levels = np.array([level for _, level in panel.marks])
    x, y = scale_over([panel.x], 1e-3, room=0.0), scale_over([panel.y, levels], _LEAST_SPAN)
    right, bottom = WIDTH - _RIGHT, top + _PANEL
    yield from _grid(x, y, top)
    yield f'<path class="axis" d="M{_LEFT} {top}V{bottom}H{right}"/>'
    yield _text((_LEFT + right) // 2, bottom + 36, panel.x_label, anchor="middle")
    middle = (top + bottom) // 2
    turned = f'transform="rotate(-90 22 {middle})"'
    yield _text(22, middle, panel.y_label, anchor="middle", more=turned)
    for name, level in panel.marks:
        at = _y(y, level, top)
        yield f'<path class="{name}" d="M{_LEFT} {at:.1f}H{right}"/>'
        beside = at + 14 if name == "baseline" else at - 4
        yield _text(_LEFT + 4, beside, f"{name} {level:.2f} kPa", "small green")
    yield f'<path class="curve {panel.kind}" d="{_path(panel, x, y, top)}"/>'
    if panel.ignition is not None:
        at = _x(x, panel.ignition)
        yield f'<path class="ignition" d="M{at:.1f} {top}V{bottom}"/>'
        side, anchor = (-6, "end") if x.share(panel.ignition) > 0.5 else (6, "start")
        words = f"ignition at {panel.ignition:.2f} s"
        yield _text(at + side, top + 14, words, "small red", anchor)


def _grid(x: Scale, y: Scale, top: int) -> Iterator[str]:
    right, bottom = WIDTH - _RIGHT, top + _PANEL
    for tick in y.ticks(6):
        at = _y(y, tick, top)
        yield f'<path class="grid" d="M{_LEFT} {at:.1f}H{right}"/>'
        yield _text(_LEFT - 8, at + 4, f"{tick:g}", "small", "end")
    for tick in x.ticks(10):
        at = _x(x, tick)
        yield f'<path class="grid" d="M{at:.1f} {top}V{bottom}"/>'
        yield _text(at, bottom + 16, f"{tick:g}", "small", "middle")


def _path(panel: _Panel, x: Scale, y: Scale, top: int) -> str:
    """The curve; it is broken where there is no number."""
    parts: list[str] = []
    pen_is_down = False
    for value_x, value_y in zip(panel.x, panel.y, strict=True):
        if not (np.isfinite(value_x) and np.isfinite(value_y)):
            pen_is_down = False
            continue
        command = "L" if pen_is_down else "M"
        parts.append(f"{command}{_x(x, value_x):.1f} {_y(y, value_y, top):.1f}")
        pen_is_down = True
    return "".join(parts)


def _x(scale: Scale, value: float) -> float:
    return _LEFT + scale.share(value) * (WIDTH - _LEFT - _RIGHT)


def _y(scale: Scale, value: float, top: int) -> float:
    return top + (1.0 - scale.share(value)) * _PANEL


def _text(
    x: float, y: float, words: str, kind: str = "", anchor: str = "start", more: str = ""
) -> str:
    styled = f' class="{kind}"' if kind else ""
    turned = f" {more}" if more else ""
    place = f'x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"'
    return f"<text {place}{styled}{turned}>{escape(words)}</text>"
