"""An analyzer is unplugged and comes back, while a DCS client watches and another one runs on.

Run as `python -m tests.faults.unplugged half-open` inside a network namespace of its own, it drops
the packets of the analyzer's port with iptables, prints what was seen as one JSON line, and needs
root. `stopped` stops the analyzer's server instead and needs nothing.
"""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import tempfile
from collections.abc import Awaitable, Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import structlog
from asyncua import Client, ua

from edgeflash.demo.simulated import Endpoint
from edgeflash.demo.site_file import write_demo_site
from edgeflash.gateway.gateway import Gateway
from edgeflash.gateway.site import checked_site
from simulators.fleet import Fleet
from simulators.scenarios import steady
from tests.waiting import until

SPEED = 40.0
POLL_S, TIMEOUT_S, RETRIES, BACKOFF_S, HOLD_S = 1.0, 0.4, 0, 0.4, 8.0
CUT, SPARED = "kestrel-1", "kestrel-2"
TICK_S = 1.0


@dataclass
class Seen:
    """What the DCS client and the log showed. Times in seconds since the cut, or
    the return; bad_at_age_s: age of the sample when its value went bad."""

    uncertain_after_s: float = 0.0
    bad_at_age_s: float = 0.0
    back_after_s: float = 0.0
    good_after_s: float = 0.0
    spared_statuses: list[str] = field(default_factory=list)
    spared_cycles: int = 0
    link_lines: list[str] = field(default_factory=list)
    judged: list[str] = field(default_factory=list)
    statuses: list[str] = field(default_factory=list)


class Watcher:
    """Subscription handler: keeps every status and value of the watched nodes."""

    def __init__(self) -> None:
        self.data: dict[str, list[Any]] = {}

    def datachange_notification(self, node: Any, value: Any, data: Any) -> None:
        """Called by the client library for every change."""
        name = node.nodeid.Identifier
        self.data.setdefault(name, []).append(data.monitored_item.Value)

    def status(self, name: str) -> str:
        """The newest status of a node, by its OPC UA name."""
        values = self.data.get(name)
        return "" if not values else str(values[-1].StatusCode.name)


async def unplug(
    cut: Callable[[Fleet], Awaitable[None]], mend: Callable[[Fleet], Awaitable[None]]
) -> Seen:
    """The whole story, from a good value to a good value."""
    seen = Seen()
    folder = Path(tempfile.mkdtemp(prefix="edgeflash-unplugged-"))
    fleet = Fleet(steady(2), seed=5, speed=SPEED)
    announced = await fleet.start()
    endpoints = tuple(
        Endpoint(a["id"], a["host"], a["port"])
        for a in announced["analyzers"]  # type: ignore[attr-defined]  # a list of dicts
    )
    path = write_demo_site(folder, endpoints, SPEED)
    path.write_text(_with_link_times(path.read_text("utf-8")), "utf-8")
    site = checked_site(path)
    stop, ready, fleet_stop = asyncio.Event(), asyncio.Event(), asyncio.Event()
    loop = asyncio.get_running_loop()
    with structlog.testing.capture_logs() as lines:
        models = asyncio.create_task(fleet.run(fleet_stop))
        gateway = asyncio.create_task(Gateway(site).run(stop, ready.set))
        await ready.wait()
        opcua = site.file.opcua
        assert opcua is not None
        watcher = Watcher()
        async with Client(f"opc.tcp://{opcua.host}:{opcua.port}") as client:
            index = await _our_namespace(client)
            subscription = await client.create_subscription(50, watcher)
            names = [f"{a}.{p}" for a in (CUT, SPARED) for p in ("flash_point_c", "cycle_number")]
            await subscription.subscribe_data_change(
                [client.get_node(ua.NodeId(name, index)) for name in names]
            )
            flash, spared = f"{CUT}.flash_point_c", f"{SPARED}.flash_point_c"
            await until(lambda: watcher.status(flash) == "Good" == watcher.status(spared), 30.0)
            spared_from = len(watcher.data[spared])
            cycles_from = len(watcher.data[f"{SPARED}.cycle_number"])

            lines_before = len(lines)
            await cut(fleet)
            cut_s = loop.time()
            await until(lambda: watcher.status(flash).startswith("Uncertain"), 15.0)
            seen.uncertain_after_s = loop.time() - cut_s
            await until(lambda: watcher.status(flash).startswith("Bad"), 30.0)
            bad = watcher.data[flash][-1]
            last_good = next(v for v in reversed(watcher.data[flash]) if v.StatusCode.is_good())
            age = bad.ServerTimestamp - last_good.SourceTimestamp
            seen.bad_at_age_s = age.total_seconds()

            await mend(fleet)
            mended_s = loop.time()
            await until(lambda: not watcher.status(flash).startswith("Bad"), 30.0)
            seen.back_after_s = loop.time() - mended_s
            await until(lambda: watcher.status(flash) == "Good", 30.0)
            seen.good_after_s = loop.time() - mended_s
            seen.statuses = [v.StatusCode.name for v in watcher.data[flash]]
            seen.spared_statuses = sorted(
                {v.StatusCode.name for v in watcher.data[spared][spared_from:]}
            )
            seen.spared_cycles = len(watcher.data[f"{SPARED}.cycle_number"]) - cycles_from
        stop.set()
        fleet_stop.set()
        await gateway
        await models
    await fleet.close()
    seen.link_lines = [
        line["event"]
        for line in lines[lines_before:]
        if line.get("analyzer") == CUT and line["event"].startswith("link ")
    ]
    seen.judged = [
        f"{line['id']} {line['event']} {line.get('why')}"
        for line in lines
        if line.get("analyzer") == CUT and line["event"].startswith("cycle ")
    ]
    return seen


def _with_link_times(text: str) -> str:
    lines = []
    for line in text.splitlines():
        key = line.split(" = ")[0]
        changed = {
            "poll_s": POLL_S,
            "timeout_s": TIMEOUT_S,
            "backoff_first_s": BACKOFF_S,
            "backoff_max_s": BACKOFF_S,
            "hold_s": HOLD_S,
        }.get(key)
        lines.append(line if changed is None else f"{key} = {changed}")
        if key == "timeout_s":
            lines.append(f"retries = {RETRIES}")
    return "\n".join(lines)


async def _our_namespace(client: Client) -> int:
    namespaces = await client.get_namespace_array()
    return next(i for i, uri in enumerate(namespaces) if "edgeflash" in uri and i > 1)


async def stop_server(fleet: Fleet) -> None:
    """The analyzer's server goes: connections are closed, new ones refused."""
    await fleet.servers[0].stop()


async def start_server(fleet: Fleet) -> None:
    """The analyzer's server comes back on the same port."""
    await fleet.servers[0].start()


def _iptables(action: str, fleet: Fleet) -> None:
    port = str(fleet.servers[0].port)
    for side in ("--dport", "--sport"):
        rule = ["INPUT", "-p", "tcp", side, port, "-j", "DROP"]
        subprocess.run(["iptables", action, *rule], check=True)


async def drop_packets(fleet: Fleet) -> None:
    """Half-open: every packet to and from the analyzer vanishes, nobody is told."""
    _iptables("-A", fleet)


async def pass_packets(fleet: Fleet) -> None:
    """Packets pass again."""
    _iptables("-D", fleet)


def main() -> None:
    """Runs one story and prints what was seen."""
    ways = {
        "stopped": (stop_server, start_server),
        "half-open": (drop_packets, pass_packets),
    }
    print(json.dumps(asdict(asyncio.run(unplug(*ways[sys.argv[1]])))))


if __name__ == "__main__":
    main()
