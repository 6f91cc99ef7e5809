"""From a new result in the analyzer's registers to the clients of both outlets, through it all.

Run `python -m tests.bench.bench_latency`. `edgeflash run` works in a process of its own: link,
journal with its sync to disk, rules, OPC UA and Modbus servers. The simulated analyzer's registers
and the two clients share this process, so one monotonic clock sees both ends.

Three waits are nobody's work but of the set intervals, on average half of each: until the gateway
polls, until the OPC UA server's next publishing, until the Modbus client polls. They stand beside
the figures.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import signal
import struct
import sys
import tempfile
from collections import Counter
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from statistics import median
from time import monotonic, time
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from asyncua import Client
from asyncua.common.node import Node

from edgeflash.config.site import SiteFile
from edgeflash.demo.simulated import Endpoint
from edgeflash.demo.site_file import write_demo_site
from edgeflash.gateway.site import checked_site
from edgeflash.outlets.opcua_names import NAMESPACE_URI
from simulators.analyzer import SimulatedAnalyzer
from simulators.modbus_server import AnalyzerServer
from simulators.registers import CYCLE_NUMBER, TRACE_CYCLE, RegisterImage
from tests.bench.report import at_share, heading, table
from tests.integration.outlets.wire import Wire

ROOT = Path(__file__).resolve().parents[2]
ANALYZER = "kestrel-1"
SPEED = 200.0
"""Simulated seconds a second: a cycle takes a little less than one."""

SITE_SPEED = 150.0
"""What the site file is written for: it waits a little longer, and has poll_s = 0.1."""

CHANGES = 22
PUBLISHING_MS = 50.0
CLIENT_POLL_S = 0.01
STARTED_WITHIN_S = 40.0
SEEN_WITHIN_S = 5.0
ENDED_WITHIN_S = 48.0


@dataclass
class WatchedImage:
    """The analyzer's registers, and when they were read.

    polled_s: when the first read saw the present result. body_s: when its trace was last read.
    """

    image: RegisterImage
    polled_s: float | None = None
    body_s: float = 0.0

    def read(self, table: str, address: int, count: int) -> list[int]:
        """The words, as the analyzer has them."""
        if table == "input" and address <= CYCLE_NUMBER < address + count and not self.polled_s:
            self.polled_s = monotonic()
        if table == "input" and address >= TRACE_CYCLE:
            self.body_s = monotonic()
        return self.image.read(table, address, count)


@dataclass
class OpcUaSeen:
    """Subscription handler: when each value of the flash point came."""

    values: list[tuple[float, float]] = field(default_factory=list)

    def datachange_notification(self, node: Node, val: Any, data: Any) -> None:
        """Called by the client's library for each notification."""
        if isinstance(val, float):
            self.values.append((monotonic(), val))

    def seen_s(self, float32: float, after_s: float) -> float | None:
        """When the value that Modbus shows as `float32` first came."""
        for at_s, value in self.values:
            if at_s > after_s and struct.unpack(">f", struct.pack(">f", value))[0] == float32:
                return at_s
        return None


@dataclass
class ModbusSeen:
    """A client that polls the analyzer's block: when each cycle's value came, and its verdict."""

    values: dict[int, tuple[float, float, int]] = field(default_factory=dict)

    async def poll_for_ever(self, port: int) -> None:
        """Reads value, verdict and cycle number in one request, CLIENT_POLL_S apart."""
        async with Wire(port) as wire:
            while True:
                answer = await wire.ask(4, 0, 8)
                at_s = monotonic()
                value, _, _, verdict, _, cycle_number = struct.unpack(">fHHHHI", answer[2:])
                self.values.setdefault(cycle_number, (at_s, value, verdict))
                await asyncio.sleep(CLIENT_POLL_S)


@dataclass(frozen=True, slots=True)
class Change:
    """One new result's way, seconds after its registers changed."""

    polled_s: float
    body_s: float
    opcua_s: float
    modbus_s: float


@contextlib.asynccontextmanager
async def gateway(site_path: Path) -> AsyncIterator[None]:
    """`edgeflash run` in a process of its own, ended by SIGTERM."""
    arguments = ("-m", "edgeflash", "run", str(site_path), "--log-level", "ERROR")
    process = await asyncio.create_subprocess_exec(sys.executable, *arguments, cwd=ROOT)
    try:
        yield
    finally:
        if process.returncode is None:
            process.send_signal(signal.SIGTERM)
        await process.wait()


async def until_listening(port: int) -> None:
    """Returns when a connection to the port is accepted; TimeoutError after STARTED_WITHIN_S."""
    async with asyncio.timeout(STARTED_WITHIN_S):
        while True:
            with contextlib.suppress(ConnectionError):
                _, writer = await asyncio.open_connection("127.0.0.1", port)
                writer.close()
                return
            await asyncio.sleep(0.05)


@dataclass
class Course:
    """Runs the simulated analyzer and follows each of its results to both clients."""

    simulated: SimulatedAnalyzer
    watched: WatchedImage
    opcua: OpcUaSeen
    modbus: ModbusSeen
    random: Random = field(default_factory=lambda: Random(1))

    async def next_result(self) -> tuple[int, float]:
        """Cycle number and instant of the next result. Its place among the polls is random."""
        last_s = monotonic() + self.random.uniform(0.0, 0.1)
        while True:
            await asyncio.sleep(self.random.uniform(0.004, 0.012))
            now_s = monotonic()
            finished = self.simulated.advance(max(0.0, now_s - last_s) * SPEED)
            last_s = max(now_s, last_s)
            if finished:
                # Nobody could read in between: the server works on this same event loop.
                self.watched.polled_s = None
                return finished[-1].cycle_number, monotonic()

    async def follow(self, cycle_number: int, changed_s: float) -> Change:
        """Waits until both clients have it; TimeoutError when one has not in SEEN_WITHIN_S."""
        async with asyncio.timeout(SEEN_WITHIN_S):
            while True:
                there = self.modbus.values.get(cycle_number)
                at_s = self.opcua.seen_s(there[1], changed_s) if there else None
                if there and at_s and self.watched.polled_s:
                    instants = (self.watched.polled_s, self.watched.body_s, at_s, there[0])
                    return Change(*(instant_s - changed_s for instant_s in instants))
                await asyncio.sleep(0.005)

    async def run(self, end_s: float) -> list[Change]:
        """CHANGES results after the first one, or as many as come until end_s."""
        await self.follow(*await self.next_result())
        changes: list[Change] = []
        while len(changes) < CHANGES and monotonic() < end_s:
            changes.append(await self.follow(*await self.next_result()))
        return changes


async def through_a_gateway(folder: Path) -> tuple[list[Change], Counter[int], float]:
    """The changes, how often each verdict came, and the gateway's poll interval."""
    end_s = monotonic() + ENDED_WITHIN_S
    simulated = SimulatedAnalyzer(ANALYZER, seed=3, clock=time)
    watched = WatchedImage(simulated.image)
    server = AnalyzerServer(watched)  # type: ignore[arg-type]  # it reads, nothing else
    port = await server.start()
    site_path = write_demo_site(folder, [Endpoint(ANALYZER, "127.0.0.1", port)], SITE_SPEED)
    file: SiteFile = checked_site(site_path).file
    assert file.opcua is not None
    async with gateway(site_path):
        await until_listening(file.opcua.port)
        await until_listening(file.modbus[0].port)
        opcua, modbus = OpcUaSeen(), ModbusSeen()
        async with Client(f"opc.tcp://127.0.0.1:{file.opcua.port}/edgeflash", timeout=10) as client:
            index = await client.get_namespace_index(NAMESPACE_URI)
            subscription = await client.create_subscription(PUBLISHING_MS, opcua)
            await subscription.subscribe_data_change(
                client.get_node(f"ns={index};s={ANALYZER}.flash_point_c")
            )
            polling = asyncio.create_task(modbus.poll_for_ever(file.modbus[0].port))
            try:
                changes = await Course(simulated, watched, opcua, modbus).run(end_s)
            finally:
                polling.cancel()
                await asyncio.gather(polling, return_exceptions=True)
                await subscription.delete()
    await server.stop()
    verdicts = Counter(verdict for _, _, verdict in modbus.values.values())
    return changes, verdicts, file.analyzers[0].poll_s


def report(changes: list[Change], verdicts: Counter[int], poll_s: float) -> None:
    """Prints the figures: the whole ways first, then their parts."""
    print(f"{len(changes)} new results, poll_s {poll_s:g}, OPC UA publishing {PUBLISHING_MS:g} ms,")
    print(f"Modbus client every {CLIENT_POLL_S * 1e3:g} ms; waits: half of each interval\n")
    publishing_s, client_s = PUBLISHING_MS / 2e3, CLIENT_POLL_S / 2
    ways = {
        "change to OPC UA notification": ([c.opcua_s for c in changes], poll_s / 2 + publishing_s),
        "change to Modbus client": ([c.modbus_s for c in changes], poll_s / 2 + client_s),
        "  change to the poll that sees it": ([c.polled_s for c in changes], poll_s / 2),
        "  that poll to the trace read": ([c.body_s - c.polled_s for c in changes], 0.0),
        "  trace read to OPC UA": ([c.opcua_s - c.body_s for c in changes], publishing_s),
        "  trace read to Modbus": ([c.modbus_s - c.body_s for c in changes], client_s),
    }
    rows = []
    for name, (seconds, waits_s) in ways.items():
        figures = (min(seconds), median(seconds), at_share(seconds, 0.95), max(seconds), waits_s)
        in_polls = (f"{s / poll_s:.2f}" for s in figures[1:3])
        rows.append((name, *(f"{s * 1e3:.0f}" for s in figures), *in_polls))
    table(("ms", "min", "median", "95 %", "max", "waits", "median/poll", "95 %/poll"), rows)
    names = ("none", "accepted", "doubtful", "rejected")
    print("verdicts:", ", ".join(f"{names[v]} {n}" for v, n in sorted(verdicts.items()) if v))


def main() -> None:
    """Measures in a temporary folder."""
    heading("latency: analyzer registers to clients of the outlets")
    for library in ("asyncua", "pymodbus"):
        logging.getLogger(library).setLevel(logging.CRITICAL)
    with tempfile.TemporaryDirectory(prefix="edgeflash-bench-") as folder:
        report(*asyncio.run(through_a_gateway(Path(folder))))


if __name__ == "__main__":
    main()
