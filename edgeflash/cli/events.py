"""`edgeflash events`: the event record of a site's gateway."""

from __future__ import annotations

import json as json_module
from pathlib import Path
from typing import Annotated

import typer

from edgeflash.cli.lines import say_line
from edgeflash.cli.moments import moment, stamp
from edgeflash.errors import UsageError
from edgeflash.model import EventEntry


def events(
    site: Annotated[Path, typer.Argument(help="The site file (TOML).")],
    since: Annotated[
        str | None, typer.Option(help="At or after this time: 2026-05-01 or 2026-05-01T06:00Z.")
    ] = None,
    analyzer: Annotated[str | None, typer.Option(help="Only this analyzer.")] = None,
    json: Annotated[bool, typer.Option("--json", help="One JSON object in each line.")] = False,
) -> None:
    """Print who did what to the gateway, and what became of the alarms; the oldest first.

    Kept as long as `keep_days` of the site file says. Times are UTC.

    Example: edgeflash events site.toml --since 2026-05-01 --analyzer kestrel-1
    """
    from edgeflash.config.load import load_site
    from edgeflash.journal import JOURNAL_NAME, Journal

    loaded, start = load_site(site), moment(since)
    known = [a.id for a in loaded.file.analyzers]
    if analyzer is not None and analyzer not in known:
        raise UsageError(f"{site} has no analyzer '{analyzer}'; there are: {', '.join(known)}")
    with Journal.open_readonly(loaded.state_dir / JOURNAL_NAME) as journal:
        for entry in journal.events(start, analyzer):
            if json:
                typer.echo(json_module.dumps(_as_record(entry), ensure_ascii=False))
            else:
                say_line(told(entry))


def _as_record(entry: EventEntry) -> dict[str, object]:
    return {
        "at": stamp(entry.at),
        "kind": entry.kind.value,
        "analyzer": entry.analyzer,
        "who": entry.who,
        "via": entry.via,
        "subject": entry.subject,
        "text": entry.text,
        "until": None if entry.until is None else stamp(entry.until),
    }


def told(entry: EventEntry) -> str:
    """One event in one line."""
    words = [f"{entry.at:%Y-%m-%d %H:%M:%S} UTC", entry.kind.value, entry.analyzer, entry.subject]
    line = " ".join(word for word in words if word)
    if entry.who:
        line += f" by {entry.who}"
    if entry.via:
        line += f" ({entry.via})"
    if entry.until is not None:
        line += f" until {entry.until:%Y-%m-%d %H:%M:%S} UTC"
    return f"{line}: {entry.text}" if entry.text else line
