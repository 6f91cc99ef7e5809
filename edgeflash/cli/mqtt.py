"""`edgeflash mqtt`: how the MQTT outlets of a running gateway fare, and what is set aside."""

from __future__ import annotations

import json as json_module
from pathlib import Path
from typing import Annotated, Any

import typer

from edgeflash.alarms.acknowledging import SOCKET_NAME
from edgeflash.alarms.asking import ask
from edgeflash.cli.lines import say_line
from edgeflash.errors import UsageError
from edgeflash.gateway.site import checked_site

mqtt_app = typer.Typer(
    help="Show the MQTT outlets of a running gateway, and deal with what a broker refuses.",
    no_args_is_help=True,
)

SiteFile = Annotated[Path, typer.Argument(help="The site file (TOML) of the running gateway.")]
Outlet = Annotated[str, typer.Argument(help="The id of the [[mqtt]] entry.")]
ForMachines = Annotated[bool, typer.Option("--json", help="For machines.")]


@mqtt_app.command("list")
def list_outlets(site: SiteFile, json: ForMachines = False) -> None:
    """Print each MQTT outlet of the gateway that runs SITE, and the messages it has set aside.

    Set aside is what a broker refuses again and again for a reason of its own: it is not delivered,
    and those after it go on.

    Example: edgeflash mqtt list /etc/edgeflash/site.toml
    """
    found: Any = ask(checked_site(site).state_dir / SOCKET_NAME, {"do": "mqtt_list"})["outlets"]
    if json:
        typer.echo(json_module.dumps(found, ensure_ascii=False, indent=2))
        return
    if not found:
        say_line("the site file has no [[mqtt]]")
    for row in found:
        for line in _lines(row):
            say_line(line)


@mqtt_app.command("retry")
def retry(site: SiteFile, outlet: Outlet, json: ForMachines = False) -> None:
    """Offer what OUTLET has set aside to its broker once more. Your user name is recorded.

    Example: edgeflash mqtt retry /etc/edgeflash/site.toml plant-broker
    """
    reply = _asked(site, "mqtt_retry", outlet)
    if json:
        typer.echo(json_module.dumps(reply))
        return
    say_line(f"{outlet}: {reply['messages']} messages are offered again; see edgeflash mqtt list")


@mqtt_app.command("give-up")
def give_up(site: SiteFile, outlet: Outlet, json: ForMachines = False) -> None:
    """Let go of what OUTLET has set aside: its broker never gets it. Your user name is recorded.

    The results themselves stay in the history.

    Example: edgeflash mqtt give-up /etc/edgeflash/site.toml plant-broker
    """
    reply = _asked(site, "mqtt_give_up", outlet)
    if json:
        typer.echo(json_module.dumps(reply))
        return
    say_line(f"{outlet}: {reply['messages']} messages are given up")


def _asked(site: Path, wish: str, outlet: str) -> dict[str, Any]:
    checked = checked_site(site)
    known = [entry.id for entry in checked.file.mqtt]
    if outlet not in known:
        there = ", ".join(known) or "none"
        raise UsageError(f"{site} has no MQTT outlet '{outlet}'; there are: {there}")
    reply: dict[str, Any] = dict(
        ask(checked.state_dir / SOCKET_NAME, {"do": wish, "outlet": outlet})
    )
    return reply


def _lines(row: dict[str, Any]) -> list[str]:
    state = f"connected since {row['connected_since']}" if row["connected_since"] else "away"
    if row["fault"]:
        state += f": {row['fault']}"
    lines = [
        f"{row['outlet']} ({row['form']}) to {row['broker']}: {state}",
        f"  {row['sent']} messages sent, {row['results_waiting']} results waiting, "
        f"{row['set_aside']} set aside",
    ]
    lines += [f"  set aside at {m['at']}: {m['id']}: {m['why']}" for m in row["messages"]]
    return lines
