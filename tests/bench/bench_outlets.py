"""What publishing 20 analyzers costs, with and without clients, and how fast Modbus answers.

Run `python -m tests.bench.bench_outlets`. Both outlets work in this process; the clients, and the
two Modbus servers of the second part, have processes of their own. Each OPC UA client subscribes
to every point of every analyzer, each Modbus client reads all of them once a second.

The units: for OPC UA the library's own `write_attribute_value` on as many nodes as a publish
changes, without anything of ours; for requests pymodbus's own server over the same registers.
"""

from __future__ import annotations

import asyncio
import logging
import multiprocessing
import socket
import struct
import sys
from collections.abc import Awaitable, Callable, Coroutine, Iterator, Sequence
from contextlib import AsyncExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from multiprocessing.connection import Connection
from pathlib import Path
from statistics import median
from time import perf_counter, process_time
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from asyncua import Client, Server, ua
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from edgeflash.outlets import ModbusOutlet, OpcUaOutlet
from edgeflash.outlets.modbus_protocol import MOST_REGISTERS
from edgeflash.outlets.opcua_names import NAMESPACE_URI, identifier
from edgeflash.points import BLOCK_REGISTERS, CATALOGUE
from edgeflash.publication import View
from edgeflash.service.logs import configure
from tests.bench.report import heading, ratio, table
from tests.integration.outlets.wire import Wire, request
from tests.unit.outlets.builders import (
    START,
    analyzer,
    modbus,
    opcua,
    result,
    standing_of,
    view_of,
)

ANALYZERS = tuple(analyzer(f"fp-{number:03}", number) for number in range(1, 21))
CLIENTS = 5
PUBLISHES = 8
PACE_S = 0.15
"""Between two publishes: time for the subscriptions, which send every 50 ms, to send all."""

SETTLED_WITHIN_S = 10.0

PUBLISHING_MS = 50.0
READY_WITHIN_S = 40.0
REQUESTS, ROUNDS = 1500, 5


# Processes of their own


Part = Callable[[Connection, Any], Coroutine[Any, Any, None]]


def _run(part: Part, pipe: Connection, argument: Any) -> None:
    configure(level="ERROR")
    for library in ("asyncua", "pymodbus"):
        logging.getLogger(library).setLevel(logging.CRITICAL)
    asyncio.run(part(pipe, argument))


@contextmanager
def process(part: Part, argument: Any) -> Iterator[Connection]:
    """A coroutine function in a process of its own, with a pipe to it; ended by force."""
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    child = context.Process(target=_run, args=(part, theirs, argument), daemon=True)
    child.start()
    try:
        yield ours
    finally:
        child.kill()
        child.join()


def answer_of(pipe: Connection) -> Any:
    """What the process says next; TimeoutError when it says nothing in READY_WITHIN_S."""
    if not pipe.poll(READY_WITHIN_S):
        raise TimeoutError("a process of the bench does not answer")
    return pipe.recv()


# Part one: publishing


class Counting:
    """Subscription handler that counts."""

    def __init__(self) -> None:
        self.count = 0

    def datachange_notification(self, node: object, val: object, data: object) -> None:
        """Called by the client's library for each notification."""
        self.count += 1


async def _poll_for_ever(port: int) -> None:
    """Reads every analyzer's block, once a second."""
    async with Wire(port) as wire:
        while True:
            for number in range(len(ANALYZERS)):
                await wire.ask(4, number * BLOCK_REGISTERS, 80)
            await asyncio.sleep(1.0)


async def clients(pipe: Connection, where: tuple[str, int]) -> None:
    """The clients' process. Says how many notifications each has had, whenever it is asked."""
    endpoint, modbus_port = where
    counts = [Counting() for _ in range(CLIENTS)]
    async with AsyncExitStack() as open_clients:
        polling = []
        for counting in counts:
            # The library's client gives up when the server takes longer than this to answer.
            client = Client(endpoint, timeout=30, watchdog_intervall=30)
            await open_clients.enter_async_context(client)
            index = await client.get_namespace_index(NAMESPACE_URI)
            subscription = await client.create_subscription(PUBLISHING_MS, counting)
            nodes = [
                client.get_node(f"ns={index};s={identifier(one.id, point)}")
                for one in ANALYZERS
                for point in CATALOGUE
            ]
            await subscription.subscribe_data_change(nodes)
            polling.append(asyncio.create_task(_poll_for_ever(modbus_port)))
        pipe.send("ready")
        while True:
            await asyncio.to_thread(pipe.recv)
            pipe.send([counting.count for counting in counts])


def views_with(cycles: dict[str, int], second: int) -> list[View]:
    """Every analyzer's view at a second, each with the accepted cycle of this number."""
    return [
        view_of(
            standing_of(
                result(name, number, 60.0 + number / 16, at=START + timedelta(seconds=number)),
                name=name,
            ),
            after_s=1000.0 + second,
            heartbeat=second,
        )
        for name, number in cycles.items()
    ]


NAMES = tuple(one.id for one in ANALYZERS)


def seconds_on() -> list[list[View]]:
    """Only time passes: the age and the heartbeat of every analyzer move."""
    return [views_with(dict.fromkeys(NAMES, 1), k) for k in range(PUBLISHES + 1)]


def new_cycles() -> list[list[View]]:
    """Every analyzer has a new cycle each time."""
    return [views_with(dict.fromkeys(NAMES, k), k) for k in range(PUBLISHES + 1)]


def one_new_cycle() -> list[list[View]]:
    """The first analyzer has a new cycle each time, within the same second; all views come."""
    same = dict.fromkeys(NAMES, 1)
    return [views_with({**same, NAMES[0]: k + 2}, 0) for k in range(PUBLISHES + 1)]


def one_view() -> list[list[View]]:
    """The same change, but only that analyzer's view comes (the outlets keep the others)."""
    return [views[:1] for views in one_new_cycle()]


@dataclass(frozen=True, slots=True)
class Cost:
    """CPU seconds of one publish: of the call alone, and with what the server does after it."""

    call_s: list[float]
    all_s: float


Publish = Callable[[Sequence[View]], Awaitable[None]]


async def cost(publish: Publish, views: list[list[View]], pace_s: float = 0.0) -> Cost:
    """Publishes, pace_s apart. The first views are taken as published before."""
    calls = []
    begun_s = process_time()
    for each in views[1:]:
        start_s = process_time()
        await publish(each)
        calls.append(process_time() - start_s)
        await asyncio.sleep(pace_s)
    return Cost(calls, (process_time() - begun_s) / len(calls))


async def bare_writes(server: Server, nodes: int, publishes: int) -> list[float]:
    """CPU seconds of writing so many nodes of a plain server, once for each publish."""
    index = await server.register_namespace("urn:bench")
    ids = [
        (await server.nodes.objects.add_variable(index, f"{nodes}.{k}", 0.0)).nodeid
        for k in range(nodes)
    ]
    seconds = []
    for k in range(publishes):
        start_s = process_time()
        for node in ids:
            value = ua.DataValue(ua.Variant(float(k)), SourceTimestamp=datetime.now(UTC))
            await server.write_attribute_value(node, value)
        seconds.append(process_time() - start_s)
    return seconds


KINDS = {
    "one second on": seconds_on,
    "20 new cycles": new_cycles,
    "1 new cycle, 20 views": one_new_cycle,
    "1 new cycle, its view": one_view,
}


async def publishing() -> None:
    """Prints what publishing costs, without clients and with them."""
    opcua_outlet = OpcUaOutlet(opcua(), ANALYZERS, "Invented Bend")
    modbus_outlet = ModbusOutlet(modbus(max_requests_per_s=100_000), ANALYZERS)
    await opcua_outlet.start()
    await modbus_outlet.start()
    publishes = {"OPC UA": opcua_outlet.publish, "Modbus": modbus_outlet.publish}
    kinds = {name: made() for name, made in KINDS.items()}
    costs: dict[tuple[str, str, bool], Cost] = {}
    nodes: dict[str, int] = {}
    for kind, views in kinds.items():
        for outlet, publish in publishes.items():
            await publish(views[0])
            costs[outlet, kind, False] = await cost(publish, views)
    with process(clients, (opcua_outlet.endpoint, modbus_outlet.port)) as pipe:
        assert await asyncio.to_thread(answer_of, pipe) == "ready"
        for kind, views in kinds.items():
            for outlet, publish in publishes.items():
                await publish(views[0])
                before = await settled_count(pipe) if outlet == "OPC UA" else 0
                costs[outlet, kind, True] = await cost(publish, views, PACE_S)
                if outlet == "OPC UA":
                    nodes[kind] = round((await settled_count(pipe) - before) / PUBLISHES)
    await opcua_outlet.stop()
    await modbus_outlet.stop()
    plain = Server()
    await plain.init()
    units = {kind: await bare_writes(plain, count, PUBLISHES) for kind, count in nodes.items()}
    print_costs(costs, nodes, units)


def print_costs(
    costs: dict[tuple[str, str, bool], Cost], nodes: dict[str, int], units: dict[str, list[float]]
) -> None:
    """One row per outlet and kind of change."""
    rows = []
    for outlet, kind, watched in costs:
        if watched:
            alone, seen, unit = costs[outlet, kind, False], costs[outlet, kind, True], units[kind]
            rows.append(
                (
                    f"{outlet}: {kind}",
                    f"{nodes[kind]}",
                    f"{median(unit) * 1e3:.2f}",
                    f"{median(alone.call_s) * 1e3:.2f}",
                    f"{median(seen.call_s) * 1e3:.2f}",
                    f"{seen.all_s * 1e3:.1f}",
                    f"{ratio(alone.call_s, unit):.1f}",
                    f"{ratio(seen.call_s, unit):.1f}",
                    f"{ratio(seen.call_s, alone.call_s):.1f}",
                )
            )
    print(f"publish() for {len(ANALYZERS)} analyzers of {len(CATALOGUE)} points; CPU ms a publish,")
    print(f"medians of {PUBLISHES}. unit: bare library writes of as many nodes as change, without")
    print(f"clients. all: with the notifications and answers to {CLIENTS} clients of each outlet\n")
    on = f"{CLIENTS} clients"
    columns = ("nodes", "unit", "0 clients", on, "all", "0 ÷ unit", f"{CLIENTS} ÷ unit")
    table(("", *columns, f"{CLIENTS} ÷ 0"), rows)


async def settled_count(pipe: Connection) -> int:
    """Notifications each client has had, once all have the same number and it stands still.

    TimeoutError when the clients do not get the same: then one has lost its connection.
    """
    before: list[int] = []
    async with asyncio.timeout(SETTLED_WITHIN_S):
        while True:
            pipe.send("count")
            counts: list[int] = await asyncio.to_thread(answer_of, pipe)
            if counts == before and len(set(counts)) == 1:
                return counts[0]
            before = counts
            await asyncio.sleep(2 * PACE_S)


# Part two: answering


async def our_server(pipe: Connection, _: None) -> None:
    """Our Modbus server with every analyzer's values."""
    outlet = ModbusOutlet(modbus(max_requests_per_s=100_000), ANALYZERS)
    await outlet.start()
    await outlet.publish(new_cycles()[0])
    await _answer_with_cpu(pipe, outlet.port)


async def stock_server(pipe: Connection, _: None) -> None:
    """pymodbus's server over the very same registers."""
    outlet = ModbusOutlet(modbus(max_requests_per_s=100_000), ANALYZERS)
    await outlet.publish(new_cycles()[0])
    words = [
        SimData(
            (number - 1) * BLOCK_REGISTERS,
            values=list(struct.unpack(f">{BLOCK_REGISTERS}H", block)),
            datatype=DataType.REGISTERS,
        )
        for number, block in sorted(outlet.image.blocks.items())
    ]
    bits = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
    device = SimDevice(id=1, simdata=(bits, list(bits), words, list(words)))
    server = ModbusTcpServer(device, address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    await _answer_with_cpu(pipe, server.transport.sockets[0].getsockname()[1])


async def _answer_with_cpu(pipe: Connection, port: int) -> None:
    """Says the port, then the CPU seconds used whenever asked."""
    pipe.send(port)
    while True:
        await asyncio.to_thread(pipe.recv)
        pipe.send(process_time())


def ask(connection: socket.socket, sent: bytes) -> bytes:
    """The whole answer to one request."""
    connection.sendall(sent)
    answer = b""
    while len(answer) < 6 or len(answer) < 6 + struct.unpack_from(">H", answer, 4)[0]:
        some = connection.recv(512)
        assert some, "the server closed the connection"
        answer += some
    return answer


def asked(connection: socket.socket, pipe: Connection) -> tuple[float, float]:
    """Wall seconds of REQUESTS full reads, one after the other, and the server's CPU seconds."""
    sent = request(77, 4, 0, MOST_REGISTERS)
    pipe.send("cpu")
    cpu_s, wall_s = answer_of(pipe), perf_counter()
    for _ in range(REQUESTS):
        ask(connection, sent)
    wall_s = perf_counter() - wall_s
    pipe.send("cpu")
    return wall_s, answer_of(pipe) - cpu_s


def answering() -> None:
    """Prints our server's speed beside the stock server's, round by round in turn."""
    with process(our_server, None) as ours, process(stock_server, None) as stock:
        pipes = {"our server": ours, "stock pymodbus server": stock}
        wires = {
            name: socket.create_connection(("127.0.0.1", answer_of(pipe)), timeout=10.0)
            for name, pipe in pipes.items()
        }
        for address in (0, 1000, 3875):
            first, second = (ask(w, request(1, 4, address, MOST_REGISTERS)) for w in wires.values())
            assert first == second, "the servers do not serve the same registers"
        runs: dict[str, list[tuple[float, float]]] = {name: [] for name in pipes}
        for _ in range(ROUNDS):
            for name, rounds in runs.items():
                rounds.append(asked(wires[name], pipes[name]))
        for wire in wires.values():
            wire.close()
    mine, theirs = runs.values()
    rows = []
    for name, rounds in runs.items():
        wall_s, cpu_s = (median(column) / REQUESTS for column in zip(*rounds, strict=True))
        rows.append((name, f"{1 / wall_s:.0f}", f"{cpu_s * 1e6:.0f}"))
    print(f"reads of {MOST_REGISTERS} registers on one connection, one by one; medians of {ROUNDS}")
    table(("", "requests/s", "server CPU µs a request"), rows)
    speed = ratio([w for w, _ in theirs], [w for w, _ in mine])
    cpu = ratio([c for _, c in theirs], [c for _, c in mine])
    print(f"our server gives {speed:.2f} × the requests/s; the stock one takes {cpu:.2f} × the CPU")


def main() -> None:
    """Measures."""
    heading("outlets: publishing to them, and being read")
    configure(level="ERROR")
    for library in ("asyncua", "pymodbus"):
        logging.getLogger(library).setLevel(logging.CRITICAL)
    asyncio.run(publishing())
    answering()


if __name__ == "__main__":
    main()
