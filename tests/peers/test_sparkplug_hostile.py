"""Others on the bus who do a Sparkplug node harm, by mistake or on purpose, with a real broker.

What a node may be sent is from the Eclipse Sparkplug specification 3.0.0, from memory. What it must
withstand is ours: whoever may publish to the broker is trusted with no more than a rebirth.
"""

from __future__ import annotations

import asyncio
import json
import shutil
import subprocess
import tracemalloc
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from edgeflash.journal import Journal
from edgeflash.outlets.sparkplug_speech import MOST_DISBELIEVED
from tests.peers.broker import SBIN, Broker
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


def publish_lines(broker: Broker, topic: str, lines: bytes, *flags: str) -> None:
    """Publishes each line as another client, and holds up the loop until the broker has them."""
    program = shutil.which("mosquitto_pub", path=SBIN)
    assert program is not None
    port = str(broker.port)
    command = [program, "-h", "127.0.0.1", "-p", port, "-t", topic, "-l", *flags]
    subprocess.run(command, input=lines, check=True)


async def publish_huge(broker: Broker, topic: str, size: int, file: Path) -> None:
    """Publishes so many zeros, retained, as another client; none of them are in this process."""
    with file.open("wb") as out:
        out.truncate(size)
    program = shutil.which("mosquitto_pub", path=SBIN)
    assert program is not None
    port = str(broker.port)
    command = (program, "-h", "127.0.0.1", "-p", port, "-t", topic, "-f", file, "-q", "1", "-r")
    done = await asyncio.create_subprocess_exec(*command)
    async with asyncio.timeout(LONG_S):
        assert await done.wait() == 0


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


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_a_huge_command_takes_no_memory(
    broker: Broker, journal: Journal, tmp_path: Path, protocol: str
) -> None:
    """MQTT allows 256 MB. A broker of MQTT 5 is told not to send so much (3.1.2.11.4); what comes
    with 3.1.1 is read away, retained or not, without ending the session. After it, commands are
    heard as before."""
    size = 40_000_000
    tracemalloc.start()
    try:
        async with (
            watching(broker, "spBv1.0/+/NBIRTH/#", "spBv1.0/+/DBIRTH/#") as watch,
            running(entry(broker, protocol=protocol), journal, tmp_path) as outlet,
        ):
            await watch.until_heard("DBIRTH fp-102")
            before = tracemalloc.get_traced_memory()[0]
            tracemalloc.reset_peak()
            await publish_huge(broker, COMMANDS, size, tmp_path / "huge")
            await publish(broker, COMMANDS, REBIRTH)
            await watch.until_heard("NBIRTH", 2)
            peak = tracemalloc.get_traced_memory()[1] - before
            assert peak < size / 4
            assert outlet.figures.sessions == 1
    finally:
        tracemalloc.stop()


async def test_a_flood_of_commands_hides_no_host_and_fills_no_log(
    broker: Broker, journal: Journal, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Thousands of commands while the loop is busy: few wait, the STATE between them is heard all
    the same, and the log is not theirs."""
    host = PrimaryHost(broker, HOST)
    await host.arrive(1000)
    one = entry(broker, primary_host=HOST)
    with capture_logs() as logs:
        async with watching(broker) as watch, running(one, journal, tmp_path):
            await watch.until_heard("DBIRTH fp-102")
            flood = b"".join(b"\x12%d\n" % n for n in range(5000))
            state = json.dumps({"online": False, "timestamp": 1000}).encode()
            for topic, lines, *flags in (
                (COMMANDS, flood),
                (f"spBv1.0/STATE/{HOST}", state, "-r", "-q", "1"),
                (COMMANDS, flood),
            ):
                # Not awaited on purpose: the loop that must hear them stands still meanwhile.
                publish_lines(broker, topic, lines, *flags)
            await watch.until_heard("NDEATH")
    await host.vanish()
    told = [line for line in logs if line["event"] == "a message is not believed"]
    assert 0 < len(told) <= MOST_DISBELIEVED
    assert len(caplog.records) < 100


async def test_a_host_s_name_misused_loses_no_result(
    broker: Broker, journal: Journal, tmp_path: Path
) -> None:
    """Somebody says in the host's name that it is online, in years to come. Its death is then older
    and by the specification does not count; but no result counts as arrived either, and the
    outlet says so. With the next connection the retained truth is believed."""
    host = PrimaryHost(broker, HOST)
    await host.arrive(1000)
    one = entry(broker, primary_host=HOST, host_overlap_s=0)
    async with watching(broker) as watch, running(one, journal, tmp_path) as outlet:
        await watch.until_heard("DBIRTH fp-102")
        await host.say(True, 9_000_000_000_000)
        await host.vanish()
        await until(lambda: "says what is older" in outlet.figures.fault, LONG_S)
        stored(journal, range(1, 4))
        await until(lambda: ids(watch) == expected(range(1, 4)), LONG_S)
        asked = broker.log.count(f"spBv1.0/STATE/{HOST} (QoS 1)")
        await until(lambda: broker.log.count(f"spBv1.0/STATE/{HOST} (QoS 1)") >= asked + 3, LONG_S)
        assert journal.pending("mqtt:plant") == 3
        session = outlet._connection._session
        assert session is not None
        session.give_up("the test ends it")
        await watch.until_heard("NDEATH")
        await until(lambda: "is not online; all waits" in outlet.figures.fault, LONG_S)
        await host.say(True, 2000)
        await until(lambda: journal.pending("mqtt:plant") == 0, LONG_S)
