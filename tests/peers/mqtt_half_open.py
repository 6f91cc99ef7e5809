"""A broker whose packets vanish: run as `python -m tests.peers.mqtt_half_open` inside a network
namespace of its own, as root. Prints what was seen as one JSON line."""

from __future__ import annotations

import asyncio
import json
import subprocess
import tempfile
from pathlib import Path

from edgeflash.journal import Journal
from tests.peers.broker import WAIT_S, broker, subscriber
from tests.peers.mqtt_outlets import append, entry, outlet_of, results, serving
from tests.waiting import until

COUNT = 300
LISTENING_PORT_OFFSET = 1


def drop(action: str, port: int) -> None:
    """Begins (-A) or ends (-D) to drop what goes to the port and what comes from it."""
    for direction in ("--dport", "--sport"):
        rule = ["OUTPUT", "-p", "tcp", direction, str(port), "-j", "DROP"]
        subprocess.run(["iptables", action, *rule], check=True)


async def main() -> None:
    """Connected, cut, given up, back, and everything there."""
    folder = Path(tempfile.mkdtemp(prefix="edgeflash-half-open-"))
    with (
        Journal.open(folder / "journal.sqlite3") as journal,
        broker(folder / "broker") as server,
    ):
        await server.start()
        # The listener reaches the broker by another port, which is not cut.
        other = server.port + LISTENING_PORT_OFFSET
        server.kill()
        server.settings = ("allow_anonymous true", f"listener {other} 127.0.0.1")
        await server.start()
        outlet = outlet_of(entry(server.port, timeout_s=2, keepalive_s=5), journal, folder)
        with subscriber(other, folder / "heard") as listener:
            await until(lambda: "Received SUBSCRIBE" in server.log, WAIT_S)
            async with serving(outlet):
                await append(journal, results(1, 10))
                await until(lambda: journal.pending("mqtt:panel") == 0, WAIT_S)
                drop("-A", server.port)
                await append(journal, results(11, COUNT - 10))
                await until(lambda: outlet.figures.connected_since is None, WAIT_S)
                fault = outlet.figures.fault
                attempts = outlet.figures.attempts
                await until(lambda: outlet.figures.attempts >= attempts + 2, WAIT_S)
                drop("-D", server.port)
                await until(lambda: journal.pending("mqtt:panel") == 0, WAIT_S)
                await until(
                    lambda: len({d["id"] for d in listener.documents("results")}) == COUNT, WAIT_S
                )
                told = [d["id"] for d in listener.documents("results")]
    print(
        json.dumps(
            {"fault": fault, "ids": told, "reconnects": outlet.figures.reconnects},
        )
    )


if __name__ == "__main__":
    asyncio.run(main())
