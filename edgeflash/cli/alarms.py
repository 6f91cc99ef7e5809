"""`edgeflash alarms`: what stands now, and acknowledging it."""

from __future__ import annotations

import json as json_module
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from edgeflash.alarms.acknowledging import SOCKET_NAME
from edgeflash.alarms.asking import ask
from edgeflash.alarms.catalogue import BY_NAME
from edgeflash.errors import UsageError
from edgeflash.gateway.site import checked_site
from edgeflash.model import AlarmState

alarms_app = typer.Typer(
    help="List the alarms of a running gateway, and acknowledge them.", no_args_is_help=True
)

_COLUMNS = ("analyzer", "alarm", "priority", "state")
SiteFile = Annotated[Path, typer.Argument(help="The site file (TOML) of the running gateway.")]
ForMachines = Annotated[bool, typer.Option("--json", help="For machines.")]


@alarms_app.command("list")
def list_alarms(site: SiteFile, json: ForMachines = False) -> None:
    """Print every alarm of the gateway that runs SITE, with its state, what is declared, and tests.

    Example: edgeflash alarms list /etc/edgeflash/site.toml
    """
    reply = ask(checked_site(site).state_dir / SOCKET_NAME, {"do": "list"})
    found: Any = reply["alarms"]
    if json:
        typer.echo(json_module.dumps(found, ensure_ascii=False, indent=2))
        return
    table = Table(box=None, padding=(0, 2, 0, 0))
    for heading in _COLUMNS:  # a name that is cut could not be typed again
        table.add_column(heading, no_wrap=True)
    for row in found:
        table.add_row(*(escape(str(row[column])) for column in _COLUMNS))
    console = Console(highlight=False)
    console.print(table)
    for row in found:
        if row.get("since"):
            console.print(Text(told(row)))
    for line in at_work(reply):
        console.print(Text(f"\n{line}"))


def at_work(reply: dict[str, Any]) -> list[str]:
    """What people have declared, and the tests that are shown, a line for each."""
    declared = [
        f"{row['analyzer']}: {row['declared'].replace('_', ' ')} is declared until "
        f"{datetime.fromisoformat(row['until']):%Y-%m-%d %H:%M:%S} UTC"
        + (f" by {row['by']}" if row["by"] else "")
        + (f": {row['because']}" if row["because"] else "")
        for row in reply.get("declared", [])
    ]
    tests = [
        f"{row['analyzer']} {row['point']}: a test shows {row['shows']}, for {row['left_s']:g} s "
        f"more, by {row['by']}"
        for row in reply.get("tests", [])
    ]
    return declared + tests


def told(row: dict[str, Any]) -> str:
    """Since when an alarm is what it is, why, and what was said when it was acknowledged."""
    since = datetime.fromisoformat(row["since"]).astimezone(UTC)
    text = f"{row['analyzer']} {row['alarm']}: {row['state']} since {since:%Y-%m-%d %H:%M:%S} UTC"
    if row.get("why"):
        is_over = row["state"] in (AlarmState.NORMAL.value, AlarmState.RETURNED.value)
        text += f"; before that: {row['why']}" if is_over else f": {row['why']}"
    if row.get("by"):
        text += f"; acknowledged by {row['by']}"
    if row.get("because"):
        text += f": {row['because']}"
    return f"\n{text}"


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
    checked = checked_site(site)
    known = [a.id for a in checked.file.analyzers]
    if analyzer not in known:
        raise UsageError(f"{site} has no analyzer '{analyzer}'; there are: {', '.join(known)}")
    if alarm not in BY_NAME:
        raise UsageError(f"there is no alarm '{alarm}'; there are: {', '.join(BY_NAME)}")
    reply = ask(checked.state_dir / SOCKET_NAME, request)
    if json:
        typer.echo(json_module.dumps(reply, ensure_ascii=False, indent=2))
        return
    typer.echo(f"{analyzer} {alarm}: {reply['state']}, acknowledged by {reply['by']}")
    if not reply["recorded"]:
        typer.echo("it is not on the gateway's disk yet and would not survive a restart", err=True)
