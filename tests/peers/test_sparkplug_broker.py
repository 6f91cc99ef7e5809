"""The Sparkplug outlet with a real broker (mosquitto), a listener and a primary host.

What must be heard is from the Eclipse Sparkplug specification 3.0.0, from memory; the bytes are
read by the tests' own reader, and in the first test by an independent decoder too.
"""

from __future__ import annotations

import re
from collections.abc import AsyncIterator, Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from edgeflash.journal import Journal
from edgeflash.publication import LinkState, View
from tests.peers.broker import Broker
from tests.peers.sparkplug_outlets import (
    BIRTHS,
    entry,
    expected,
    ids,
    results,
    running,
    sequence,
    stored,
    views,
    without_repeats,
)
from tests.peers.sparkplug_peers import (
    LONG_S,
    SETTINGS,
    PrimaryHost,
    decoded,
    foreign_rebirth,
    publish,
    watching,
)
from tests.waiting import until

pytestmark = pytest.mark.peer("mosquitto", "mosquitto_sub")

HOST = "control-room"


@pytest.fixture
async def broker(tmp_path: Path) -> AsyncIterator[Broker]:
    """A broker that listens."""
    one = Broker(tmp_path, SETTINGS)
    try:
        await one.start()
        yield one
    finally:
        one.kill()


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    """An empty journal."""
    with Journal.open(tmp_path / "journal.sqlite3") as one:
        yield one


@pytest.mark.peer("node", "npm", "sparkplug-payload")
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_births_data_and_a_clean_death(
    broker: Broker, journal: Journal, tmp_path: Path, protocol: str
) -> None:
    """Births first and in order, numbers without a gap, QoS 0, nothing retained; at the end one
    NDEATH of QoS 1 with the birth's bdSeq, and no will besides. All of it can be decoded."""
    async with watching(broker) as watch:
        async with running(entry(broker, protocol=protocol), journal, tmp_path):
            await watch.until_heard("DDATA fp-102", 3)
            stored(journal, [1])
            await until(lambda: ids(watch) == expected([1]), LONG_S)
        await watch.until_heard("NDEATH")
        async with running(entry(broker, protocol=protocol), journal, tmp_path):
            await watch.until_heard("NBIRTH", 2)
        await watch.until_heard("NDEATH", 2)
        heard = watch.heard
    assert watch.kinds()[:5] == BIRTHS
    first = watch.kinds().index("NDEATH")
    assert sequence(heard[:first]) == [n % 256 for n in range(first)]
    assert {one.retain for one in heard} == {False}
    assert {(one.kind == "NDEATH", one.qos) for one in heard} == {(True, 1), (False, 0)}
    births, deaths = watch.of("NBIRTH"), watch.of("NDEATH")
    numbers = [one.payload.named("bdSeq").value for one in (*births, *deaths)]
    assert numbers == [0, 1, 0, 1]
    assert deaths[0].payload.seq is None
    assert results(watch)[0][1] is False, "made while the host listened"
    foreign = await decoded([(one.kind, one.data) for one in heard])
    aliases = {
        m["alias"]: m["name"] for p in foreign for m in p["metrics"] if "name" in m and "alias" in m
    }
    beats = [
        m["value"]
        for one, p in zip(heard, foreign, strict=True)
        for m in p["metrics"]
        if one.kind == "DDATA fp-101" and aliases[m["alias"]] == "heartbeat"
    ]
    assert beats[:3] == sorted(beats[:3])
    assert len(beats) >= 3


@pytest.mark.parametrize(("protocol", "number"), [("5", 5), ("3.1.1", 2)])
async def test_the_session_is_clean(
    broker: Broker, journal: Journal, tmp_path: Path, protocol: str, number: int
) -> None:
    """As the broker logs it: a clean session that it does not keep (MQTT 5: no expiry given, so 0),
    a will of QoS 1 that is not retained, the command topic subscribed with QoS 1 before births."""
    site = entry(broker, protocol=protocol)
    async with watching(broker) as watch, running(site, journal, tmp_path):
        await watch.until_heard("NBIRTH")
    log, client = broker.log, "edgeflash-invented-bend-gateway-1"
    assert re.search(rf" as {client} \(p{number}, c1, k\d+\)", log)
    will = log.split(f" as {client} ")[1].splitlines()[1]
    assert re.search(r"Will message specified \(\d+ bytes\) \(r0, q1\)", will)
    assert "spBv1.0/Invented Bend/NDEATH/gateway-1" in log.split(will)[1].splitlines()[1]
    subscribed = log.index("spBv1.0/Invented Bend/NCMD/gateway-1 (QoS 1)")
    assert subscribed < log.index("Received PUBLISH from " + client)
    assert f"Client {client} disconnected." in log


async def test_an_analyzer_that_is_lost_dies(
    broker: Broker, journal: Journal, tmp_path: Path
) -> None:
    """DDEATH when its link is lost, QoS 0 and not retained; a birth when it is back; the other one
    does not notice."""
    lost = False

    def shown(beat: int) -> list[View]:
        both = views(beat)
        if lost:
            standing = replace(both[0].standing, link=LinkState.DOWN)
            both[0] = replace(both[0], standing=standing)
        return both

    async with watching(broker) as watch, running(entry(broker), journal, tmp_path, shown):
        await watch.until_heard("DDATA fp-102")
        lost = True
        (death,) = await watch.until_heard("DDEATH fp-101")
        assert (death.qos, death.retain, death.payload.metrics) == (0, False, [])
        silent = len(watch.of("DDATA fp-101"))
        await watch.until_heard("DDATA fp-102", len(watch.of("DDATA fp-102")) + 3)
        assert len(watch.of("DDATA fp-101")) == silent
        lost = False
        await watch.until_heard("DBIRTH fp-101", 2)
        await watch.until_heard("DDATA fp-101", silent + 1)
        assert sequence(watch.heard) == [n % 256 for n in range(len(watch.heard))]
        assert len(watch.of("NBIRTH")) == len(watch.of("DBIRTH fp-102")) == 1


@pytest.mark.peer("node", "npm", "sparkplug-payload")
async def test_a_rebirth_is_answered_with_all_births(
    broker: Broker, journal: Journal, tmp_path: Path
) -> None:
    """On a command that the independent program wrote; bytes that are no command change nothing."""
    command = await foreign_rebirth()
    async with watching(broker) as watch, running(entry(broker), journal, tmp_path):
        await watch.until_heard("DBIRTH fp-102")
        topic = "spBv1.0/Invented Bend/NCMD/gateway-1"
        await publish(broker, topic, b"\x12\xff\xff")
        await publish(broker, topic, command)
        await watch.until_heard("DBIRTH fp-102", 2)
        kinds = watch.kinds()
        second = kinds.index("NBIRTH", 1)
        assert kinds[second : second + 5] == BIRTHS
        births = watch.of("NBIRTH")
        assert [one.payload.seq for one in births] == [0, 0]
        assert [one.payload.named("bdSeq").value for one in births] == [0, 0]
        assert "NDEATH" not in kinds


async def test_the_primary_host_goes_and_comes_back(
    broker: Broker, journal: Journal, tmp_path: Path
) -> None:
    """Nothing before it is online. When it vanishes (its will says so): NDEATH at once, and all is
    held; when it is back: births, then what was held, as history with its own times, in order."""
    host = PrimaryHost(broker, HOST)
    async with (
        watching(broker) as watch,
        running(entry(broker, primary_host=HOST, host_overlap_s=0), journal, tmp_path) as outlet,
    ):
        await until(lambda: outlet.figures.connected_since is not None, LONG_S)
        stored(journal, range(1, 4))
        await host.say(False, 500)
        assert watch.heard == []
        await host.arrive(1000)
        await watch.until_heard("DBIRTH fp-102")
        await until(lambda: ids(watch) == expected(range(1, 4)), LONG_S)
        await host.vanish()
        await watch.until_heard("NDEATH")
        await until(lambda: outlet.figures.sessions == 2, LONG_S)
        held = stored(journal, range(4, 9))
        assert watch.kinds()[-1] == "NDEATH", "nothing after the death"
        await host.say(True, 999)
        await host.say(True, 2000)
        await watch.until_heard("DBIRTH fp-102", 2)
        await until(lambda: without_repeats(ids(watch)) == expected(range(1, 9)), LONG_S)
        death = watch.kinds().index("NDEATH")
        assert watch.kinds()[death + 1 : death + 6] == BIRTHS
        assert [n.payload.named("bdSeq").value for n in watch.of("NBIRTH")] == [0, 1]
        told = {one: (old, at) for one, old, at in results(watch)}
        for one in held:
            assert told[one.id] == (True, int(one.sampled_at.timestamp() * 1000))


async def test_a_broker_that_is_killed_loses_no_result(
    broker: Broker, journal: Journal, tmp_path: Path
) -> None:
    """What was sent without evidence goes out again, what came meanwhile follows, in order; every
    result is there exactly once after dropping repeats. bdSeq rises."""
    host = PrimaryHost(broker, HOST)
    one = entry(broker, primary_host=HOST, host_overlap_s=60)
    async with running(one, journal, tmp_path) as outlet:
        async with watching(broker) as before:
            await host.arrive(1000)
            stored(journal, range(1, 11))
            await until(lambda: len(ids(before)) >= 10, LONG_S)
            broker.kill()
        await until(lambda: outlet.figures.connected_since is None, LONG_S)
        stored(journal, range(11, 21))
        await host.vanish()
        await broker.start()
        async with watching(broker) as after:
            await until(lambda: outlet.figures.connected_since is not None, LONG_S)
            await host.arrive(2000)
            await until(lambda: len(ids(after)) >= 20, LONG_S)
            assert ids(after) == expected(range(1, 21)), "sent within the overlap: again"
            assert {old for _, old, _ in results(after)} == {True}
            assert without_repeats(ids(before) + ids(after)) == expected(range(1, 21))
            assert after.kinds()[:5] == BIRTHS
            numbers = [w.of("NBIRTH")[0].payload.named("bdSeq").value for w in (before, after)]
            assert numbers[1] > numbers[0], "one more for every attempt to connect"
            assert journal.states()["sparkplug plant bdSeq"] == str(numbers[1])
        await host.vanish()


async def test_the_place_in_the_journal_rises_by_evidence_only(
    broker: Broker, journal: Journal, tmp_path: Path
) -> None:
    """With a host that is there, results sent before the overlap are done with; a new start repeats
    only the others."""
    host = PrimaryHost(broker, HOST)
    await host.arrive(1000)
    done = entry(broker, primary_host=HOST, host_overlap_s=0)
    async with watching(broker) as watch:
        async with running(done, journal, tmp_path):
            stored(journal, range(1, 6))
            await until(lambda: ids(watch) == expected(range(1, 6)), LONG_S)
            await until(lambda: journal.pending("mqtt:plant") == 0, LONG_S)
        wary = entry(broker, primary_host=HOST, host_overlap_s=3600)
        async with running(wary, journal, tmp_path):
            stored(journal, range(6, 9))
            await until(lambda: ids(watch) == expected(range(1, 9)), LONG_S)
        assert journal.pending("mqtt:plant") == 3
        async with running(done, journal, tmp_path):
            await until(lambda: ids(watch) == expected([*range(1, 9), 6, 7, 8]), LONG_S)
            await until(lambda: journal.pending("mqtt:plant") == 0, LONG_S)
    await host.vanish()


async def test_the_broker_alone_does_not_prove_that_the_host_is_there(
    broker: Broker, journal: Journal, tmp_path: Path
) -> None:
    """The host's STATE is gone from the broker, which goes on answering: nothing is done with."""
    host = PrimaryHost(broker, HOST)
    await host.arrive(1000)
    one = entry(broker, primary_host=HOST, host_overlap_s=0)
    asked = f"spBv1.0/STATE/{HOST} (QoS 1)"
    async with watching(broker) as watch, running(one, journal, tmp_path):
        await watch.until_heard("DBIRTH fp-102")
        await publish(broker, f"spBv1.0/STATE/{HOST}", b"", "-r")
        stored(journal, range(1, 4))
        await until(lambda: ids(watch) == expected(range(1, 4)), LONG_S)
        before = broker.log.count(asked)
        await until(lambda: broker.log.count(asked) >= before + 2, LONG_S)
        assert journal.position("mqtt:plant") == 0
        await host.say(True, 1000)
        await until(lambda: journal.pending("mqtt:plant") == 0, LONG_S)
    await host.vanish()


async def test_an_outlet_that_is_new_starts_from_now(
    broker: Broker, journal: Journal, tmp_path: Path
) -> None:
    """What the journal held before is not sent; from then on nothing is left out, also what came
    while there was no broker."""
    stored(journal, range(1, 6))
    now = entry(broker, start_from="now")
    async with watching(broker) as watch:
        async with running(now, journal, tmp_path):
            await watch.until_heard("DBIRTH fp-102")
        stored(journal, range(6, 9))
        async with running(now, journal, tmp_path):
            await until(lambda: ids(watch) == expected(range(6, 9)), LONG_S)


BACKLOG = 1000


async def test_live_values_go_before_a_long_history(
    broker: Broker, journal: Journal, tmp_path: Path
) -> None:
    """A thousand results wait: each comes once, in order, as history; live values are heard all
    along between them, and a result made meanwhile comes last and is not history."""
    stored(journal, range(1, BACKLOG + 1))
    async with watching(broker) as watch, running(entry(broker), journal, tmp_path):
        await watch.until_heard("DBIRTH fp-102")
        stored(journal, [BACKLOG + 1])
        await until(lambda: f"fp-101/0/{BACKLOG + 1}" in ids(watch)[-1:], LONG_S * 2, every_s=0.2)
        assert ids(watch) == expected(range(1, BACKLOG + 2))
        assert [old for _, old, _ in results(watch)] == [True] * BACKLOG + [False]
        kinds = watch.kinds()
        assert sequence(watch.heard) == [n % 256 for n in range(len(kinds))]
        first = kinds.index("DDATA fp-101.record")
        last = len(kinds) - 1 - kinds[::-1].index("DDATA fp-101.record")
        live = [n for n in range(first, last) if kinds[n] == "DDATA fp-101"]
        gaps = [after - before for before, after in pairwise(live)]
        assert len(live) >= 5
        assert max(gaps) <= 3 * 50, "more than a few turns of history between live values"
        waiting = watch.of("NDATA")
        assert waiting, "the node tells how much waits"


async def test_two_gateways_of_one_name_are_told(
    broker: Broker, journal: Journal, tmp_path: Path
) -> None:
    """Group and node must be unique in the plant (payloads-nbirth-edge-node-descriptor). Two that
    were given the same, with other ids of their outlets, have one client id: the broker throws
    out one of them each time (MQTT 5.0, 3.1.4), and the faults say what it looks like."""
    with Journal.open(tmp_path / "other.sqlite3") as second:
        ours, theirs = entry(broker), entry(broker, id="other", group_id="INVENTED bend")
        async with (
            running(ours, journal, tmp_path) as one,
            running(theirs, second, tmp_path) as other,
        ):
            wanted = "is there another client with the id"
            await until(lambda: wanted in one.figures.fault + other.figures.fault, LONG_S)
        elsewhere = entry(broker, id="other", node_id="gateway-2")
        async with (
            running(ours, journal, tmp_path) as one,
            running(elsewhere, second, tmp_path) as other,
            watching(broker) as watch,
        ):
            await watch.until_heard("DDATA fp-102", 4)
            assert one.figures.fault == other.figures.fault == ""
            assert one.figures.sessions == other.figures.sessions == 1


async def test_a_birth_that_is_too_large_for_the_broker(journal: Journal, tmp_path: Path) -> None:
    """MQTT 5.0, 3.2.2.3.6: its Maximum Packet Size. The node is not wholly born, so no data and no
    result goes out, what was born dies, and the fault says which birth it was."""
    small = Broker(tmp_path / "small", (*SETTINGS, "max_packet_size 12000"))
    try:
        await small.start()
        stored(journal, range(1, 4))
        async with watching(small) as watch, running(entry(small), journal, tmp_path) as outlet:
            await until(lambda: "DBIRTH/gateway-1/fp-101: its" in outlet.figures.fault, LONG_S)
            await watch.until_heard("NDEATH")
            assert {one.partition(" ")[0] for one in watch.kinds()} <= {
                "NBIRTH",
                "DBIRTH",
                "NDEATH",
            }
            assert journal.pending("mqtt:plant") == 3
    finally:
        small.kill()
