"""What every `edgeflash history` command takes: where the history is, and which rows of it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar

import typer
from rich.console import Console
from rich.progress import track

from edgeflash.cli.moments import moment
from edgeflash.errors import UsageError
from edgeflash.model import Verdict

if TYPE_CHECKING:
    from edgeflash.history import History, Query

T = TypeVar("T")


class TableChoice(StrEnum):
    """The tables of the history."""

    RESULTS = "results"
    TRACES = "traces"
    EVENTS = "events"
    LAB = "lab"


FolderOption = Annotated[
    str | None,
    typer.Option(
        "--folder",
        help="A history folder, or the URL of one on an object store (s3://bucket/folder), in "
        "place of a site file. What is still only in the gateway's journal is not seen then.",
    ),
]
TableOption = Annotated[TableChoice, typer.Option(help="Which table.")]
AnalyzerOption = Annotated[str | None, typer.Option(help="Only this analyzer.")]
SinceOption = Annotated[
    str | None,
    typer.Option(help="Rows of this time and later: 2026-05-01 or 2026-05-01T06:00Z."),
]
UntilOption = Annotated[str | None, typer.Option(help="Rows of before this time.")]
VerdictOption = Annotated[Verdict | None, typer.Option(help="Only cycles judged so.")]


def opened(site: Path | None, folder: str | None) -> History:
    """The history of a site file, or at a folder or URL. Raises UsageError for both or neither."""
    from edgeflash.history import open_history

    if (site is None) == (folder is None):
        raise UsageError("give either a site file or --folder DIR")
    if folder is not None:
        return open_history(folder)
    assert site is not None
    if site.suffix != ".toml":
        raise UsageError(f"{site}: a site file is a .toml file; for a folder there is --folder")
    return open_history(site)


def asked(
    history: History,
    table: TableChoice,
    analyzer: str | None,
    since: str | None,
    until: str | None,
    verdict: Verdict | None = None,
) -> Query:
    """The rows that the options ask for.

    Raises UsageError: a mistyped analyzer must not look like one without rows.
    """
    if analyzer is not None:
        known = history.analyzers(table.value)
        if analyzer not in known:
            there = f"there are: {', '.join(known)}" if known else "it is empty"
            what = "cycle" if table in _OF_CYCLES else f"row in {table.value}"
            raise UsageError(f"the history has no {what} of '{analyzer}'; {there}")
    times = (moment(since), moment(until))
    if table is TableChoice.RESULTS:
        return history.results(analyzer, *times, verdict)
    if table is TableChoice.TRACES:
        return history.traces(analyzer, *times, verdict)
    if verdict is not None:
        raise UsageError(f"rows of {table.value} have no verdict")
    return (history.events if table is TableChoice.EVENTS else history.lab)(analyzer, *times)


_OF_CYCLES = (TableChoice.RESULTS, TableChoice.TRACES)


def shown(parts: Iterable[T], total: int, what: str) -> Iterator[T]:
    """The parts, with a bar on standard error while they come, where that is a terminal."""
    console = Console(stderr=True)
    yield from track(
        parts,
        description=what,
        total=total,
        console=console,
        transient=True,
        disable=not console.is_terminal,
    )
