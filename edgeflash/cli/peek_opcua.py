"""`edgeflash peek opcua`: a first look into an OPC UA server. Only ever reads."""

from __future__ import annotations

import asyncio
import json as json_module
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from pydantic import ValidationError

from edgeflash.cli.peek import READ_ONLY, write_map
from edgeflash.config.opcua_source import OpcUaSource
from edgeflash.errors import UsageError
from edgeflash.gateway.site import checked_site
from edgeflash.model import Role

if TYPE_CHECKING:
    from edgeflash.links.opcua_security import LinkKeys
    from edgeflash.peek.nodes import NodeRow


def peek_opcua(
    url: Annotated[str, typer.Argument(help="The server, as in opc.tcp://192.0.2.10:4840")],
    site: Annotated[
        Path | None, typer.Option(help="A site file whose keys and trusted servers are used.")
    ] = None,
    policy: Annotated[
        str | None, typer.Option(help="Security policy; Basic256Sha256 with --site, else none.")
    ] = None,
    user: Annotated[str | None, typer.Option(help="User name; else anonymous.")] = None,
    password_file: Annotated[Path | None, typer.Option(help="The user's password.")] = None,
    most: Annotated[int, typer.Option(help="Variables shown at most.", min=1, max=5000)] = 300,
    looks: Annotated[int, typer.Option(help="How often to look.", min=1, max=1000)] = 3,
    every: Annotated[float, typer.Option(help="Seconds between looks.", min=0.05)] = 1.0,
    pick: Annotated[list[str] | None, typer.Option(help="ROLE=NODE as shown; repeat.")] = None,
    map: Annotated[Path | None, typer.Option(help="Write a map begun with what is picked.")] = None,
    timeout: Annotated[float, typer.Option(help="Seconds to wait for an answer.", min=0.1)] = 5.0,
    json: Annotated[bool, typer.Option("--json", help="For machines.")] = False,
) -> None:
    """Browse the server at URL; show type, value, status and time of each variable.

    Nothing is written to the server. Without --site the way to it is not protected.

    Examples:

    edgeflash peek opcua opc.tcp://192.0.2.10:4840 --looks 30 --every 5

    edgeflash peek opcua URL --pick "flash_point=nsu=urn:example:cup;s=Flash" --map new.toml
    """
    picks = [_pick(text) for text in pick or ()]
    if picks and map is None:
        raise UsageError("name the file for what is picked: --map new.toml")
    chosen = policy or ("Basic256Sha256" if site is not None else "none")
    source = _source(url, chosen, user, password_file)
    if source.is_secure and site is None:
        raise UsageError("a protected way needs keys: name the site file that has them with --site")
    keys = _keys(site)
    if not json:
        typer.echo(READ_ONLY, err=True)
    rows = asyncio.run(_looked(source, keys, timeout, most, looks, every))
    if json:
        typer.echo(json_module.dumps([_entry(row) for row in rows], ensure_ascii=False, indent=2))
    else:
        _show(rows, most)
    if map is not None:
        from edgeflash.peek.nodes import node_skeleton

        by_node = {row.node: row for row in rows}
        missing = [node for _, node in picks if node not in by_node]
        if missing:
            raise UsageError(f"--pick: {missing[0]} is not among the variables that were shown")
        write_map(map, node_skeleton({role: by_node[node] for role, node in picks}))


def _pick(text: str) -> tuple[Role, str]:
    name, _, node = text.partition("=")
    try:
        return Role(name), node
    except ValueError as error:
        raise UsageError(f"--pick {text}: {error}; write ROLE=NODE") from error


def _source(url: str, policy: str, user: str | None, password_file: Path | None) -> OpcUaSource:
    try:
        return OpcUaSource.model_validate(
            {
                "url": url,
                "security_policy": policy,
                "security_mode": "none" if policy == "none" else "sign_and_encrypt",
                "user": user,
                "password_file": password_file.absolute() if password_file else None,
                "check_host": False,
            }
        )
    except ValidationError as error:
        raise UsageError(f"{error.errors()[0]['loc']}: {error.errors()[0]['msg']}") from error


def _keys(site: Path | None) -> LinkKeys:
    from edgeflash.links.opcua_security import LinkKeys

    if site is None:
        return LinkKeys(Path("no-state"), Path(), "peek")
    checked = checked_site(site)
    return LinkKeys(checked.state_dir, checked.path.absolute().parent, checked.file.site.name)


async def _looked(
    source: OpcUaSource, keys: LinkKeys, timeout_s: float, most: int, looks: int, every_s: float
) -> list[NodeRow]:
    from edgeflash.links.opcua_client import OpcUaClient
    from edgeflash.peek.nodes import peeked
    from edgeflash.service import SYSTEM_CLOCK

    client = OpcUaClient(source, keys, timeout_s, every_s, SYSTEM_CLOCK)
    try:
        await client.open()
        return await peeked(client, most, looks, every_s)
    finally:
        await client.close()


def _show(rows: Sequence[NodeRow], most: int) -> None:
    for row in rows:
        time = row.source_time
        told = [
            row.type,
            row.status,
            time.astimezone(UTC).strftime("%Y-%m-%d %H:%M:%S UTC") if time else "no time",
            row.likeness.value,
            "moves" if row.changed else "",
        ]
        typer.echo(f"{row.path}: {_short(row.values[-1])} ({', '.join(t for t in told if t)})")
        typer.echo(f"    {_print(row.node)}")
    if len(rows) == most:
        typer.echo(f"there may be more: --most {most} were asked for")


def _print(text: str) -> str:
    """A server's text with nothing in it that a terminal would obey."""
    return "".join(c if c.isprintable() else "?" for c in text)


def _short(value: object) -> str:
    text = f"{value:.7g}" if isinstance(value, float) else _print(str(value))
    return text if len(text) <= 40 else f"{text[:37]}..."


def _entry(row: NodeRow) -> dict[str, object]:
    return {
        "node": row.node,
        "path": row.path,
        "type": row.type,
        "value": _plain(row.values[-1]),
        "status": row.status,
        "source_time": row.source_time.isoformat() if row.source_time else None,
        "changed": row.changed,
        "likeness": row.likeness.value,
    }


def _plain(value: object) -> object:
    if isinstance(value, datetime):
        return value.isoformat()
    if value is None or isinstance(value, bool | int | float | str):
        return value
    return str(value)
