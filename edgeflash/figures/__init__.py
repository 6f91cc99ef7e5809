"""Figures of the history: declared once as data, drawn as PNG and as HTML."""

from edgeflash.figures.availability import AVAILABILITY_COLUMNS, availability_figure
from edgeflash.figures.figure import Figure
from edgeflash.figures.html import as_html
from edgeflash.figures.png import as_png
from edgeflash.figures.save import form_of, save
from edgeflash.figures.trace import TracedCycle, trace_figure, traced
from edgeflash.figures.trend import LAB_COLUMNS, TREND_COLUMNS, trend_figure

__all__ = [
    "AVAILABILITY_COLUMNS",
    "LAB_COLUMNS",
    "TREND_COLUMNS",
    "Figure",
    "TracedCycle",
    "as_html",
    "as_png",
    "availability_figure",
    "form_of",
    "save",
    "trace_figure",
    "traced",
    "trend_figure",
]
