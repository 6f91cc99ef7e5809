"""`edgeflash ship`: sealed days to object storage or a folder."""

from __future__ import annotations

import contextlib
import json
import os
import sys
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import track

from edgeflash.cli.lines import say_error, say_line
from edgeflash.service.parent import ParentWatch

_GENTLY = 10


def ship(
    site: Annotated[Path, typer.Argument(help="The site file (TOML); its [ship] says where to.")],
    check: Annotated[
        bool,
        typer.Option(
            "--check",
            help="Read everything in the store again; what is missing or damaged is sent anew.",
        ),
    ] = False,
    take_over: Annotated[
        bool,
        typer.Option(
            "--take-over", help="This machine replaces the one that shipped as this site before."
        ),
    ] = False,
    owed: Annotated[
        bool, typer.Option("--owed", help="Ship nothing; say from which day on rows are owed.")
    ] = False,
    gently: Annotated[
        bool, typer.Option("--gently", help="Give way to other programs of this machine.")
    ] = False,
    with_parent: Annotated[
        bool, typer.Option("--with-parent", hidden=True, help="End when standard input ends.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="For machines.")] = False,
) -> None:
    """Send the sealed UTC days of SITE's history to the store, as immutable files.

    A day is sealed when it is past and none of it is in the journal alone. Rows that come later are
    sent as further files. A running gateway with [ship] does this by itself.

    Exit code 1: a file of the history cannot be read, or the store refuses.

    Example: edgeflash ship /etc/edgeflash/site.toml
    """
    from edgeflash.config.load import load_site
    from edgeflash.fleet.site_ship import owed as owed_by
    from edgeflash.fleet.site_ship import shipping

    # First of all: a gateway that was killed while this started must not leave it behind.
    parent = ParentWatch(sys.stdin.fileno()) if with_parent else None
    if gently:
        # A service manager may forbid it; then it is as it is.
        with contextlib.suppress(OSError):
            os.nice(_GENTLY)
    loaded = load_site(site)
    if owed:
        found = {
            t.value: None if day is None else day.isoformat() for t, day in owed_by(loaded).items()
        }
        if as_json:
            typer.echo(json.dumps(found, indent=2))
        else:
            for table, day in found.items():
                say_line(f"{table}: " + ("nothing is owed" if day is None else f"owed since {day}"))
        return
    console = Console(stderr=True, quiet=as_json)
    with shipping(loaded, take_over=take_over, anew=check) as session:
        if check:
            session.shipper.doubt()
        total, files = session.begin(datetime.now(UTC))
        for _ in track(files, "Shipping", total=total, console=console, transient=True):
            if parent is not None and parent.is_gone:
                raise typer.Exit(1)  # between two files; the next pass goes on
        if check:
            others = list(session.shipper.read_the_others())
            console.print(f"{len(others)} parts are in the store alone")
        report = session.shipper.report
    if as_json:
        typer.echo(json.dumps(asdict(report)))
    else:
        for why in (*report.damaged, *report.unreadable):
            say_error(f"edgeflash: {why}")
        say_line(
            f"{loaded.file.ship.url if loaded.file.ship else ''}: {report.parts} parts with "
            f"{report.rows} rows shipped; {report.waiting} days wait for the journal"
        )
    if report.unreadable:
        raise typer.Exit(1)
