"""Others on the bus who do a Sparkplug node harm, by mistake or on purpose, with a real broker.

What a node may be sent is from the Eclipse Sparkplug specification 3.0.0, from memory. What it must
withstand is ours: whoever may publish to the broker is trusted with no more than a rebirth.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest

from edgeflash.journal import Journal
from tests.peers.broker import Broker
from tests.peers.sparkplug_outlets import entry, expected, ids, running, stored, without_repeats
from tests.peers.sparkplug_peers import (
    LONG_S,
    SETTINGS,
    PrimaryHost,
    publish,
    watching,
)
from tests.waiting import until

pytestmark = pytest.mark.peer("mosquitto", "mosquitto_sub")

HOST = "control-room"
COMMANDS = "spBv1.0/Invented Bend/NCMD/gateway-1"
REBIRTH = bytes.fromhex("121a 0a14") + b"Node Control/Rebirth" + bytes.fromhex("200b7001")
"""The command by hand: metrics (field 2) of one metric: name (1), datatype (4) 11, true (14)."""


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


async def test_a_retained_command_is_none(broker: Broker, journal: Journal, tmp_path: Path) -> None:
    """Statement topics-ncmd-mqtt: commands are not retained. One that somebody retained comes with
    every subscription: obeyed, it would bring births and the same results again and again."""
    stored(journal, range(1, 4))
    await publish(broker, COMMANDS, REBIRTH, "-r")
    async with watching(broker) as watch, running(entry(broker), journal, tmp_path):
        await watch.until_heard("DBIRTH fp-102")
        for number in range(4, 9):
            stored(journal, [number])
            await until(lambda n=number: expected([n])[0] in ids(watch), LONG_S)
            await until(lambda: journal.pending("mqtt:plant") == 0, LONG_S)
        assert broker.log.count(f"{COMMANDS} (QoS 1)") > 5, "it has come again and again"
        assert ids(watch) == expected(range(1, 9))
        assert len(watch.of("NBIRTH")) == 1
        await publish(broker, COMMANDS, REBIRTH)
        await watch.until_heard("NBIRTH", 2)


async def test_rebirths_without_end_do_not_starve_the_results(
    broker: Broker, journal: Journal, tmp_path: Path
) -> None:
    """A host that asks for a rebirth as often as it is answered, while much waits: every result
    comes all the same."""
    host = PrimaryHost(broker, HOST)
    await host.arrive(1000)
    count = 1500
    stored(journal, range(1, count + 1))
    one = entry(broker, primary_host=HOST, host_overlap_s=60)
    async with watching(broker) as watch, running(one, journal, tmp_path):

        async def ask() -> None:
            while True:
                await publish(broker, COMMANDS, REBIRTH)

        asking = asyncio.create_task(ask())
        try:
            await until(lambda: len(without_repeats(ids(watch))) == count, LONG_S, every_s=0.2)
        finally:
            asking.cancel()
            await asyncio.wait({asking})
        assert without_repeats(ids(watch)) == expected(range(1, count + 1))
        assert len(watch.of("NBIRTH")) > 2
    await host.vanish()
