"""`edgeflash peek`: a first look into an unknown analyzer. Only ever reads."""

from __future__ import annotations

import asyncio
import json as json_module
from collections.abc import Iterator, Sequence
from dataclasses import asdict, replace
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console
from rich.markup import escape
from rich.progress import Progress
from rich.table import Table as Grid

from edgeflash.config.register_map import Encoding, Order, Table
from edgeflash.errors import StorageError, UsageError
from edgeflash.model import Role
from edgeflash.peek.likeness import Likeness

if TYPE_CHECKING:
    from edgeflash.peek.ranking import Looks
    from edgeflash.peek.rows import Reading, Row

READ_ONLY = "peek only reads: nothing is written to the device"
MOST_REGISTERS = 2000

peek_app = typer.Typer(
    help="Look into an unknown analyzer, to write its register map. Only ever reads.",
    no_args_is_help=True,
)


@peek_app.command("modbus")
def peek_modbus(
    device: Annotated[str, typer.Argument(help="Host or host:port (502 unless given).")],
    unit: Annotated[int, typer.Option(help="Unit identifier.", min=0, max=255)] = 1,
    table: Annotated[Table, typer.Option(help="Which registers.")] = Table.INPUT,
    first: Annotated[int, typer.Option(help="First address, from 0.", min=0, max=65_535)] = 0,
    count: Annotated[int, typer.Option(help="Registers.", min=1, max=MOST_REGISTERS)] = 100,
    looks: Annotated[int, typer.Option(help="How often to look.", min=1, max=1000)] = 12,
    every: Annotated[float, typer.Option(help="Seconds between looks.", min=0.05)] = 1.0,
    others: Annotated[int, typer.Option(help="Other decodings shown.", min=0, max=20)] = 1,
    pick: Annotated[
        list[str] | None,
        typer.Option(help="ROLE=ADDRESS or ROLE=ADDRESS:TYPE or ROLE=ADDRESS:TYPE:ORDER; repeat."),
    ] = None,
    map: Annotated[Path | None, typer.Option(help="Write a map begun with what is picked.")] = None,
    timeout: Annotated[float, typer.Option(help="Seconds to wait for an answer.", min=0.1)] = 2.0,
    json: Annotated[bool, typer.Option("--json", help="For machines.")] = False,
) -> None:
    """Read a range of DEVICE again and again; show what each register most plausibly is.

    Look through a whole cycle (--looks, --every): what moves tells the most. Nothing is written to
    the device. A value that looks right need not be right: check it against the device's manual.

    Examples:

    edgeflash peek modbus 192.0.2.10 --first 0 --count 60 --looks 60 --every 5

    edgeflash peek modbus 192.0.2.10 --pick flash_point=10 --pick cycle_number=2 --map new.toml
    """
    if table in (Table.COIL, Table.DISCRETE):
        raise UsageError("peek looks at registers: --table input or --table holding")
    picks = [_pick(text) for text in pick or ()]
    if picks and map is None:
        raise UsageError("name the file for what is picked: --map new.toml")
    host, port = _host_port(device)
    if not json:
        typer.echo(READ_ONLY, err=True)
    seen = asyncio.run(_look(host, port, unit, table, (first, count), looks, every, timeout))
    from edgeflash.peek.rows import all_rows

    order, rows = all_rows(seen, others)
    if json:
        typer.echo(json_module.dumps(_document(order, rows), ensure_ascii=False, indent=2))
    else:
        _show(order, rows)
    if map is not None:
        write_map(map, _map_text(seen, picks, table, order or Order.ABCD))


Pick = tuple[Role, int, Encoding | None, Order | None]


def _pick(text: str) -> Pick:
    name, _, place = text.partition("=")
    address, *more = place.split(":")
    try:
        role = Role(name)
        encoding = Encoding(more[0]) if more else None
        order = Order(more[1]) if len(more) > 1 else None
        return role, int(address), encoding, order
    except ValueError as error:
        raise UsageError(
            f"--pick {text}: {error}; write for example flash_point=10 or "
            "flash_point=10:float32:cdab"
        ) from error


def _host_port(device: str) -> tuple[str, int]:
    host, colon, port = device.rpartition(":")
    if not colon or "]" in port:
        return device.strip("[]"), 502
    if not port.isdecimal() or not 0 < int(port) < 65_536:
        raise UsageError(f"{device!r} is not host:port, as in 192.0.2.10:502")
    return host.strip("[]"), int(port)


async def _look(
    host: str,
    port: int,
    unit: int,
    table: Table,
    wanted: tuple[int, int],
    looks: int,
    every_s: float,
    timeout_s: float,
) -> tuple[Looks, ...]:
    from edgeflash.links.connection import ModbusConnection
    from edgeflash.peek.looking import looks_at, readable_spans

    connection = ModbusConnection(host, port, unit, timeout_s, 1)
    await connection.open()
    try:
        spans = await readable_spans(connection, table, *wanted)
        if not spans:
            raise UsageError(
                f"{host}:{port} has no {table} register from {wanted[0]} to "
                f"{wanted[0] + wanted[1] - 1}: try another --first, or the other --table"
            )
        looked: tuple[Looks, ...] = ()
        with Progress(console=Console(stderr=True), transient=True) as progress:
            task = progress.add_task("looking", total=looks)
            async for seen in looks_at(connection, table, spans, looks, every_s):
                looked = seen
                progress.advance(task)
        return looked
    finally:
        connection.close()


def _show(order: Order | None, rows: Sequence[Row]) -> None:
    grid = Grid(box=None, padding=(0, 2, 0, 0))
    for heading in ("address", "read as", "value", "moves from..to", "looks like"):
        grid.add_column(heading, no_wrap=True)
    grid.add_column("or", overflow="fold")
    for address, row in _without_zeros(rows):
        best = row.best
        grid.add_row(
            address,
            best.words,
            escape(_figure(best.value)),
            f"{_figure(best.low)}..{_figure(best.high)}"
            if best.changed and best.low is not None and best.high is not None
            else "",
            best.likeness.value,
            escape("; ".join(f"{_figure(other.value)} ({other.words})" for other in row.others)),
        )
    console = Console(highlight=False)
    if order is not None:
        console.print(f"order of bytes that fits best: {order.value}")
    console.print(grid)


def _without_zeros(rows: Sequence[Row]) -> Iterator[tuple[str, Row]]:
    """Each row with its address as a text; registers that are always 0 as one row."""
    for is_zero, some in groupby(rows, lambda row: row.best.likeness is Likeness.ZERO):
        group = list(some)
        if not is_zero:
            yield from ((str(row.best.address), row) for row in group)
            continue
        last = group[-1].best
        first, end = group[0].best.address, last.address + last.decoding.registers - 1
        place = str(first) if end == first else f"{first}..{end}"
        yield place, replace(group[0], others=())


def _figure(value: float | int | str) -> str:
    return f"{value:.7g}" if isinstance(value, float) else str(value)


def _document(order: Order | None, rows: Sequence[Row]) -> dict[str, object]:
    return {
        "order": order.value if order else None,
        "rows": [
            _entry(row.best) | {"others": [_entry(other) for other in row.others]} for row in rows
        ],
    }


def _entry(reading: Reading) -> dict[str, object]:
    entry = asdict(reading)
    del entry["decoding"]
    decoding = reading.decoding
    return entry | {
        "type": decoding.encoding.value,
        "order": decoding.order.value,
        "registers": decoding.registers,
    }


def _map_text(seen: Sequence[Looks], picks: Sequence[Pick], table: Table, order: Order) -> str:
    from edgeflash.peek.rows import reading_at
    from edgeflash.peek.skeleton import skeleton

    picked: dict[Role, Reading] = {}
    for role, address, encoding, own_order in picks:
        readings = (reading_at(looks, address, encoding, own_order) for looks in seen)
        found = next((reading for reading in readings if reading is not None), None)
        if found is None:
            raise UsageError(f"--pick {role}: nothing that begins at {address} was read that way")
        picked[role] = found
    return skeleton(picked, table, order)


def write_map(path: Path, text: str) -> None:
    """Writes a map to a file that is not there yet."""
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise StorageError(f"{path}: cannot be written: {error.strerror or error}") from error
