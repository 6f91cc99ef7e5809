"""`edgeflash history why`: one recorded verdict, with all that stands behind it."""

from __future__ import annotations

import json as json_module
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from edgeflash.errors import StorageError, UsageError


def why(
    site: Annotated[Path, typer.Argument(help="The site file (TOML).")],
    analyzer: Annotated[str, typer.Argument(help="The analyzer.")],
    cycle: Annotated[str, typer.Argument(help="47, or 0/47 with its epoch, or the full id.")],
    epoch: Annotated[
        int | None, typer.Option(min=0, help="Of the counter; else the newest that has the cycle.")
    ] = None,
    figure: Annotated[
        Path | None, typer.Option(help="Write the trace as a figure to this file (.svg) too.")
    ] = None,
    folder: Annotated[
        Path | None,
        typer.Option("--folder", help="A history folder, in place of SITE's own and its journal."),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="For machines.")] = False,
) -> None:
    """Show why one cycle was judged as it was: its trace, every rule, and what was published.

    The verdict and the findings are those that were recorded. What a silent rule has measured, and
    which rules are off or blind, follows from SITE as it is now. Times are UTC.

    Example: edgeflash history why site.toml kestrel-1 47 --figure cycle-47.svg
    """
    from edgeflash.gateway.site import checked_site
    from edgeflash.replay.cases import open_recordings
    from edgeflash.replay.explain import explained
    from edgeflash.replay.figure import svg
    from edgeflash.replay.telling import as_json, told

    if figure is not None and figure.suffix.lower() != ".svg":
        raise UsageError(f"{figure}: the figure is drawn as .svg only")
    checked = checked_site(site)
    found = explained(open_recordings(checked, folder), checked, analyzer, cycle, epoch)
    if figure is not None:
        try:
            figure.write_text(svg(found), encoding="utf-8")
        except OSError as error:
            raise StorageError(f"{figure}: the figure cannot be written: {error}") from error
    if json:
        typer.echo(json_module.dumps(as_json(found), ensure_ascii=False, indent=2))
        return
    console = Console()
    for part in told(found, console.width):
        console.print(part)
    if figure is not None:
        console.print(f"{figure}: the figure")
