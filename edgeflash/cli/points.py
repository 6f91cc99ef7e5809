"""`edgeflash points`: the list for the control system engineer."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from edgeflash.gateway.site import checked_site


class ListFormat(StrEnum):
    """How the list is written."""

    CSV = "csv"
    MD = "md"
    JSON = "json"


def points(
    site: Annotated[Path, typer.Argument(help="The site file (TOML).")],
    format: Annotated[ListFormat, typer.Option(help="Form of the list.")] = ListFormat.MD,
) -> None:
    """Print every published point of SITE: units, ranges, OPC UA node ids, Modbus addresses.

    Example: edgeflash points site.toml --format csv > points.csv
    """
    from edgeflash.outlets import point_list

    checked = checked_site(site)
    rows = point_list.rows(checked)
    writers = {
        ListFormat.CSV: point_list.as_csv,
        ListFormat.MD: point_list.as_markdown,
        ListFormat.JSON: point_list.as_json,
    }
    typer.echo(writers[format](rows), nl=False)
