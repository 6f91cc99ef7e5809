"""`edgeflash replay`: what another configuration would have made of the recorded cycles."""

from __future__ import annotations

import json as json_module
import os
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, ProgressColumn, Task, TextColumn
from rich.text import Text

from edgeflash.cli.moments import moment
from edgeflash.errors import UsageError

if TYPE_CHECKING:
    from edgeflash.config.site import Site
    from edgeflash.replay.cases import Recordings
    from edgeflash.replay.judge_again import Again, Run

SHOWN_CHANGES = 50


def replay(
    site: Annotated[Path, typer.Argument(help="The site file (TOML) to judge by.")],
    since: Annotated[
        str,
        typer.Option(
            help="Cycles finished at or after this time: 2026-05-01 or 2026-05-01T06:00Z."
        ),
    ],
    until: Annotated[str | None, typer.Option(help="Cycles finished before this time.")] = None,
    analyzer: Annotated[str | None, typer.Option(help="Only this analyzer.")] = None,
    folder: Annotated[
        Path | None,
        typer.Option(
            "--folder",
            help="Cycles of this history folder, in place of SITE's own and its journal.",
        ),
    ] = None,
    csv: Annotated[
        Path | None, typer.Option(help="Write every changed cycle to this file too.")
    ] = None,
    show_all: Annotated[
        bool, typer.Option("--all", help="Show every changed cycle, not only the first 50.")
    ] = False,
    jobs: Annotated[
        int | None, typer.Option(min=1, max=256, help="Processes; else one for each core.")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="For machines.")] = False,
) -> None:
    """Judge recorded cycles again by SITE, and show which verdicts would change.

    Copy the running site file, change a limit in the copy, and replay last month by it before the
    change goes live. Nothing is written to the history or the journal, and the gateway may run.
    What was judged before --since counts as it was recorded. Times are UTC.

    Ends with 0 when nothing changes; with 1 when a verdict, a published value or a possible low
    flash point would be another, or a cycle could not be judged again; with 2 for wrong use.

    Example: edgeflash replay changed.toml --since 2026-05-01 --until 2026-06-01
    """
    from edgeflash.gateway.site import checked_site
    from edgeflash.replay.cases import open_recordings
    from edgeflash.replay.drawing import drawn
    from edgeflash.replay.judge_again import judged_again, runs
    from edgeflash.replay.report import Report
    from edgeflash.replay.report_files import as_json, write_csv

    checked = checked_site(site)
    begin, end = moment(since), moment(until)
    if begin is not None and end is not None and end <= begin:
        raise UsageError(f"--until {until} must lie after --since {since}")
    recordings = open_recordings(checked, folder)
    known, left_out = _analyzers(checked, recordings, analyzer)
    chosen = runs(recordings, known, begin, end)
    if not chosen:
        raise UsageError(
            "there is no recorded cycle to judge: see what there is with edgeflash history list"
        )
    report = Report()
    count = len(os.sched_getaffinity(0)) if jobs is None else jobs
    for again in _with_progress(judged_again(recordings, checked, chosen, count), chosen):
        report.add(again)
    if csv is not None:
        write_csv(report, csv)
    if json:
        document = {"site": str(site), **as_json(report), "analyzers_not_in_site": left_out}
        typer.echo(json_module.dumps(document, ensure_ascii=False, indent=2))
    else:
        console = Console()
        most = None if show_all else SHOWN_CHANGES
        for part in drawn(report, changes_most=most, columns=console.width):
            console.print(part)
        for name in left_out:
            console.print(f"{name} has recorded cycles and is not in {site}: left out")
        if csv is not None:
            console.print(f"{csv}: {len(report.changes)} changed cycles")
    sys.exit(0 if report.is_unchanged else 1)


def _analyzers(
    site: Site, recordings: Recordings, wanted: str | None
) -> tuple[list[str], list[str]]:
    """The analyzers to judge, and those with recorded cycles that the site does not know."""
    ours = [a.id for a in site.file.analyzers]
    recorded = recordings.analyzers()
    if wanted is None:
        return [n for n in recorded if n in ours], [n for n in recorded if n not in ours]
    if wanted not in ours:
        raise UsageError(f"'{wanted}' is not in {site.path}; there are: {', '.join(ours)}")
    if wanted not in recorded:
        raise UsageError(
            f"the history has no cycle of '{wanted}'; there are: {', '.join(recorded) or 'none'}"
        )
    return [wanted], []


class _Speed(ProgressColumn):
    """Cycles per second."""

    def render(self, task: Task) -> Text:
        """The speed so far."""
        return Text("" if task.speed is None else f"{task.speed:.0f} cycles/s", "cyan")


def _with_progress(agains: Iterable[Again], chosen: Iterable[Run]) -> Iterator[Again]:
    """The same cycles, with a bar on standard error while it is a terminal."""
    console = Console(stderr=True)
    columns = (TextColumn("Judging again"), BarColumn(), MofNCompleteColumn(), _Speed())
    with Progress(
        *columns, console=console, transient=True, disable=not console.is_terminal
    ) as progress:
        task = progress.add_task("", total=sum(len(run.chosen) for run in chosen))
        for again in agains:
            yield again
            progress.advance(task)
