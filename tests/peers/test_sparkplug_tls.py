"""A Sparkplug node over TLS, as a plant has it: both ends prove who they are.

Peers: mosquitto with a second listener that asks for a client certificate, and a listener on the
first. Certificates are made by `cryptography`; what refuses them is OpenSSL at either end.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from edgeflash.config.mqtt_entry import MqttEntry
from edgeflash.journal import Journal
from tests.peers.broker import Broker
from tests.peers.mqtt_certificates import CLIENT, DAY, SERVER, Authority
from tests.peers.slow_proxy import proxy
from tests.peers.sparkplug_outlets import BIRTHS, entry, expected, ids, running, sequence, stored
from tests.peers.sparkplug_peers import LONG_S, SETTINGS, publish, watching
from tests.ports import free_port
from tests.waiting import until

pytestmark = pytest.mark.peer("mosquitto", "mosquitto_sub")

EXPIRED = -timedelta(minutes=1)
COMMANDS = "spBv1.0/Invented Bend/NCMD/gateway-1"
REBIRTH = bytes.fromhex("121a 0a14") + b"Node Control/Rebirth" + bytes.fromhex("200b7001")


@dataclass
class Plant:
    """A broker with a port for TLS, and the authority that everybody trusts."""

    folder: Path
    authority: Authority
    broker: Broker
    tls_port: int

    def entry(self, name: str, **more: object) -> MqttEntry:
        """An entry with the certificate of this name."""
        files = {"certificate_file": f"{name}.pem", "key_file": f"{name}.key"}
        secured: dict[str, object] = {
            "tls": True,
            "host": "localhost",
            "port": self.tls_port,
            "ca_file": self.authority.file,
        }
        return entry(self.broker, **secured | files | more)


async def started(folder: Path, ends: timedelta = 30 * DAY) -> Plant:
    """The plant at work. ends: of the broker's certificate."""
    authority = Authority(folder, "authority")
    certificate, key = authority.issue("broker", "localhost", SERVER, begins=-2 * DAY, ends=ends)
    port = free_port()
    secured = (
        f"listener {port} 127.0.0.1",
        f"certfile {certificate}",
        f"keyfile {key}",
        f"cafile {authority.file}",
        "require_certificate true",
    )
    broker = Broker(folder / "broker", (*SETTINGS, *secured))
    await broker.start()
    return Plant(folder, authority, broker, port)


@pytest.fixture
async def plant(tmp_path: Path) -> AsyncIterator[Plant]:
    """A plant whose broker is as it should be."""
    made = await started(tmp_path)
    try:
        yield made
    finally:
        made.broker.kill()


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    """An empty journal."""
    with Journal.open(tmp_path / "journal.sqlite3") as one:
        yield one


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_a_whole_session(plant: Plant, journal: Journal, protocol: str) -> None:
    """Births, data, a command, results, a clean death: all as without TLS, and the broker has seen
    our certificate."""
    plant.authority.issue("gateway", "gateway.example", CLIENT)
    one = plant.entry("gateway", protocol=protocol)
    stored(journal, range(1, 301))
    async with watching(plant.broker) as watch:
        async with running(one, journal, plant.folder) as outlet:
            await until(lambda: ids(watch) == expected(range(1, 301)), LONG_S, every_s=0.1)
            await publish(plant.broker, COMMANDS, REBIRTH)
            await watch.until_heard("DBIRTH fp-102", 2)
            await watch.until_heard("DDATA fp-102", 3)
            await until(lambda: journal.pending("mqtt:plant") == 0, LONG_S)
            assert outlet.figures.fault == ""
        await watch.until_heard("NDEATH")
        second = watch.kinds().index("NBIRTH", 1)
        assert watch.kinds()[:5] == watch.kinds()[second : second + 5] == BIRTHS
        assert sequence(watch.heard[:second]) == [n % 256 for n in range(second)]


async def test_a_connection_that_is_cut(plant: Plant, journal: Journal) -> None:
    """The will comes from the broker, with the birth's number; then births with the next one."""
    plant.authority.issue("gateway", "gateway.example", CLIENT)
    async with proxy(plant.tls_port) as between, watching(plant.broker) as watch:
        one = plant.entry("gateway", port=between.port)
        async with running(one, journal, plant.folder):
            await watch.until_heard("DBIRTH fp-102")
            between.cut()
            await watch.until_heard("NDEATH")
            await watch.until_heard("NBIRTH", 2)
            numbers = [
                watch.of(kind)[place].payload.named("bdSeq").value
                for kind, place in (("NBIRTH", 0), ("NDEATH", 0), ("NBIRTH", 1))
            ]
    assert numbers == [0, 0, 1]


@pytest.mark.parametrize(
    ("case", "why"),
    [
        ("expired", "certificate expired"),
        ("not yet", "certificate"),
        ("for servers", "certificate"),
        ("of others", "unknown ca"),
    ],
)
async def test_a_certificate_of_ours_that_the_broker_refuses(
    plant: Plant, journal: Journal, case: str, why: str
) -> None:
    """Said once, with the alert of TLS (RFC 8446, 6.2); nobody hears a word of the node. A new
    certificate in place of the old one needs no restart."""
    others = Authority(plant.folder / "others", "others")
    name = "gateway.example"
    match case:
        case "expired":
            plant.authority.issue("gateway", name, CLIENT, begins=-2 * DAY, ends=EXPIRED)
        case "not yet":
            plant.authority.issue("gateway", name, CLIENT, begins=DAY)
        case "for servers":
            plant.authority.issue("gateway", name, SERVER)
        case _:
            for file in others.issue("gateway", name, CLIENT):
                file.rename(plant.folder / file.name)
    with capture_logs() as logs:
        async with (
            watching(plant.broker) as watch,
            running(plant.entry("gateway"), journal, plant.folder) as outlet,
        ):
            await until(lambda: why in outlet.figures.fault.lower(), LONG_S)
            await until(lambda: outlet.figures.attempts >= 3, LONG_S)
            assert outlet.figures.sessions == 0
            assert watch.heard == []
            plant.authority.issue("gateway", name, CLIENT)
            await watch.until_heard("DBIRTH fp-102")
            assert outlet.figures.fault == ""
    told = [one for one in logs if one["event"].startswith("mqtt is not connected")]
    assert len({one["why"] for one in told}) == len(told)


async def test_a_broker_whose_certificate_has_expired(tmp_path: Path, journal: Journal) -> None:
    """It is told nothing at all, least of all a password; the words are OpenSSL's."""
    plant = await started(tmp_path, ends=EXPIRED)
    try:
        plant.authority.issue("gateway", "gateway.example", CLIENT)
        (tmp_path / "password").write_text("secret")
        one = plant.entry("gateway", user="panel", password_file="password")
        async with (
            watching(plant.broker) as watch,
            running(one, journal, tmp_path) as outlet,
        ):
            await until(lambda: "certificate has expired" in outlet.figures.fault, LONG_S)
            await until(lambda: outlet.figures.attempts >= 3, LONG_S)
            assert watch.heard == []
        assert "panel" not in plant.broker.log
    finally:
        plant.broker.kill()
