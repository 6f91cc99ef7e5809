"""Results on their way to a real broker that comes and goes, heard by an independent subscriber.

Peers: mosquitto and mosquitto_sub. A result may come more than once, never less.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from edgeflash.journal import Journal
from edgeflash.model import EventEntry, EventKind
from tests.peers.broker import WAIT_S, broker, subscriber
from tests.peers.mqtt_outlets import ROOT, append, entry, outlet_of, results, serving
from tests.unit.outlets.builders import START
from tests.waiting import until

pytestmark = pytest.mark.peer("mosquitto", "mosquitto_sub")

KEPT = (
    "allow_anonymous true",
    "persistence true",
    "autosave_on_changes true",
    "autosave_interval 1",
)
"""A broker that keeps sessions and what is retained on disk."""

REMEMBERED = ("-c", "-i", "listener", "-k", "5")
"""A subscriber whose session the broker keeps."""


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal.open(tmp_path / "journal.sqlite3") as opened:
        yield opened


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_every_result_arrives_in_order(
    tmp_path: Path, journal: Journal, protocol: str
) -> None:
    """Those that waited for the broker are late, the others are not; each has its own topic."""
    with broker(tmp_path / "broker") as server:
        await server.start()
        await append(journal, [*results(1, 20), *results(1, 3, "fp-102")])
        outlet = outlet_of(entry(server.port, protocol=protocol), journal, tmp_path)
        with subscriber(server.port, tmp_path / "heard") as listener:
            await until(lambda: "Received SUBSCRIBE" in server.log, WAIT_S)
            async with serving(outlet):
                await until(lambda: len(listener.documents("results")) == 23, WAIT_S)
                await until(lambda: outlet.figures.sent >= 24, WAIT_S)
                await append(journal, results(21, 2))
                await until(lambda: len(listener.documents("results")) == 25, WAIT_S)
                await until(lambda: journal.pending("mqtt:panel") == 0, WAIT_S)
            told = listener.documents("results")
            first = [d for d in told if d["analyzer"] == "fp-101"]
            assert [d["cycle_number"] for d in first] == list(range(1, 23))
            assert [d["is_late"] for d in first] == [True] * 20 + [False] * 2
            assert [d["id"] for d in first] == [f"fp-101/0/{n}" for n in range(1, 23)]
            topics = {m.topic for m in listener.heard if m.topic.endswith("results")}
            assert topics == {f"{ROOT}/analyzers/fp-10{n}/results" for n in (1, 2)}
            assert {m.qos for m in listener.heard if m.topic.endswith("results")} == {1}


async def test_a_clean_end_is_told_and_an_unclean_one_too(tmp_path: Path, journal: Journal) -> None:
    """Retained: who comes later reads it; the last will speaks when we cannot."""
    with broker(tmp_path / "broker") as server:
        await server.start()
        outlet = outlet_of(entry(server.port), journal, tmp_path)
        with subscriber(server.port, tmp_path / "heard") as listener:

            def states() -> list[str]:
                return [d["state"] for d in listener.documents("status")]

            def reasons() -> list[str]:
                return [d["reason"] for d in listener.documents("status")]

            async with serving(outlet):
                await until(lambda: "online" in states(), WAIT_S)
                shown = [m.topic.rpartition("/")[2] for m in listener.heard]
                assert shown.index("state") < shown.index("status"), "online before the state"
            await until(lambda: states()[-1] == "offline", WAIT_S)
            assert listener.documents("status")[-1]["reason"] == "the gateway was ended"
            lost = outlet_of(entry(server.port), journal, tmp_path)
            async with serving(lost):
                await until(lambda: states()[-1] == "online", WAIT_S)
                session = lost._connection._session
                assert session is not None
                session.give_up("cut by the test")
                await until(lambda: "the connection was lost" in reasons(), WAIT_S)
        with subscriber(server.port, tmp_path / "later") as later:
            await until(lambda: len(later.heard) >= 2, WAIT_S)
            assert {m.is_retained for m in later.heard} == {True}
            assert later.documents("status")[0]["state"] == "offline"
            assert later.documents("state")[0]["analyzer"] == "fp-101"


async def test_a_broker_that_is_killed_and_comes_back(tmp_path: Path, journal: Journal) -> None:
    """Without anything kept on its disk: what was made meanwhile arrives, and is late."""
    with broker(tmp_path / "broker") as server:
        await server.start()
        outlet = outlet_of(entry(server.port), journal, tmp_path)
        async with serving(outlet):
            with subscriber(server.port, tmp_path / "before") as before:
                await append(journal, results(1, 5))
                await until(lambda: len(before.documents("results")) == 5, WAIT_S)
                await until(lambda: journal.pending("mqtt:panel") == 0, WAIT_S)
            server.kill()
            await until(lambda: outlet.figures.connected_since is None, WAIT_S)
            assert outlet.figures.fault
            await append(journal, results(6, 40))
            await server.start()
            with subscriber(server.port, tmp_path / "after") as after:
                await until(lambda: outlet.figures.connected_since is not None, WAIT_S)
                await until(lambda: journal.pending("mqtt:panel") == 0, WAIT_S)
                await until(lambda: after.documents("status"), WAIT_S)
                assert after.documents("state"), "the new broker has no state of the analyzer"
                await append(journal, results(46, 1))
                await until(
                    lambda: [d for d in after.documents("results") if d["cycle_number"] == 46],
                    WAIT_S,
                )
        assert outlet.figures.reconnects == 1


async def test_a_broker_that_is_restarted_and_remembers(tmp_path: Path, journal: Journal) -> None:
    """Ended in the middle of it, with its sessions on disk: each once after dropping repeats."""
    where = (*KEPT, f"persistence_location {tmp_path}/broker/")
    with broker(tmp_path / "broker", *where) as server:
        await server.start()
        with subscriber(server.port, tmp_path / "heard", *REMEMBERED) as listener:
            await until(lambda: "Received SUBSCRIBE" in server.log, WAIT_S)
            await append(journal, results(1, 600))
            outlet = outlet_of(entry(server.port), journal, tmp_path)
            async with serving(outlet):
                for stop in (1, 150, 350):
                    await until(lambda n=stop: len(listener.documents("results")) >= n, WAIT_S)
                    await server.terminate()
                    await server.start()
                await until(lambda: journal.pending("mqtt:panel") == 0, WAIT_S)
                ids = [f"fp-101/0/{n}" for n in range(1, 601)]
                await until(
                    lambda: {d["id"] for d in listener.documents("results")} >= set(ids), WAIT_S
                )
            told = [d["id"] for d in listener.documents("results")]
    assert list(dict.fromkeys(told)) == ids, "not in order after dropping repeats"
    print(f"{len(told) - len(ids)} repeats of {len(ids)} results over 3 restarts")


async def test_events_arrive_with_an_id_of_their_own(tmp_path: Path, journal: Journal) -> None:
    """Also those of the gateway itself, and after a break once by id."""
    entries = [
        EventEntry(START, EventKind.ALARM, "fp-101", subject="below_limit", text="active: 37 °C"),
        EventEntry(START, EventKind.MAINTENANCE_ON, "fp-101", "mika", "operator socket"),
        EventEntry(START, EventKind.USER_CHANGED, "", "root", "", "panel-7", "was added"),
    ]
    for one in entries:
        journal.append_event(one).result()
    with broker(tmp_path / "broker") as server:
        await server.start()
        with subscriber(server.port, tmp_path / "heard") as listener:
            await until(lambda: "Received SUBSCRIBE" in server.log, WAIT_S)
            async with serving(outlet_of(entry(server.port), journal, tmp_path)):
                await until(lambda: len(listener.documents("events")) == 3, WAIT_S)
                await until(lambda: journal.pending_events("events:mqtt:panel") == 0, WAIT_S)
            async with serving(outlet_of(entry(server.port), journal, tmp_path)):
                journal.append_event(entries[1]).result()
                await until(lambda: len(listener.documents("events")) == 4, WAIT_S)
            told = listener.documents("events")
            assert len({d["id"] for d in told}) == 4
            assert [d["kind"] for d in told[:3]] == ["alarm", "maintenance_on", "user_changed"]
            assert told[0]["alarm"]["state"] == "active"
            topics = [m.topic for m in listener.heard if m.topic.endswith("events")]
            assert topics[2] == f"{ROOT}/events"
