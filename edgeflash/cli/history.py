"""`edgeflash history`: what the history holds, and rows of it as one file."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console
from rich.progress import track
from rich.table import Table

from edgeflash.cli.history_backup import back_up_history, restore_history
from edgeflash.cli.history_verify import verify_history
from edgeflash.cli.moments import moment
from edgeflash.cli.why import why
from edgeflash.errors import UsageError
from edgeflash.model import Verdict

if TYPE_CHECKING:
    from edgeflash.history import AnalyzerSummary
    from edgeflash.journal import JournalReader

history_app = typer.Typer(
    help="List, export and explain the results and traces of past cycles.", no_args_is_help=True
)
history_app.command("why")(why)
history_app.command("verify")(verify_history)
history_app.command("backup")(back_up_history)
history_app.command("restore")(restore_history)


class ExportTable(StrEnum):
    """The tables that can be exported."""

    RESULTS = "results"
    TRACES = "traces"


class ExportFormat(StrEnum):
    """The forms of an exported file."""

    CSV = "csv"
    PARQUET = "parquet"


FolderOption = Annotated[
    Path | None,
    typer.Option(
        "--folder",
        help="A history folder, in place of a site file. Results that are still only in the "
        "gateway's journal are not seen then.",
    ),
]
AnalyzerOption = Annotated[str | None, typer.Option(help="Only this analyzer.")]
SinceOption = Annotated[
    str | None,
    typer.Option(help="Cycles finished at or after this time: 2026-05-01 or 2026-05-01T06:00Z."),
]
UntilOption = Annotated[str | None, typer.Option(help="Cycles finished before this time.")]


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
    from edgeflash.history import summary

    with _opened(site, folder) as (history_dir, journal):
        found = summary(history_dir, journal, analyzer, moment(since), moment(until))
        _refuse_unknown(analyzer, summary(history_dir, journal))
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
    table: Annotated[ExportTable, typer.Option(help="What to export.")] = ExportTable.RESULTS,
    format: Annotated[
        ExportFormat | None, typer.Option(help="Form of the file; else by its suffix.")
    ] = None,
    analyzer: AnalyzerOption = None,
    since: SinceOption = None,
    until: UntilOption = None,
    verdict: Annotated[Verdict | None, typer.Option(help="Only cycles judged so.")] = None,
) -> None:
    """Write results or traces to OUTPUT (.csv or .parquet); a file that is there is replaced.

    Example: edgeflash history export site.toml may.csv --since 2026-05-01 --until 2026-06-01

    Example: edgeflash history export --folder history --table traces rejected.parquet
    --verdict rejected
    """
    from edgeflash.history import summary
    from edgeflash.history.export import export
    from edgeflash.history.reader import Reading
    from edgeflash.history.schema import TableName
    from edgeflash.history.selection import Selection

    site, output = _site_and_output(paths, folder)
    selection = Selection(analyzer, moment(since), moment(until), verdict)
    with _opened(site, folder) as (history_dir, journal):
        _refuse_unknown(analyzer, summary(history_dir, journal))
        reading = Reading(history_dir, TableName(table.value), journal, selection)
        total, tables = reading.begin()
        shown = track(
            tables,
            description=f"Exporting {table.value}",
            total=total,
            console=Console(stderr=True),
            transient=True,
        )
        count = export(shown, output, reading.schema, format.value if format else None)
    typer.echo(f"{output}: {count} rows")


def _refuse_unknown(analyzer: str | None, known: Sequence[AnalyzerSummary]) -> None:
    """A mistyped analyzer must not look like one without cycles."""
    names = [s.analyzer for s in known]
    if analyzer is not None and analyzer not in names:
        there = f"there are: {', '.join(names)}" if names else "it is empty"
        raise UsageError(f"the history has no cycle of '{analyzer}'; {there}")


def _site_and_output(paths: list[Path], folder: Path | None) -> tuple[Path | None, Path]:
    match paths:
        case [output] if folder is not None:
            return None, output
        case [site, output] if folder is None:
            return site, output
    raise UsageError("give SITE and OUTPUT, or --folder DIR and OUTPUT")


@contextmanager
def _opened(site: Path | None, folder: Path | None) -> Iterator[tuple[Path, JournalReader | None]]:
    """The history folder and the journal, as far as there is one."""
    from edgeflash.config.load import load_site
    from edgeflash.journal import JOURNAL_NAME, Journal

    if (site is None) == (folder is None):
        raise UsageError("give either a site file or --folder DIR")
    if folder is not None:
        yield folder, None
        return
    assert site is not None
    loaded = load_site(site)
    path = loaded.state_dir / JOURNAL_NAME
    if not path.exists():
        yield loaded.history_dir, None
        return
    with Journal.open_readonly(path) as journal:
        yield loaded.history_dir, journal


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
