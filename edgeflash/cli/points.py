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
    NODESET = "nodeset"


def points(
    site: Annotated[Path, typer.Argument(help="The site file (TOML).")],
    format: Annotated[ListFormat, typer.Option(help="Form of the list.")] = ListFormat.MD,
) -> None:
    """Print every published point of SITE: units, ranges, OPC UA node ids, Modbus addresses.

    nodeset: the OPC UA types and nodes as a NodeSet2 file, for engineering tools and other servers.

    Example: edgeflash points site.toml --format csv > points.csv

    Example: edgeflash points site.toml --format nodeset > model.xml
    """
    from edgeflash.outlets import point_list

    checked = checked_site(site)
    if format is ListFormat.NODESET:
        from edgeflash.outlets.opcua_export import site_nodeset

        typer.echo(site_nodeset(checked), nl=False)
        return
    rows = point_list.rows(checked)
    writers = {
        ListFormat.CSV: point_list.as_csv,
        ListFormat.MD: point_list.as_markdown,
        ListFormat.JSON: point_list.as_json,
    }
    typer.echo(writers[format](rows), nl=False)
