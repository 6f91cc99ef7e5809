"""What a consumer may believe at every moment: after an end without an answer, after a broker's
restart with what it retained yesterday, of a session that stood long, of brokers that can do less.

Peers: mosquitto and mosquitto_sub; a proxy of the tests'.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from edgeflash.journal import Journal
from edgeflash.model import CycleSource, Result
from edgeflash.outlets.mqtt_connection import MOST_RECONNECTS, WITHIN_S
from edgeflash.publication import View
from edgeflash.service import SYSTEM_CLOCK
from tests.peers.broker import WAIT_S, Broker, broker, subscriber
from tests.peers.mqtt_outlets import append, entry, outlet_of, results, serving
from tests.peers.slow_proxy import proxy
from tests.peers.sparkplug_peers import publish
from tests.unit.outlets.builders import accepted_view
from tests.waiting import until

pytestmark = pytest.mark.peer("mosquitto", "mosquitto_sub")


class FastClock:
    """The machine's clock, as far ahead as it is set."""

    def __init__(self) -> None:
        self.ahead_s = 0.0

    def utc_now(self) -> datetime:
        """UTC."""
        return SYSTEM_CLOCK.utc_now() + timedelta(seconds=self.ahead_s)

    def mono_s(self) -> float:
        """Monotonic."""
        return SYSTEM_CLOCK.mono_s() + self.ahead_s


def view_of_now() -> View:
    """A good value of this moment."""
    return replace(accepted_view(), at=datetime.now(UTC))


def from_ring(one: Result) -> Result:
    """The result, as if the analyzer had kept it."""
    return replace(one, cycle=replace(one.cycle, source=CycleSource.RING))


def parsed(moment: str) -> datetime:
    """An RFC 3339 time."""
    return datetime.fromisoformat(moment.replace("Z", "+00:00"))


async def retained(server: Broker, folder: Path, wanted: set[str]) -> dict[str, str | None]:
    """What the broker keeps, by the last level of its topic, and the `state` it tells; asked until
    it is what is wanted. What is retained comes before the probe that is published afterwards."""
    for attempt in range(60):
        with subscriber(server.port, folder / f"retained-{attempt}") as listener:
            async with asyncio.timeout(WAIT_S):
                while not listener.documents("probe"):
                    await publish(server, "probe", b"{}")
            found = {one.topic.rpartition("/")[2]: one for one in listener.heard if one.is_retained}
        if found.keys() == wanted:
            break
        await asyncio.sleep(0.2)
    return {level: one.document.get("state") for level, one in found.items()}


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal.open(tmp_path / "journal.sqlite3") as opened:
        yield opened


async def test_an_end_that_cannot_be_told_is_no_goodbye(tmp_path: Path, journal: Journal) -> None:
    """The broker's answers do not come, so there is no room for the last words. A DISCONNECT would
    have it throw away the will (MQTT 5.0, 3.14.4), and "online" would stand for ever."""
    settings = ("allow_anonymous true", "max_inflight_messages 2")
    names = ("fp-101", "fp-102")
    with broker(tmp_path / "broker", *settings) as server:
        await server.start()
        with subscriber(server.port, tmp_path / "heard") as listener:
            async with proxy(server.port) as between:
                one = entry(between.port, timeout_s=60, heartbeat_s=50)
                outlet = outlet_of(one, journal, tmp_path)
                async with serving(outlet, *map(accepted_view, names)):
                    await until(lambda: listener.documents("status"), WAIT_S)
                    assert listener.documents("status")[-1]["state"] == "online"
                    between.deaf = True
                    await outlet.publish([accepted_view(name, value_c=70.0) for name in names])
                    session = outlet._connection._session
                    assert session is not None
                    await until(session._room.locked, WAIT_S)
                await until(lambda: listener.documents("status")[-1]["state"] == "offline", 30.0)
                assert listener.documents("status")[-1]["reason"] == "the connection was lost"


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_what_is_retained_after_a_clean_end(
    tmp_path: Path, journal: Journal, protocol: str
) -> None:
    """Who comes later reads "offline", and no good value of a gateway that is not there: MQTT 5
    takes it away when its time is over (3.3.2.3.3), before we do."""
    with broker(tmp_path / "broker") as server:
        await server.start()
        one = entry(server.port, protocol=protocol, state_valid_s=2)
        with subscriber(server.port, tmp_path / "heard") as listener:
            async with serving(outlet_of(one, journal, tmp_path), view_of_now()):
                await until(lambda: listener.documents("status"), WAIT_S)
        assert listener.documents("state")[-1]["points"]["FlashPoint"]["trust"] == "good"
        assert await retained(server, tmp_path, {"status"}) == {"status": "offline"}


async def test_a_broker_that_died_with_the_gateway_and_comes_back_alone(
    tmp_path: Path, journal: Journal
) -> None:
    """Nobody can publish a will. It has kept "online" and a good value on disk: both say until when
    they may be believed, and MQTT 5 takes them away then."""
    kept = ("persistence true", f"persistence_location {tmp_path}/", "autosave_interval 1")
    with broker(tmp_path / "broker", "allow_anonymous true", *kept) as server:
        await server.start()
        one = entry(server.port, state_valid_s=3, timeout_s=60)
        with subscriber(server.port, tmp_path / "heard") as listener:
            async with serving(outlet_of(one, journal, tmp_path), view_of_now()):
                await until(lambda: listener.documents("status"), WAIT_S)
                await until(lambda: "Saving in-memory database" in server.log, WAIT_S)
                server.kill()
            (first, *_) = listener.documents("status")
            assert first["state"] == "online"
            assert parsed(first["valid_until"]) - parsed(first["at"]) == timedelta(seconds=3)
        await server.start()
        assert await retained(server, tmp_path, set()) == {}


async def test_a_gateway_that_is_stuck_has_no_state_of_now(
    tmp_path: Path, journal: Journal
) -> None:
    """The same old view again and again: the broker keeps it no longer than it says itself."""
    with broker(tmp_path / "broker") as server:
        await server.start()
        with subscriber(server.port, tmp_path / "heard") as listener:
            old = replace(accepted_view(), at=datetime.now(UTC) - timedelta(hours=1))
            one = entry(server.port, heartbeat_s=30)
            async with serving(outlet_of(one, journal, tmp_path), old):
                await until(lambda: listener.documents("status"), WAIT_S)
                assert parsed(listener.documents("state")[-1]["valid_until"]) < datetime.now(UTC)
                assert await retained(server, tmp_path, {"status"}) == {"status": "online"}


async def test_what_the_analyzer_had_kept_is_late(tmp_path: Path, journal: Journal) -> None:
    """A cycle fetched from its ring is history, whenever the gateway read it."""
    with broker(tmp_path / "broker") as server:
        await server.start()
        outlet = outlet_of(entry(server.port), journal, tmp_path)
        with subscriber(server.port, tmp_path / "heard") as listener:
            async with serving(outlet):
                await until(lambda: listener.documents("status"), WAIT_S)
                now, ring = results(1, 2)
                await append(journal, [now, from_ring(ring)])
                await until(lambda: len(listener.documents("results")) == 2, WAIT_S)
        told = [(d["source"], d["is_late"]) for d in listener.documents("results")]
        assert told == [("live", False), ("ring", True)]


async def test_a_session_that_stands_long_has_no_fault_of_its_beginning(
    tmp_path: Path, journal: Journal
) -> None:
    """Connected again and again, then steady: the fault ends with the time that it speaks of."""
    clock = FastClock()
    with broker(tmp_path / "broker") as server:
        await server.start()
        async with proxy(server.port) as between:
            outlet = outlet_of(entry(between.port), journal, tmp_path, clock)
            async with serving(outlet):
                for sessions in range(1, MOST_RECONNECTS + 2):
                    await until(lambda n=sessions: outlet.figures.sessions == n, WAIT_S)
                    if sessions <= MOST_RECONNECTS:
                        between.cut()
                assert "another client" in outlet.figures.fault
                clock.ahead_s = 2 * WITHIN_S
                assert outlet.figures.fault == ""
                assert outlet.figures.connected_since is not None


async def test_the_will_of_a_lost_session_does_not_stand_over_the_next(
    tmp_path: Path, journal: Journal
) -> None:
    """The network went silent: the broker still has the old session when the new one of the same
    client comes, ends it (MQTT 5.0, 3.1.4-3) and publishes its will. What stands is "online"."""
    with broker(tmp_path / "broker") as server:
        await server.start()
        with subscriber(server.port, tmp_path / "heard") as listener:
            async with proxy(server.port) as between:
                one = entry(between.port, timeout_s=2, keepalive_s=600)
                outlet = outlet_of(one, journal, tmp_path)
                async with serving(outlet):
                    await until(lambda: listener.documents("status"), WAIT_S)
                    between.silent = True
                    await until(lambda: outlet.figures.connected_since is None, WAIT_S)
                    between.silent = False
                    await until(lambda: outlet.figures.sessions >= 2, WAIT_S)

                    def told() -> list[str]:
                        return [d["reason"] or d["state"] for d in listener.documents("status")]

                    await until(lambda: "the connection was lost" in told(), WAIT_S)
                    await until(lambda: told()[-1] == "online", WAIT_S)
                    found = await retained(server, tmp_path, {"status", "state"})
                    assert found["status"] == "online"
