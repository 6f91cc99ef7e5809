"""`edgeflash demo`: the whole way, from simulated analyzers to outlets and history."""

from __future__ import annotations

import asyncio
import tempfile
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from edgeflash.service.logs import configure


def demo(
    for_s: Annotated[
        float | None,
        typer.Option("--for", min=1, metavar="SECONDS", help="End by itself after so long."),
    ] = None,
    folder: Annotated[
        Path | None,
        typer.Option(help="Where history and journal go; default: a new temporary folder."),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="One JSON object per line.")] = False,
    speed: Annotated[
        float, typer.Option(min=0.1, max=60, help="Simulated seconds per second.")
    ] = 20.0,
    seed: Annotated[int, typer.Option(help="The same seed makes the same cycles.")] = 7,
) -> None:
    """Run simulated analyzers and the gateway on this machine, and watch it judge.

    Example: edgeflash demo --for 60
    """
    # Imported here: the servers take a second to load, and `--help` should not wait for them.
    from edgeflash.demo.show import Wishes, show

    configure(level="ERROR")
    where = folder or Path(tempfile.mkdtemp(prefix="edgeflash-demo-"))
    wishes = Wishes(where.absolute(), for_s, speed, seed, json)
    raise typer.Exit(asyncio.run(show(wishes, Console(highlight=False))))
