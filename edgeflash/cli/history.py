"""`edgeflash history`: what the history holds, rows of it as one file, figures of it."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from edgeflash.cli.history_backup import back_up_history, restore_history
from edgeflash.cli.history_list import list_history
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

history_app = typer.Typer(
    help="List, export, draw and explain what is recorded of past cycles.", no_args_is_help=True
)
history_app.command("list")(list_history)
history_app.command("why")(why)
history_app.command("plot")(plot_history)
history_app.command("verify")(verify_history)
history_app.command("backup")(back_up_history)
history_app.command("restore")(restore_history)


class ExportFormat(StrEnum):
    """The forms of an exported file."""

    CSV = "csv"
    PARQUET = "parquet"


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
