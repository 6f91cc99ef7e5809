"""`edgeflash run` killed while it brings a backlog to a broker: every cycle at least once.

Peers: mosquitto and mosquitto_sub. The analyzer of the site is not there: the journal is full.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from edgeflash.journal import JOURNAL_NAME, Journal
from tests.faults.processes import GatewayProcess, start_gateway
from tests.peers.broker import WAIT_S, broker, subscriber
from tests.peers.mqtt_outlets import append, results
from tests.ports import free_port
from tests.waiting import until

pytestmark = pytest.mark.peer("mosquitto", "mosquitto_sub")

COUNT, KILLS = 2000, 2
SITE = """
[site]
name = "Invented Bend"
state_dir = "."

[history]
flush_s = 3600

[[mqtt]]
id = "panel"
host = "127.0.0.1"
port = {port}
tls = false
start_from = "journal"

[[analyzers]]
id = "fp-101"
number = 1
map = "examples:bench-cup.toml"
host = "127.0.0.1"
port = {nobody}
analyzer_corrects_barometer = true
"""


@pytest.mark.slow
async def test_killed_while_draining(tmp_path: Path) -> None:
    """SIGKILL at random places of the backlog, then a clean end, which is told."""
    moments = random.Random(7)
    with Journal.open(tmp_path / JOURNAL_NAME) as journal:
        await append(journal, results(1, COUNT))
    with broker(tmp_path / "broker", "allow_anonymous true", "max_queued_messages 0") as server:
        await server.start()
        site = tmp_path / "site.toml"
        site.write_text(SITE.format(port=server.port, nobody=free_port()))
        with subscriber(server.port, tmp_path / "heard") as listener:
            await until(lambda: "Received SUBSCRIBE" in server.log, WAIT_S)

            def heard() -> set[str]:
                return {d["id"] for d in listener.documents("results")}

            for run in range(KILLS):
                with start_gateway(site, run) as gateway:
                    wanted = (run + 1) * COUNT // (KILLS + 2) + moments.randrange(200)
                    await until(lambda n=wanted, g=gateway: has_heard(n, heard(), g), WAIT_S)
                    gateway.kill()
                    assert len(heard()) < COUNT, "killed after it was done"
            with start_gateway(site, KILLS) as gateway:
                await until(lambda: has_heard(COUNT, heard(), gateway), WAIT_S)
                await until(lambda: listener.documents("status")[-1]["state"] == "online", WAIT_S)
                assert gateway.terminate(timeout_s=30.0) == 0
            await until(lambda: listener.documents("status")[-1]["state"] == "offline", WAIT_S)
            assert listener.documents("status")[-1]["reason"] == "the gateway was ended"
            told = [d["id"] for d in listener.documents("results")]
    assert list(dict.fromkeys(told)) == [f"fp-101/0/{n}" for n in range(1, COUNT + 1)]
    print(f"\n{len(told) - COUNT} repeats of {COUNT} results over {KILLS} kills")


def has_heard(wanted: int, heard: set[str], gateway: GatewayProcess) -> bool:
    """Whether so many results were heard; fails when the gateway has ended by itself."""
    assert gateway.process.poll() is None, gateway.log_path.read_text("utf-8")[-2000:]
    return len(heard) >= wanted
