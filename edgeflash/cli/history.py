"""`edgeflash history`: what the history holds, rows of it as one file, figures of it."""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console
from rich.table import Table

from edgeflash.cli.history_backup import back_up_history, restore_history
from edgeflash.cli.history_plot import plot_history, site_and_output
from edgeflash.cli.history_source import (
    AnalyzerOption,
    FolderOption,
    SinceOption,
    TableChoice,
    TableOption,
    UntilOption,
    VerdictOption,
    asked,
    opened,
    shown,
)
from edgeflash.cli.history_verify import verify_history
from edgeflash.cli.why import why

if TYPE_CHECKING:
    from edgeflash.history import AnalyzerSummary

history_app = typer.Typer(
    help="List, export, draw and explain what is recorded of past cycles.", no_args_is_help=True
)
history_app.command("why")(why)
history_app.command("plot")(plot_history)
history_app.command("verify")(verify_history)
history_app.command("backup")(back_up_history)
history_app.command("restore")(restore_history)


class ExportFormat(StrEnum):
    """The forms of an exported file."""

    CSV = "csv"
    PARQUET = "parquet"


@history_app.command("list")
def list_history(
    site: Annotated[Path | None, typer.Argument(help="The site file (TOML).")] = None,
    folder: FolderOption = None,
    analyzer: AnalyzerOption = None,
    since: SinceOption = None,
    until: UntilOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="For machines.")] = False,
) -> None:
    """Show for each analyzer: first and last cycle, how many, and how they were judged.

    Times are UTC; a time without a zone is taken as UTC.

    Example: edgeflash history list site.toml --since 2026-05-01
    """
    from edgeflash.history.summary import SUMMARY_COLUMNS, summaries

    query = asked(opened(site, folder), TableChoice.RESULTS, analyzer, since, until)
    total, tables = query.select(*SUMMARY_COLUMNS).begin()
    found = summaries(shown(tables, total, "Reading"))
    if as_json:
        typer.echo(json.dumps([_json_ready(s) for s in found], indent=2))
        return
    if not found:
        typer.echo("no cycles")
        return
    Console().print(_as_table(found))


@history_app.command("export")
def export_history(
    paths: Annotated[
        list[Path], typer.Argument(metavar="[SITE] OUTPUT", help="The site file; the new file.")
    ],
    folder: FolderOption = None,
    table: TableOption = TableChoice.RESULTS,
    format: Annotated[
        ExportFormat | None, typer.Option(help="Form of the file; else by its suffix.")
    ] = None,
    analyzer: AnalyzerOption = None,
    since: SinceOption = None,
    until: UntilOption = None,
    verdict: VerdictOption = None,
) -> None:
    """Write rows of a table to OUTPUT (.csv or .parquet); a file that is there is replaced.

    Example: edgeflash history export site.toml may.csv --since 2026-05-01 --until 2026-06-01

    Example: edgeflash history export --folder history --table traces rejected.parquet
    --verdict rejected
    """
    from edgeflash.history.export import export

    site, output = site_and_output(paths, folder)
    query = asked(opened(site, folder), table, analyzer, since, until, verdict)
    total, tables = query.begin()
    parts = shown(tables, total, f"Exporting {table.value}")
    count = export(parts, output, query.schema, format.value if format else None)
    typer.echo(f"{output}: {count} rows")


def _json_ready(summary: AnalyzerSummary) -> dict[str, object]:
    return {
        name: value.isoformat() if isinstance(value, datetime) else value
        for name, value in asdict(summary).items()
    }


def _as_table(found: list[AnalyzerSummary]) -> Table:
    """Fits a terminal of 80 columns: the times stand below each other."""
    table = Table(box=None, padding=(0, 1, 0, 0))
    table.add_column("analyzer", no_wrap=True)
    table.add_column("first, last (UTC)", no_wrap=True)
    for name in ("cycles", "accepted", "doubtful", "rejected", "accepted °C"):
        table.add_column(name, justify="right", no_wrap=True)
    for s in found:
        span_c = "" if s.low_c is None else f"{s.low_c:.1f} to {s.high_c:.1f}"
        times = "\n".join(f"{t.astimezone(UTC):%Y-%m-%d %H:%M:%S}" for t in (s.first, s.last))
        counts = (str(n) for n in (s.cycles, s.accepted, s.doubtful, s.rejected))
        table.add_row(s.analyzer, times, *counts, span_c)
    return table
