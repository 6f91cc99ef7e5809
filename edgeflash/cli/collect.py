"""`edgeflash collect`: what gateways shipped into shared tables."""

from __future__ import annotations

import json
import time
from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from edgeflash.cli.lines import say_error, say_line
from edgeflash.errors import EdgeflashError, UsageError

if TYPE_CHECKING:
    from edgeflash.history.schema import TableName


def collect(
    url: Annotated[
        str, typer.Argument(help="Where gateways ship to: s3://BUCKET/PREFIX or a folder.")
    ],
    table_root: Annotated[
        str, typer.Argument(help="Where the shared tables are: s3://BUCKET/PREFIX or a folder.")
    ],
    table: Annotated[
        list[str] | None, typer.Option(help="Only this table; may be given several times.")
    ] = None,
    watch: Annotated[
        float | None, typer.Option(min=1.0, help="Go on for ever, with so many seconds in between.")
    ] = None,
    tidy: Annotated[
        bool,
        typer.Option(
            "--tidy",
            help="Join all small files and drop what no version of the last 7 days needs; every "
            "run does this where it is worth while.",
        ),
    ] = False,
    endpoint: Annotated[
        str, typer.Option(help="Another S3-compatible server; else AWS_ENDPOINT_URL.")
    ] = "",
    region: Annotated[str, typer.Option(help="Of the buckets; else AWS_REGION.")] = "",
    as_json: Annotated[bool, typer.Option("--json", help="For machines.")] = False,
) -> None:
    """Commit every part that gateways shipped to URL into Delta Lake tables, each row once.

    A damaged part is named and passed over, and tried again at the next run. Runs beside another
    collector and beside readers; killed at any point, the next run goes on.

    Exit code 1: a part was refused, a site's parts could not be looked at, a store refuses, or
    nothing was shipped there.

    Example: edgeflash collect s3://plant-history/shipped s3://plant-history/tables

    Example: edgeflash collect /srv/shipped /srv/tables --watch 600
    """
    from edgeflash.history.schema import TableName

    known = [t.value for t in TableName]
    if unknown := sorted(set(table or ()) - set(known)):
        raise UsageError(f"--table {unknown[0]}: there are {', '.join(known)}")
    tables = [t for t in TableName if not table or t.value in table]
    while True:
        try:
            fine = _one_pass((url, table_root), tables, endpoint, region, tidy, as_json)
        except EdgeflashError as error:
            if watch is None or isinstance(error, UsageError):
                raise
            say_error(f"edgeflash: {error}")
            fine = False
        if watch is None:
            raise typer.Exit(0 if fine else 1)
        time.sleep(watch)


def _one_pass(
    places: tuple[str, str],
    tables: list[TableName],
    endpoint: str,
    region: str,
    all_of_it: bool,
    as_json: bool,
) -> bool:
    """Whether there was something, and nothing was refused."""
    from edgeflash.fleet.collect import Collector
    from edgeflash.fleet.shared_table import SharedTable, table_url
    from edgeflash.fleet.store import open_store
    from edgeflash.fleet.table_store import storage_options
    from edgeflash.fleet.tidy import tidy

    url, root = places
    store = open_store(url, endpoint, region)
    options = storage_options(root, endpoint, region)
    told: dict[str, Any] = {}
    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True, quiet=as_json), transient=True) as bar:
        for one in tables:
            task = bar.add_task(f"Collecting {one.value}", total=None)

            def on_part(site: str, serial: int, name: str = one.value, task: Any = task) -> None:
                told = escape(f"{site}, part {serial}")  # a name may look like a style
                bar.update(task, advance=1, description=f"Collecting {name}: {told}")

            report = Collector(store, root, one, options, on_part).collect()
            told[one.value] = asdict(report)
            if report.commits or all_of_it:
                place = table_url(root, one)
                if SharedTable.exists(place, options):
                    tidied = tidy(SharedTable(place, one, options), all_of_it=all_of_it)
                    told[one.value]["tidied"] = asdict(tidied)
            bar.remove_task(task)
    if as_json:
        typer.echo(json.dumps(told))
    else:
        for name, report in told.items():
            for why in report["refused"].values():
                say_error(f"edgeflash: refused: {_visible(why)}")
            for site, why in report["failed"].items():
                say_error(f"edgeflash: {name}: {_visible(f'{site}: {why}')}")
            say_line(
                f"{name}: {report['sites']} sites, {report['parts']} parts taken, "
                f"{report['added']} rows added, {report['replaced']} replaced, "
                f"{len(report['refused'])} parts refused"
            )
    if not any(report["sites"] for report in told.values()):
        say_error(f"edgeflash: {url}: nobody has shipped anything here yet")
        return False
    return not any(report["refused"] or report["failed"] for report in told.values())


def _visible(text: str) -> str:
    """Names come from the store, where others write: none of them may steer a terminal."""
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)
