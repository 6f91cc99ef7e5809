"""`edgeflash history plot`: figures of the history, as PNG or as an HTML page."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from edgeflash.cli.history_source import (
    AnalyzerOption,
    FolderOption,
    SinceOption,
    TableChoice,
    UntilOption,
    asked,
    opened,
    shown,
)
from edgeflash.errors import UsageError

if TYPE_CHECKING:
    from edgeflash.figures import Figure
    from edgeflash.history import History, Query


class FigureChoice(StrEnum):
    """The figures there are."""

    TREND = "trend"
    TRACE = "trace"
    AVAILABILITY = "availability"


def plot_history(
    paths: Annotated[
        list[Path], typer.Argument(metavar="[SITE] OUTPUT", help="The site file; the new file.")
    ],
    folder: FolderOption = None,
    figure: Annotated[
        FigureChoice,
        typer.Option(
            help="trend: flash point with verdicts, limit and laboratory. trace: one cycle with "
            "its ignition. availability: each day's share with an accepted value."
        ),
    ] = FigureChoice.TREND,
    analyzer: AnalyzerOption = None,
    cycle: Annotated[
        str | None, typer.Option(help="For trace: 47, or 0/47 with its epoch.")
    ] = None,
    since: SinceOption = None,
    until: UntilOption = None,
) -> None:
    """Draw a figure into OUTPUT (.png, or .html that needs no internet).

    A trend and a trace are of one --analyzer. Needs the extra: pip install 'edgeflash[analyst]'.

    Example: edgeflash history plot site.toml may.png --analyzer kestrel-1 --since 2026-05-01

    Example: edgeflash history plot site.toml cycle.html --figure trace --analyzer kestrel-1
    --cycle 0/47

    Example: edgeflash history plot --folder history calendar.html --figure availability
    """
    from edgeflash.figures import form_of, save

    site, output = site_and_output(paths, folder)
    form_of(output)
    if figure is not FigureChoice.AVAILABILITY and analyzer is None:
        raise UsageError(f"a {figure.value} is of one analyzer: give --analyzer")
    if (cycle is not None) != (figure is FigureChoice.TRACE):
        raise UsageError("--cycle belongs to --figure trace, which needs it")
    history = opened(site, folder)
    results = asked(history, TableChoice.RESULTS, analyzer, since, until)
    match figure:
        case FigureChoice.TREND:
            drawn = _trend(history, results)
        case FigureChoice.AVAILABILITY:
            drawn = _availability(history, results)
        case FigureChoice.TRACE:
            drawn = _trace(history, results, cycle or "")
    save(drawn, output)
    typer.echo(f"{output}: {figure.value}, {drawn.subtitle}")


def site_and_output(paths: list[Path], folder: str | None) -> tuple[Path | None, Path]:
    """Site file and output, of which there is one less with a folder. Raises UsageError."""
    match paths:
        case [output] if folder is not None:
            return None, output
        case [site, output] if folder is None:
            return site, output
    raise UsageError("give SITE and OUTPUT, or --folder DIR and OUTPUT")


def _trend(history: History, results: Query) -> Figure:
    from edgeflash.figures import LAB_COLUMNS, TREND_COLUMNS, trend_figure

    s = results.selection
    assert s.analyzer is not None
    rows = _read(results.select(*TREND_COLUMNS))
    if len(rows) == 0:
        raise UsageError(f"'{s.analyzer}' has no cycle in that time: there is nothing to draw")
    lab = history.lab(s.analyzer, s.since, s.until, LAB_COLUMNS).to_arrow()
    hold_s = history.hold_s(s.analyzer)
    return trend_figure(rows, lab, analyzer=s.analyzer, hold_s=hold_s)


def _availability(history: History, results: Query) -> Figure:
    from edgeflash.figures import AVAILABILITY_COLUMNS, availability_figure
    from edgeflash.history.query import around_samples

    s = results.selection
    holds_s = {name: history.hold_s(name) for name in history.analyzers()}
    around = around_samples(s, timedelta(seconds=max(holds_s.values(), default=0.0)))
    query = history.results(around.analyzer, around.since, around.until)
    return availability_figure(
        _read(query.select(*AVAILABILITY_COLUMNS)),
        since=s.since,
        until=s.until,
        hold_s=holds_s,
        now=datetime.now(UTC),
    )


def _trace(history: History, results: Query, words: str) -> Figure:
    from edgeflash.figures import trace_figure, traced
    from edgeflash.replay.find import place_of

    analyzer = results.selection.analyzer
    assert analyzer is not None
    table = results.select("epoch", "cycle_number", "finished_at").to_arrow()
    columns = (table[name].to_pylist() for name in table.column_names)
    places = [_Place((epoch, number), at) for epoch, number, at in zip(*columns, strict=True)]
    place = places[place_of(places, analyzer, words, None)]
    found = [_row(query, place) for query in _at(history, analyzer, place.finished_at)]
    if found[0] is None:
        raise UsageError(f"there is no recorded cycle {words}")
    return trace_figure(traced(found[0], found[1]))


@dataclass(frozen=True, slots=True)
class _Place:
    """A recorded cycle: epoch and number, and when it was finished."""

    key: tuple[int, int]
    finished_at: Any


def _at(history: History, analyzer: str, at: Any) -> tuple[Query, Query]:
    span = (at, at + timedelta(microseconds=1))
    return history.results(analyzer, *span), history.traces(analyzer, *span)


def _row(query: Query, place: _Place) -> Any:
    """The cycle's row, as a table of one; None without."""
    table = query.to_arrow()
    for number in range(len(table)):
        if (table["epoch"][number].as_py(), table["cycle_number"][number].as_py()) == place.key:
            return table.slice(number, 1)
    return None


def _read(query: Query) -> Any:
    import pyarrow as pa

    total, tables = query.begin()
    return pa.concat_tables([query.schema.empty_table(), *shown(tables, total, "Reading")])
