"""The files of the figures: what is declared is in them, and nothing from elsewhere.

Outside readers: Pillow reads the PNG; the HTML is read by the standard library's parser, and its
drawing as plotly's own validated JSON.
"""

from __future__ import annotations

import base64
import io
import json
import re
import subprocess
import sys
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import plotly.graph_objects as go
import pytest
from PIL import Image

from edgeflash.errors import StorageError, UsageError
from edgeflash.extras import MissingExtraError
from edgeflash.figures import (
    Figure,
    TracedCycle,
    as_html,
    as_png,
    availability_figure,
    save,
    trace_figure,
    trend_figure,
)
from edgeflash.figures.figure import Ink
from edgeflash.history.schema import TableName, rows
from edgeflash.model import Verdict
from tests.unit.figures.test_declared_figures import cycles, lab, results
from tests.unit.journal.samples import entries_of, sample_pulse, sample_result


def a_trend() -> Figure:
    return trend_figure(cycles(40), lab((61.0, "final", "a", None)), analyzer="fp-101")


def a_trend_of_averages() -> Figure:
    return trend_figure(cycles(40), analyzer="fp-101", most_points=10)


def a_calendar() -> Figure:
    return availability_figure(cycles(40))


def a_trace() -> Figure:
    result = sample_result(2, pulse=sample_pulse(2))
    return trace_figure(
        TracedCycle(
            result.id,
            result.cycle.finished_at,
            result.verdict.value,
            trace=result.cycle.trace,
            pulse=result.cycle.pulse,
            ignition_time_s=24.5,
            baseline_kpa=0.02,
            noise_kpa=0.03,
        )
    )


def nothing() -> Figure:
    return trace_figure(TracedCycle("fp-101/0/2", sample_result(2).sampled_at, "rejected"))


ALL = [a_trend, a_trend_of_averages, a_calendar, a_trace, nothing]


def pixels(figure: Figure, ink: Ink) -> int:
    """How many pixels have just this colour."""
    with Image.open(io.BytesIO(as_png(figure))) as image:
        found = np.asarray(image.convert("RGB"))
    wanted = [int(ink.value[n : n + 2], 16) for n in (1, 3, 5)]
    return int((found == wanted).all(axis=2).sum())


@pytest.mark.parametrize("make", ALL)
def test_a_png_is_an_image(make: Callable[[], Figure]) -> None:
    """Of a size to be read on a page, and not empty."""
    with Image.open(io.BytesIO(as_png(make()))) as image:
        image.load()
        assert image.format == "PNG"
        assert image.width == 1320
        assert 300 < image.height < 1500
        assert image.getextrema()[0][0] < 100


def test_a_png_shows_each_verdict() -> None:
    """The lane of a verdict is drawn where there are such cycles, and not where there are none."""
    mixed = trend_figure(cycles(40), analyzer="fp-101")
    for ink in (Ink.BLUE, Ink.ORANGE, Ink.VERMILLION):
        assert pixels(mixed, ink) > 500
    fine = [sample_result(n, with_trace=False, verdict=Verdict.ACCEPTED) for n in range(40)]
    accepted = trend_figure(rows(TableName.RESULTS, entries_of(fine)), analyzer="fp-101")
    assert pixels(accepted, Ink.BLUE) > 500
    assert pixels(accepted, Ink.ORANGE) == pixels(accepted, Ink.VERMILLION) == 0


class _Outside(HTMLParser):
    """What a page would fetch, and the name of it."""

    def __init__(self) -> None:
        super().__init__()
        self.fetched: list[str] = []
        self.scripts = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.scripts += tag == "script"
        if tag in ("link", "img", "iframe", "object"):
            self.fetched.append(tag)
        self.fetched += [str(v) for name, v in attrs if name in ("src", "href", "data")]


def drawing(page: str) -> go.Figure:
    """The figure in a page, as plotly itself takes it."""
    start = page.rindex("Plotly.newPlot(")
    decoder = json.JSONDecoder()
    found, place = [], page.index("[", start)
    for opening in "[{":
        place = page.index(opening, place)
        value, place = decoder.raw_decode(page, place)
        found.append(value)
    return go.Figure(data=found[0], layout={**found[1], "template": None})


@pytest.mark.parametrize("make", ALL)
def test_a_page_needs_nothing_but_itself(make: Callable[[], Figure]) -> None:
    """It fetches nothing, and its drawing is valid."""
    page = as_html(make())
    parser = _Outside()
    parser.feed(page)
    assert parser.fetched == []
    assert page.startswith("<!DOCTYPE html>")
    assert isinstance(drawing(page), go.Figure)


def test_a_page_holds_what_was_declared() -> None:
    """Values and words of every point."""
    figure = a_trend()
    drawn = {t.name: t for t in drawing(as_html(figure)).data if t.mode == "markers"}
    declared = [layer for layer in figure.panels[0].layers if hasattr(layer, "words")]
    assert len(declared) == 4
    for layer in declared:
        trace = drawn[layer.name]
        np.testing.assert_array_equal(_numbers(trace.y), layer.y)
        assert list(trace.text) == [w.replace("\n", "<br>") for w in layer.words]
        assert "°C" in trace.text[0]


def _numbers(values: Any) -> Any:
    """plotly writes arrays of numbers in base 64."""
    if isinstance(values, dict):
        return np.frombuffer(base64.b64decode(values["bdata"]), values["dtype"])
    return np.asarray(values, float)


def test_a_name_cannot_become_a_script() -> None:
    """An analyzer's identifier and a laboratory's text come from outside."""
    evil = "</script><script>alert(1)</script><img src=x>"
    entries = lab((61.0, "final", "a", None))
    entries = entries.set_column(entries.schema.get_field_index("sample_id"), "sample_id", [[evil]])
    for figure in (
        trend_figure(cycles(8), entries, analyzer=evil),
        availability_figure(results(*(sample_result(n, evil) for n in range(3)))),
        trace_figure(TracedCycle(evil, sample_result(2).sampled_at, evil, said=evil)),
    ):
        plain = _Outside()
        plain.feed(as_html(a_trend()))
        parser = _Outside()
        parser.feed(as_html(figure))
        assert parser.fetched == []
        assert parser.scripts == plain.scripts


def test_a_file_is_of_the_form_of_its_suffix(tmp_path: Path) -> None:
    save(a_calendar(), tmp_path / "a.PNG")
    assert (tmp_path / "a.PNG").read_bytes().startswith(b"\x89PNG")
    save(a_calendar(), tmp_path / "a.html")
    assert re.match("<!DOCTYPE html>", (tmp_path / "a.html").read_text("utf-8"))
    with pytest.raises(UsageError, match=r"\.png or a \.html"):
        save(a_calendar(), tmp_path / "a.pdf")
    with pytest.raises(StorageError, match="cannot be written"):
        save(a_calendar(), tmp_path / "nowhere" / "a.png")


@pytest.mark.parametrize(("draw", "library"), [(as_png, "matplotlib"), (as_html, "plotly")])
def test_a_missing_library_is_named(
    draw: Callable[[Figure], object], library: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With what to install."""
    for name in [n for n in sys.modules if n.partition(".")[0] == library]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setattr(sys, "meta_path", [_Without(library), *sys.meta_path])
    with pytest.raises(MissingExtraError, match=r"pip install 'edgeflash\[analyst\]'"):
        draw(a_calendar())


class _Without:
    """Python as it is without a library."""

    def __init__(self, library: str) -> None:
        self.library = library

    def find_spec(self, name: str, path: object = None, target: object = None) -> None:
        if name.partition(".")[0] == self.library:
            raise ModuleNotFoundError(f"No module named {name!r}", name=self.library)


def test_declaring_figures_loads_no_drawing_library() -> None:
    code = (
        "import sys, edgeflash.figures; "
        "sys.exit(bool({'pandas', 'duckdb', 'matplotlib', 'plotly'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
