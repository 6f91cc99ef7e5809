"""`edgeflash fleet`: questions about the analyzers of every site."""

from __future__ import annotations

import json
import re
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.table import Table

from edgeflash.errors import UsageError

_MONTH = re.compile(r"\d{4}-(0[1-9]|1[0-2])")


def fleet(
    question: Annotated[str, typer.Argument(help="availability, reasons, bias or precision.")],
    table_root: Annotated[
        str, typer.Argument(help="Where `edgeflash collect` keeps the shared tables.")
    ],
    site: Annotated[str | None, typer.Option(help="Only this site.")] = None,
    since: Annotated[str | None, typer.Option(help="From this month on, YYYY-MM.")] = None,
    until: Annotated[str | None, typer.Option(help="Up to and with this month, YYYY-MM.")] = None,
    engine: Annotated[str, typer.Option(help="duckdb, or spark where pyspark is.")] = "duckdb",
    endpoint: Annotated[
        str, typer.Option(help="Another S3-compatible server; else AWS_ENDPOINT_URL.")
    ] = "",
    region: Annotated[str, typer.Option(help="Of the bucket; else AWS_REGION.")] = "",
    as_json: Annotated[bool, typer.Option("--json", help="For machines.")] = False,
) -> None:
    """Ask the shared tables, by site, analyzer and UTC month.

    availability: how much of the time there was a usable result. reasons: which rules doubted or
    rejected how often. bias: how far accepted results are from the laboratory. precision: how well
    check samples repeat. Formulas and sources: docs/fleet.md.

    Example: edgeflash fleet availability s3://plant-history/tables --since 2026-05
    """
    from edgeflash.fleet.engines import Engine, answer
    from edgeflash.fleet.questions import QUESTIONS
    from edgeflash.fleet.table_store import storage_options

    if question not in QUESTIONS:
        raise UsageError(f"{question}: no such question; there are {', '.join(QUESTIONS)}")
    if engine not in [e.value for e in Engine]:
        raise UsageError(f"--engine {engine}: there are {', '.join(Engine)}")
    for name, month in (("--since", since), ("--until", until)):
        if month is not None and not _MONTH.fullmatch(month):
            raise UsageError(f"{name} {month}: write a month as 2026-05")
    rows = answer(
        QUESTIONS[question],
        table_root,
        Engine(engine),
        storage_options(table_root, endpoint, region),
        site=site,
        since=since,
        until=until,
    )
    if as_json:
        typer.echo(json.dumps(rows, indent=2))
    elif rows:
        Console().print(_as_table(rows))
    else:
        typer.echo("no rows")


def _as_table(rows: list[dict[str, Any]]) -> Table:
    table = Table(box=None, padding=(0, 1, 0, 0))
    for name, value in rows[0].items():
        table.add_column(name.replace("_", " "), justify="left" if _is_text(value) else "right")
    for row in rows:
        table.add_row(*(_text(name, value) for name, value in row.items()))
    return table


def _is_text(value: object) -> bool:
    return isinstance(value, str)


def _text(name: str, value: object) -> str:
    match value:
        case None:
            return ""
        case float():
            return f"{value:.0f}" if name.endswith("_s") else f"{value:.3f}"
    return str(value)
