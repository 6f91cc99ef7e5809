"""`edgeflash run`: the gateway as a service."""

from __future__ import annotations

import asyncio
import signal
from pathlib import Path
from typing import Annotated

import typer

from edgeflash.config.site import Site
from edgeflash.errors import UsageError
from edgeflash.gateway.site import checked_site
from edgeflash.service.logs import configure


def run(
    site: Annotated[Path, typer.Argument(help="The site file (TOML).")],
    log_level: Annotated[str, typer.Option(help="DEBUG, INFO, WARNING or ERROR.")] = "INFO",
    json: Annotated[
        bool | None, typer.Option("--json/--text", help="Log form; by default by the output.")
    ] = None,
) -> None:
    """Read the analyzers of SITE, judge their cycles, publish and record the results.

    Ends cleanly on Ctrl-C and SIGTERM, with everything on disk.

    Example: edgeflash run /etc/edgeflash/site.toml
    """
    checked = checked_site(site)
    try:
        configure(json=json, level=log_level)
    except ValueError as error:
        raise UsageError(f"--log-level: {error}") from error
    asyncio.run(_serve(checked))


async def _serve(site: Site) -> None:
    # Imported here: the servers take a second to load, and `--help` should not wait for them.
    from edgeflash.gateway.gateway import Gateway

    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    await Gateway(site).run(stop)
