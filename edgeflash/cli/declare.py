"""`edgeflash maintenance` and `edgeflash check-sample`: what a person declares of an analyzer."""

from __future__ import annotations

import json as json_module
from pathlib import Path
from typing import Annotated

import typer

from edgeflash.alarms.acknowledging import SOCKET_NAME
from edgeflash.alarms.asking import ask
from edgeflash.errors import UsageError
from edgeflash.gateway.site import checked_site
from edgeflash.operations import LONGEST_DECLARED_MIN

SiteFile = Annotated[Path, typer.Argument(help="The site file (TOML) of the running gateway.")]
AnalyzerId = Annotated[str, typer.Argument(help="The analyzer's id.")]
Minutes = Annotated[
    float,
    typer.Option(help=f"It ends by itself after so long, at most {LONGEST_DECLARED_MIN:g}."),
]
Because = Annotated[str, typer.Option(help="Why; kept in the event record.")]
ForMachines = Annotated[bool, typer.Option("--json", help="For machines.")]

maintenance_app = typer.Typer(
    help="Declare that an analyzer is in maintenance, and that it no longer is.",
    no_args_is_help=True,
)
check_sample_app = typer.Typer(
    help="Declare that an analyzer measures a check sample, and that it no longer does.",
    no_args_is_help=True,
)


@maintenance_app.command("start")
def start_maintenance(
    site: SiteFile,
    analyzer: AnalyzerId,
    minutes: Minutes,
    because: Because = "",
    json: ForMachines = False,
) -> None:
    """Declare maintenance of ANALYZER: its last value is held, then bad; no cycle is accepted.

    Started again while it runs, it gets a new end. Your user name is recorded.

    Example: edgeflash maintenance start site.toml kestrel-1 --minutes 90 --because "new igniter"
    """
    _ask("maintenance", site, analyzer, minutes, because, json)


@maintenance_app.command("end")
def end_maintenance(
    site: SiteFile, analyzer: AnalyzerId, because: Because = "", json: ForMachines = False
) -> None:
    """End the declared maintenance of ANALYZER before its time.

    Example: edgeflash maintenance end site.toml kestrel-1
    """
    _ask("maintenance", site, analyzer, None, because, json)


@check_sample_app.command("start")
def start_check_sample(
    site: SiteFile,
    analyzer: AnalyzerId,
    minutes: Minutes,
    because: Because = "",
    json: ForMachines = False,
) -> None:
    """Declare a check sample at ANALYZER. Its cycles are compared with the reference value.

    Declare it before the cycle begins, and end it after the result: a cycle of which only a part
    lies in the declared time is rejected and proves nothing.

    Example: edgeflash check-sample start site.toml kestrel-1 --minutes 20 --because "fluid 12-B"
    """
    _ask("check_sample", site, analyzer, minutes, because, json)


@check_sample_app.command("end")
def end_check_sample(
    site: SiteFile, analyzer: AnalyzerId, because: Because = "", json: ForMachines = False
) -> None:
    """End the declared check sample at ANALYZER before its time.

    Example: edgeflash check-sample end site.toml kestrel-1
    """
    _ask("check_sample", site, analyzer, None, because, json)


def _ask(
    what: str, site: Path, analyzer: str, minutes: float | None, because: str, json: bool
) -> None:
    if minutes is not None and not 0.0 < minutes <= LONGEST_DECLARED_MIN:
        raise UsageError(f"--minutes must be above 0 and at most {LONGEST_DECLARED_MIN:g}")
    checked = checked_site(site)
    known = [a.id for a in checked.file.analyzers]
    if analyzer not in known:
        raise UsageError(f"{site} has no analyzer '{analyzer}'; there are: {', '.join(known)}")
    request = {"do": what, "analyzer": analyzer, "minutes": minutes, "because": because}
    reply = ask(checked.state_dir / SOCKET_NAME, request)
    if json:
        typer.echo(json_module.dumps(reply, ensure_ascii=False, indent=2))
    else:
        how = "ended" if minutes is None else f"declared for {minutes:g} min"
        typer.echo(f"{analyzer}: {what.replace('_', ' ')} {how} by {reply['by']}")
    if not reply["recorded"]:
        typer.echo("it is not on the gateway's disk yet and would not survive a restart", err=True)
