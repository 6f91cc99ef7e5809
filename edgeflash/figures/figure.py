"""What a figure shows, as data. Pure: `png` and `html` draw it, each in its own way.

Times are numpy datetime64 in microseconds, UTC. A curve is broken where its value is NaN.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

Values: TypeAlias = npt.NDArray[np.float64]
Places: TypeAlias = npt.NDArray[Any]
"""Where on the horizontal axis: float64, or datetime64[us]."""


class Ink(Enum):
    """The colours, told apart with any colour vision: Okabe and Ito, Color Universal Design (2008),
    from memory. No meaning stands on colour alone: symbol, dash or place tells it too."""

    BLACK = "#000000"
    ORANGE = "#e69f00"
    SKY = "#56b4e9"
    GREEN = "#009e73"
    BLUE = "#0072b2"
    VERMILLION = "#d55e00"
    PURPLE = "#cc79a7"
    GREY = "#8a8a8a"


class Symbol(Enum):
    """The shapes of points."""

    DOT = "dot"
    TRIANGLE = "triangle"
    CROSS = "cross"
    DIAMOND = "diamond"


@dataclass(frozen=True, slots=True)
class Line:
    """A curve. stepped: each value stands until the next place."""

    name: str
    x: Places
    y: Values
    ink: Ink
    dashed: bool = False
    stepped: bool = False
    width: float = 1.2


@dataclass(frozen=True, slots=True)
class Points:
    """Single values. words: what each tells of itself where a reader can point at it, in lines."""

    name: str
    x: Places
    y: Values
    ink: Ink
    symbol: Symbol
    words: tuple[str, ...]
    hollow: bool = False


@dataclass(frozen=True, slots=True)
class Ribbon:
    """The room between two curves."""

    name: str
    x: Places
    low: Values
    high: Values
    ink: Ink


@dataclass(frozen=True, slots=True)
class Spans:
    """Stretches of the horizontal axis: a faint background, or, where the vertical axis is named,
    a lane of its own with its name."""

    name: str
    begin: Places
    end: Places
    ink: Ink


@dataclass(frozen=True, slots=True)
class Level:
    """One value over the whole width."""

    name: str
    y: float
    ink: Ink
    dashed: bool = False


@dataclass(frozen=True, slots=True)
class Instant:
    """One place over the whole height."""

    name: str
    x: float
    ink: Ink


@dataclass(frozen=True, slots=True)
class Cells:
    """A table of shares, 0 to 1: one row for each name, one column for each place. NaN: not known.

    begin: where each column begins; the last one is as wide as the one before.
    """

    names: tuple[str, ...]
    begin: Places
    shares: Values
    label: str


_LEAST_SPAN = 2.0
"""So that noise does not fill a panel: in the panel's unit, °C or kPa."""

Layer: TypeAlias = Line | Points | Ribbon | Spans | Level | Instant | Cells


@dataclass(frozen=True, slots=True)
class Panel:
    """One diagram. Labels carry the unit. height: beside that of the figure's other panels.

    y_span: least and highest value shown; None: what the layers need. y_is_named: the vertical axis
    has no values, only the names that its layers bring, or none.
    """

    x_label: str
    y_label: str
    layers: tuple[Layer, ...]
    height: float = 1.0
    y_span: tuple[float, float] | None = None
    y_is_named: bool = False

    @property
    def is_timed(self) -> bool:
        """Whether its horizontal axis is one of times."""
        return any(x.dtype.kind == "M" and len(x) for layer in self.layers for x in _places(layer))

    @property
    def shown_span(self) -> tuple[float, float]:
        """The least and highest value to show, with a little room; y_span where it is given."""
        if self.y_span is not None:
            return self.y_span
        found = [v[np.isfinite(v)] for layer in self.layers for v in _heights(layer)]
        known = np.concatenate([np.array([], np.float64), *found])
        if len(known) == 0:
            return 0.0, 1.0
        low, high = float(known.min()), float(known.max())
        free = max(0.06 * (high - low), (_LEAST_SPAN - (high - low)) / 2)
        return low - free, high + free


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure. subtitle: what span, what it is made of. is_shared: panels have one horizontal
    axis, labelled below the last one."""

    title: str
    subtitle: str
    panels: tuple[Panel, ...]
    is_shared: bool = True


def _heights(layer: Layer) -> tuple[Values, ...]:
    match layer:
        case Line(y=y) | Points(y=y):
            return (y,)
        case Ribbon(low=low, high=high):
            return (low, high)
        case Level(y=level):
            return (np.array([level]),)
    return ()


def _places(layer: Layer) -> tuple[Places, ...]:
    match layer:
        case Line(x=x) | Points(x=x) | Ribbon(x=x):
            return (x,)
        case Spans(begin=x) | Cells(begin=x):
            return (x,)
    return ()
