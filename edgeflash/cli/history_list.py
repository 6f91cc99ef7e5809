"""`edgeflash history list`: what each table holds of each analyzer, and where days are missing."""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.console import Console
from rich.table import Table

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
    from edgeflash.history import AnalyzerSummary, History
    from edgeflash.history.holding import Holding

_MOST_GAPS = 5
"""Gaps that are written out for people, for each table and analyzer; --json has all."""

ABOUT_NONE = "(the gateway)"
"""What stands for the analyzer of events that are about none."""


def list_history(
    site: Annotated[Path | None, typer.Argument(help="The site file (TOML).")] = None,
    folder: FolderOption = None,
    table: Annotated[
        TableChoice | None, typer.Option(help="Only this table; else all of them.")
    ] = None,
    analyzer: AnalyzerOption = None,
    since: SinceOption = None,
    until: UntilOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="For machines.")] = False,
) -> None:
    """Show what each table holds of each analyzer: rows, first and last, size, missing days.

    Of cycles also how they were judged. Missing are UTC days without a row between the first and
    the last; of events and laboratory results that is nothing unusual. The size is that of the
    files the rows are in. Times are UTC; a time without a zone is taken as UTC.

    Example: edgeflash history list site.toml --since 2026-05-01

    Example: edgeflash history list site.toml --table traces --analyzer kestrel-1 --json
    """
    from edgeflash.history.holding import Holdings, columns_of
    from edgeflash.history.summary import SUMMARY_COLUMNS, summaries

    history = opened(site, folder)
    tables = _tables(history, table, analyzer)
    found: list[Holding] = []
    sizes: dict[tuple[str, str], int] = {}
    judged: dict[str, AnalyzerSummary] = {}
    for each in tables:
        query = asked(history, each, analyzer, since, until)
        name = query.table
        sizes |= {(name, who): size for who, size in query.sizes().items()}
        is_judged = each is TableChoice.RESULTS
        total, parts = query.select(*(SUMMARY_COLUMNS if is_judged else columns_of(name))).begin()
        held = Holdings(name)
        rows = held.seen(shown(parts, total, f"Reading {each.value}"))
        if is_judged:
            judged = {one.analyzer: one for one in summaries(rows)}
        else:
            deque(rows, maxlen=0)
        found += held.all()
    if as_json:
        typer.echo(json.dumps([_entry(one, sizes, judged) for one in found], indent=2))
        return
    if not found:
        typer.echo("nothing is there")
        return
    console = Console(highlight=False)
    if judged:
        console.print(_judged_table(judged))
        console.print()
    console.print(_held_table(found, sizes))
    for one in found:
        if one.gaps:
            typer.echo(_gap_line(one))


def _tables(
    history: History, table: TableChoice | None, analyzer: str | None
) -> tuple[TableChoice, ...]:
    """The tables to look at. Raises UsageError for an analyzer that no table knows."""
    if table is not None:
        return (table,)
    if analyzer is None:
        return tuple(TableChoice)
    has = tuple(each for each in TableChoice if analyzer in history.analyzers(each.value))
    if not has:
        known = sorted({name for each in TableChoice for name in history.analyzers(each.value)})
        there = f"there are: {', '.join(known)}" if known else "it is empty"
        raise UsageError(f"the history has no cycle of '{analyzer}'; {there}")
    return has


def _entry(
    one: Holding, sizes: Mapping[tuple[str, str], int], judged: Mapping[str, AnalyzerSummary]
) -> dict[str, Any]:
    entry: dict[str, Any] = {
        "table": one.table.value,
        "analyzer": one.analyzer,
        "rows": one.rows,
        "first": one.first.isoformat(),
        "last": one.last.isoformat(),
        "bytes": sizes.get((one.table, one.analyzer), 0),
        "days_missing": one.days_missing,
        "missing": [[first.isoformat(), last.isoformat()] for first, last in one.gaps],
    }
    if one.table == TableChoice.RESULTS.value and (summary := judged.get(one.analyzer)):
        entry |= {
            "accepted": summary.accepted,
            "doubtful": summary.doubtful,
            "rejected": summary.rejected,
            "low_c": summary.low_c,
            "high_c": summary.high_c,
        }
    return entry


def _judged_table(judged: Mapping[str, AnalyzerSummary]) -> Table:
    """Fits a terminal of 80 columns."""
    table = Table(box=None, padding=(0, 2, 0, 0))
    table.add_column("analyzer", no_wrap=True)
    for name in ("cycles", "accepted", "doubtful", "rejected", "accepted °C"):
        table.add_column(name, justify="right", no_wrap=True)
    for s in judged.values():
        span_c = "" if s.low_c is None else f"{s.low_c:.1f} to {s.high_c:.1f}"
        counts = (str(n) for n in (s.cycles, s.accepted, s.doubtful, s.rejected))
        table.add_row(s.analyzer, *counts, span_c)
    return table


def _held_table(found: list[Holding], sizes: Mapping[tuple[str, str], int]) -> Table:
    """Fits a terminal of 80 columns: the times stand below each other."""
    table = Table(box=None, padding=(0, 2, 0, 0))
    table.add_column("table", no_wrap=True)
    table.add_column("analyzer", no_wrap=True)
    table.add_column("first, last (UTC)", no_wrap=True)
    for name in ("rows", "kB", "days missing"):
        table.add_column(name, justify="right", no_wrap=True)
    for one in found:
        times = "\n".join(f"{t:%Y-%m-%d %H:%M:%S}" for t in (one.first, one.last))
        size = sizes.get((one.table, one.analyzer), 0)
        figures = (f"{one.rows}", f"{size / 1000:.0f}", f"{one.days_missing}")
        table.add_row(one.table.value, one.analyzer or ABOUT_NONE, times, *figures)
    return table


def _gap_line(one: Holding) -> str:
    spans = [_span(first, last) for first, last in one.gaps[:_MOST_GAPS]]
    more = len(one.gaps) - len(spans)
    text = ", ".join(spans) + (f" and {more} more times" if more else "")
    return f"{one.table.value} {one.analyzer or ABOUT_NONE}: no rows on {text}"


def _span(first: date, last: date) -> str:
    return f"{first}" if first == last else f"{first} to {last}"
