"""`edgeflash alarms`: what stands now, and acknowledging it."""

from __future__ import annotations

import json as json_module
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from edgeflash.alarms.acknowledging import SOCKET_NAME
from edgeflash.alarms.asking import ask
from edgeflash.gateway.site import checked_site

alarms_app = typer.Typer(
    help="List the alarms of a running gateway, and acknowledge them.", no_args_is_help=True
)

_COLUMNS = ("analyzer", "alarm", "priority", "state", "since", "why", "by", "because")
SiteFile = Annotated[Path, typer.Argument(help="The site file (TOML) of the running gateway.")]
ForMachines = Annotated[bool, typer.Option("--json", help="For machines.")]


@alarms_app.command("list")
def list_alarms(site: SiteFile, json: ForMachines = False) -> None:
    """Print every alarm of the gateway that runs SITE, with its state.

    Example: edgeflash alarms list /etc/edgeflash/site.toml
    """
    reply = ask(checked_site(site).state_dir / SOCKET_NAME, {"do": "list"})
    found: Any = reply["alarms"]
    if json:
        typer.echo(json_module.dumps(found, ensure_ascii=False, indent=2))
        return
    table = Table()
    for heading in _COLUMNS:
        table.add_column(heading, overflow="fold")
    for row in found:
        table.add_row(*(escape(str(row.get(column) or "")) for column in _COLUMNS))
    Console().print(table)


@alarms_app.command("acknowledge")
def acknowledge_alarm(
    site: SiteFile,
    analyzer: Annotated[str, typer.Argument(help="The analyzer's id.")],
    alarm: Annotated[str, typer.Argument(help="The alarm's name, as `alarms list` shows it.")],
    because: Annotated[str, typer.Option(help="What is being done about it; kept with it.")] = "",
    json: ForMachines = False,
) -> None:
    """Acknowledge one ALARM of ANALYZER. Your user name is recorded.

    Taking note of an alarm makes nothing safe: the site's procedures and local codes decide what
    must be done.

    Example: edgeflash alarms acknowledge site.toml kestrel-1 possible_low_flash
    """
    request = {"do": "acknowledge", "analyzer": analyzer, "alarm": alarm, "because": because}
    reply = ask(checked_site(site).state_dir / SOCKET_NAME, request)
    if json:
        typer.echo(json_module.dumps(reply, ensure_ascii=False, indent=2))
        return
    typer.echo(f"{analyzer} {alarm}: {reply['state']}, acknowledged by {reply['by']}")
    if not reply["recorded"]:
        typer.echo("it is not on the gateway's disk yet and would not survive a restart", err=True)
