"""`edgeflash points`: the list for the control system engineer, and what became of it."""

from __future__ import annotations

import json as json_module
from dataclasses import asdict
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from edgeflash.config.site import Site
from edgeflash.errors import StorageError, UsageError
from edgeflash.gateway.site import checked_site

if TYPE_CHECKING:
    from edgeflash.outlets.point_changes import PointChange


class ListFormat(StrEnum):
    """How the list is written."""

    CSV = "csv"
    MD = "md"
    JSON = "json"
    XLSX = "xlsx"
    NODESET = "nodeset"
    MQTT_SCHEMA = "mqtt-schema"


def points(
    site: Annotated[Path, typer.Argument(help="The site file (TOML).")],
    format: Annotated[ListFormat, typer.Option(help="Form of the list.")] = ListFormat.MD,
    out: Annotated[
        Path | None, typer.Option(help="Write to this file; needed for a workbook (xlsx).")
    ] = None,
    against: Annotated[
        Path | None,
        typer.Option(help="An earlier site file: print what moved, changed, came or went."),
    ] = None,
) -> None:
    """Print every published point of SITE: units, ranges, OPC UA node ids, Modbus addresses.

    With --against: exit code 1 when something that was mapped before lies elsewhere, means
    something else or is gone, unless SITE says `points_moved_because` in [site].

    --format nodeset: the OPC UA types and nodes as a NodeSet2 file, for engineering tools.
    --format mqtt-schema: the JSON Schema of what SITE publishes over MQTT in plain JSON.

    Examples:

    edgeflash points site.toml --format xlsx --out points.xlsx

    edgeflash points site.toml --format nodeset --out model.xml

    edgeflash points site.toml --format mqtt-schema --out mqtt.schema.json

    edgeflash points site.toml --against site-before.toml
    """
    checked = checked_site(site)
    if against is not None:
        _compare(checked, checked_site(against), as_json=format is ListFormat.JSON)
        return
    if format is ListFormat.XLSX and out is None:
        raise UsageError("a workbook is no text: name a file with --out points.xlsx")
    data = _written(checked, format)
    if out is None:
        typer.echo(data.decode(), nl=False)
        return
    try:
        out.write_bytes(data)
    except OSError as error:
        raise StorageError(f"{out}: cannot be written: {error.strerror or error}") from error


def _written(site: Site, format: ListFormat) -> bytes:
    from edgeflash.outlets import point_list
    from edgeflash.outlets.point_workbook import as_xlsx

    rows = point_list.rows(site)
    match format:
        case ListFormat.XLSX:
            return as_xlsx(rows, datetime.now(UTC))
        case ListFormat.CSV:
            return point_list.as_csv(rows).encode()
        case ListFormat.JSON:
            return point_list.as_json(rows).encode()
        case ListFormat.NODESET:
            from edgeflash.outlets.opcua_export import site_nodeset

            return site_nodeset(site).encode()
        case ListFormat.MQTT_SCHEMA:
            return _mqtt_schema(site)
    return point_list.as_markdown(rows).encode()


def _mqtt_schema(site: Site) -> bytes:
    from edgeflash.outlets.mqtt_schema import EVERY_UNIT, schema_text
    from edgeflash.outlets.values import OutletUnits

    units = [
        OutletUnits(entry.temperature_unit, entry.pressure_unit)
        for entry in site.file.mqtt
        if entry.form == "json"
    ]
    return schema_text(units or EVERY_UNIT).encode()


def _compare(site: Site, before: Site, as_json: bool) -> None:
    from edgeflash.outlets.point_changes import point_changes
    from edgeflash.outlets.point_list import rows

    changes = point_changes(rows(before), rows(site))
    because = site.file.site.points_moved_because
    if as_json:
        shown = [asdict(change) | {"breaks": change.breaks} for change in changes]
        told = {"changes": shown, "moved_because": because}
        typer.echo(json_module.dumps(told, ensure_ascii=False, indent=2))
    else:
        for change in changes:
            typer.echo(_line(change))
        broken = sum(change.breaks for change in changes)
        typer.echo(f"{len(changes)} differences, {broken} of them break an existing mapping")
        if broken:
            typer.echo(
                f"allowed by points_moved_because: {because}"
                if because
                else "to allow them, say why in [site]: points_moved_because"
            )
    if any(change.breaks for change in changes) and not because:
        raise typer.Exit(1)


def _line(change: PointChange) -> str:
    mark = "BREAKS " if change.breaks else ""
    text = f"{mark}{change.analyzer}.{change.point}: {change.what} {change.kind.value}"
    if change.before and change.after:
        return f"{text}: {change.before} -> {change.after}"
    return f"{text}: {change.before or change.after}"
