"""The whole gateway as a Sparkplug node: killed, its will speaks; ended well, it says so itself."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from edgeflash.points import CATALOGUE
from tests.faults.processes import demo_site, simulators, start_gateway
from tests.peers.broker import Broker
from tests.peers.sparkplug_peers import LONG_S, SETTINGS, Heard, Watch, decoded, watching
from tests.waiting import until

pytestmark = pytest.mark.peer("mosquitto", "mosquitto_sub", "node", "npm", "sparkplug-payload")

ENTRY = """
[[mqtt]]
id = "plant"
form = "sparkplug"
host = "127.0.0.1"
port = {port}
tls = false
group_id = "Larkwater"
node_id = "flash-gateway"
backoff_first_s = 0.2
"""
SPEED = 100.0


def numbers(heard: list[Heard]) -> list[int]:
    """The bdSeq of each."""
    return [one.payload.named("bdSeq").value for one in heard]


def named(watch: Watch, payloads: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Every metric heard, with kind and device and the name that its birth gave to its alias."""
    names: dict[str, str] = {}
    found = []
    for heard, payload in zip(watch.heard, payloads, strict=True):
        for metric in payload.get("metrics", ()):
            if "name" in metric and "alias" in metric:
                names[metric["alias"]] = metric["name"]
            name = metric.get("name") or names[metric["alias"]]
            found.append({**metric, "name": name, "kind": heard.kind})
    return found


async def test_the_gateway_dies_and_lives_as_a_node(tmp_path: Path) -> None:
    """SIGKILL: the broker publishes the will, with the bdSeq of the birth. The next start has one
    more, and its clean end says NDEATH by itself, once. A judged cycle is told, live and as a
    result, by points that read the same as the catalogue says."""
    broker = Broker(tmp_path, SETTINGS)
    with simulators(tmp_path, SPEED, "--scenario", "demo", "--seed", "3") as endpoints:
        site = demo_site(tmp_path, endpoints, SPEED)
        site.write_text(site.read_text("utf-8") + ENTRY.format(port=broker.port), "utf-8")
        try:
            await broker.start()
            async with watching(broker) as watch:
                first, second = endpoints[0].id, f"DDATA {endpoints[0].id}.record"
                with start_gateway(site, 0) as gateway:
                    await watch.until_heard(f"DBIRTH {first}")
                    await until(lambda: _results(watch, second), LONG_S * 2, every_s=0.1)
                    gateway.kill()
                await watch.until_heard("NDEATH")
                assert watch.kinds()[-1] == "NDEATH"
                with start_gateway(site, 1) as gateway:
                    await watch.until_heard("NBIRTH", 2)
                    await watch.until_heard(f"DBIRTH {first}", 2)
                    gateway.process.terminate()
                    await until(lambda: gateway.process.poll() is not None, LONG_S)
                    assert gateway.process.returncode == 0
                await watch.until_heard("NDEATH", 2)
                payloads = await decoded([(one.kind, one.data) for one in watch.heard])
        finally:
            broker.kill()
    assert numbers(watch.of("NBIRTH")) == numbers(watch.of("NDEATH")) == [0, 1]
    metrics = named(watch, payloads)
    births = [m["name"] for m in metrics if m["kind"] == f"DBIRTH {first}"]
    assert births == [point.name for point in CATALOGUE] * 2
    told = [m["value"] for m in metrics if m["kind"] == second and m["name"] == "result/id"]
    assert re.fullmatch(rf"{first}/0/\d+", told[0])
    assert len(set(told)) >= 1
    shown = [m["value"] for m in metrics if m["kind"] == f"DDATA {first}"]
    assert shown


def _results(watch: Watch, kind: str) -> list[Heard]:
    """Messages of a record with a result, by how many metrics they have."""
    return [one for one in watch.of(kind) if len(one.payload.metrics) > 20]
