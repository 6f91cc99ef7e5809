"""The whole gateway as a Sparkplug node, killed."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from edgeflash.journal import JOURNAL_NAME, Journal
from edgeflash.outlets.sparkplug_catalogue import device_alias
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
HEARTBEAT = next(point for point in CATALOGUE if point.name == "heartbeat")


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


async def test_the_gateway_dies_and_its_will_speaks(tmp_path: Path) -> None:
    """SIGKILL: the broker publishes the will, with the bdSeq of the birth, which is on disk for the
    next start. Before, a judged cycle is told, live and as a result, by the catalogue's names."""
    broker = Broker(tmp_path, SETTINGS)
    with simulators(tmp_path, SPEED, "--scenario", "demo", "--seed", "3") as endpoints:
        first = endpoints[0].id
        record, beat = f"DDATA {first}.record", device_alias(1, HEARTBEAT)
        try:
            await broker.start()
            site = demo_site(tmp_path, endpoints, SPEED)
            site.write_text(site.read_text("utf-8") + ENTRY.format(port=broker.port), "utf-8")
            async with watching(broker) as watch:
                with start_gateway(site) as gateway:
                    await until(lambda: _told(watch, f"DDATA {first}", beat), LONG_S * 2, 0.1)
                    await until(lambda: _results(watch, record), LONG_S * 2, every_s=0.1)
                    gateway.kill()
                await watch.until_heard("NDEATH")
                payloads = await decoded([(one.kind, one.data) for one in watch.heard])
        finally:
            broker.kill()
    assert watch.kinds()[0] == "NBIRTH"
    assert watch.kinds()[-1] == "NDEATH"
    assert numbers(watch.of("NBIRTH")) == numbers(watch.of("NDEATH")) == [0]
    with Journal.open_readonly(tmp_path / JOURNAL_NAME) as journal:
        assert journal.states()["sparkplug plant bdSeq"] == "0"
    metrics = named(watch, payloads)
    births = [m["name"] for m in metrics if m["kind"] == f"DBIRTH {first}"]
    assert births == [point.name for point in CATALOGUE]
    told = [m["value"] for m in metrics if m["kind"] == record and m["name"] == "result/id"]
    assert re.fullmatch(rf"{first}/0/\d+", told[0])
    shown = {m["name"] for m in metrics if m["kind"] == f"DDATA {first}"}
    assert "heartbeat" in shown


def _told(watch: Watch, kind: str, alias: int) -> bool:
    """Whether messages of this kind have told this metric."""
    return any(m.alias == alias for one in watch.of(kind) for m in one.payload.metrics)


def _results(watch: Watch, kind: str) -> list[Heard]:
    """Messages of a record with a result, by how many metrics they have."""
    return [one for one in watch.of(kind) if len(one.payload.metrics) > 20]
