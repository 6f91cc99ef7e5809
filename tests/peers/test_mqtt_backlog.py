"""Much that waits, over good and bad networks: in order, in bounded memory, beside what is live.

Peers: mosquitto and mosquitto_sub. Times are printed, never asserted (`-s` shows them).
"""

from __future__ import annotations

import asyncio
import os
import statistics
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from edgeflash.journal import Journal
from edgeflash.model import Result
from edgeflash.outlets.mqtt import MqttOutlet
from tests.peers.broker import WAIT_S, Subscriber, broker, subscriber
from tests.peers.mqtt_outlets import append, entry, outlet_of, results, serving
from tests.peers.slow_proxy import proxy
from tests.unit.journal.samples import sample_trace
from tests.unit.outlets.builders import accepted_view
from tests.waiting import until

pytestmark = pytest.mark.peer("mosquitto", "mosquitto_sub")

TRACED_EVERY, TRACE_SAMPLES = 10, 3000
MOST_GROWTH_MB = 40.0
"""What waits of 10,000 would take three times that, were it all in memory."""

UNBOUNDED = ("allow_anonymous true", "max_queued_messages 0")
"""A broker that drops nothing for a subscriber that is slower than we are."""


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal.open(tmp_path / "journal.sqlite3") as opened:
        yield opened


def with_traces(made: list[Result]) -> list[Result]:
    """Every tenth with a long trace."""
    trace = sample_trace(1, TRACE_SAMPLES)
    return [
        replace(one, cycle=replace(one.cycle, trace=trace)) if place % TRACED_EVERY == 0 else one
        for place, one in enumerate(made)
    ]


def resident_mb() -> float:
    """Memory of this process now (proc(5), statm)."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


@asynccontextmanager
async def changing(outlet: MqttOutlet) -> AsyncIterator[None]:
    """A value that is another one ten times a second."""

    async def change() -> None:
        number = 0
        while True:
            number += 1
            view = replace(accepted_view(value_c=50.0 + number), at=datetime.now(UTC))
            await outlet.publish([view])
            await asyncio.sleep(0.1)

    task = asyncio.create_task(change())
    try:
        yield
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


def ids(listener: Subscriber) -> list[str]:
    """The ids of the results heard, repeats dropped."""
    return list(dict.fromkeys(d["id"] for d in listener.documents("results")))


def expected(count: int) -> list[str]:
    """The ids of so many results."""
    return [f"fp-101/0/{n}" for n in range(1, count + 1)]


def told(latencies_s: list[float]) -> str:
    """Latencies in words."""
    ordered = sorted(latencies_s)
    p95 = ordered[int(0.95 * (len(ordered) - 1))]
    middle = statistics.median(ordered)
    return (
        f"median {1e3 * middle:.0f} ms, 95 % {1e3 * p95:.0f} ms, worst {1e3 * ordered[-1]:.0f} ms"
    )


def latencies_s(file: Path) -> list[float]:
    """From the instant of each state to its arrival at the subscriber."""
    found = []
    for line in file.read_text("utf-8").splitlines():
        arrived, _, at = line.partition(" ")
        made = datetime.fromisoformat(at.partition('"at":"')[2].partition('"')[0])
        found.append(float(arrived) - made.timestamp())
    return found


@pytest.mark.parametrize("many", [1000, pytest.param(10_000, marks=pytest.mark.slow)])
async def test_thousands_that_wait(tmp_path: Path, journal: Journal, many: int) -> None:
    """All in order, exactly once after dropping repeats, in bounded memory, states between them."""
    await append(journal, with_traces(results(1, many)))
    with broker(tmp_path / "broker", *UNBOUNDED) as server:
        await server.start()
        outlet = outlet_of(entry(server.port, state_every_s=0.1), journal, tmp_path)
        live = ("-F", "%U %p")
        state = "edgeflash/+/analyzers/+/state"
        with (
            subscriber(server.port, tmp_path / "heard") as listener,
            subscriber(server.port, tmp_path / "live", *live, topic=state),
        ):
            await until(lambda: server.log.count("Received SUBSCRIBE") == 2, WAIT_S)
            before_mb = most_mb = resident_mb()
            began_s = asyncio.get_running_loop().time()
            async with serving(outlet), changing(outlet):

                def is_done() -> bool:
                    nonlocal most_mb
                    most_mb = max(most_mb, resident_mb())
                    return journal.pending("mqtt:panel") == 0

                await until(is_done, 300.0, every_s=0.05)
                took_s = asyncio.get_running_loop().time() - began_s
                during = latencies_s(tmp_path / "live")
                await until(lambda: len(listener.documents("results")) >= many, 300.0)
                # Reading so much has held up this loop, and so the outlet: two states later.
                read_at = len(latencies_s(tmp_path / "live"))
                await until(lambda: len(latencies_s(tmp_path / "live")) > read_at + 2, WAIT_S)
                quiet_from = len(latencies_s(tmp_path / "live"))
                await until(lambda: len(latencies_s(tmp_path / "live")) > quiet_from + 20, WAIT_S)
                quiet = latencies_s(tmp_path / "live")[quiet_from:]
        kinds = [m.topic.rpartition("/")[2] for m in listener.heard]
    assert ids(listener) == expected(many)
    first, last = kinds.index("results"), len(kinds) - 1 - kinds[::-1].index("results")
    between = kinds[first:last].count("state")
    repeats = len(listener.documents("results")) - many
    print(
        f"\n{many} results in {took_s:.1f} s ({many / took_s:.0f}/s), {repeats} repeats; memory "
        f"+{most_mb - before_mb:.1f} MB; {between} states between them: {told(during)}; "
        f"afterwards: {told(quiet)}"
    )
    assert most_mb - before_mb < MOST_GROWTH_MB
    assert between >= 5, "live states were held up behind the backlog"


async def test_a_network_that_is_slow(tmp_path: Path, journal: Journal) -> None:
    """100 ms there and back for each packet: the newest state comes between results of before."""
    count = 60
    await append(journal, results(1, count))
    with broker(tmp_path / "broker", *UNBOUNDED) as server:
        await server.start()
        async with proxy(server.port) as network:
            network.delay_s, network.bytes_per_s = 0.05, 500_000.0
            outlet = outlet_of(entry(network.port), journal, tmp_path)
            with subscriber(server.port, tmp_path / "heard") as listener:
                await until(lambda: "Received SUBSCRIBE" in server.log, WAIT_S)
                async with serving(outlet), changing(outlet):
                    await until(lambda: len(listener.documents("results")) == count, 120.0)
                    await until(lambda: listener.documents("status"), WAIT_S)
    assert ids(listener) == expected(count)
    kinds = [m.topic.rpartition("/")[2] for m in listener.heard]
    first, last = kinds.index("results"), len(kinds) - 1 - kinds[::-1].index("results")
    assert kinds[first:last].count("state") >= 5
    values = [d["points"]["FlashPoint"]["value"] for d in listener.documents("state")]
    assert values == sorted(values), "an old state came after a newer one"
    assert network.connections == 1


async def test_a_network_that_is_cut_again_and_again(tmp_path: Path, journal: Journal) -> None:
    """Reset in the middle of it, five times; nothing is missing, and repeats are told by the id."""
    count = 1000
    await append(journal, results(1, count))
    with broker(tmp_path / "broker", *UNBOUNDED) as server:
        await server.start()
        async with proxy(server.port) as network:
            network.bytes_per_s = 1e6
            outlet = outlet_of(entry(network.port), journal, tmp_path)
            with subscriber(server.port, tmp_path / "heard") as listener:
                await until(lambda: "Received SUBSCRIBE" in server.log, WAIT_S)
                async with serving(outlet):
                    for done in range(150, 900, 150):
                        await until(lambda n=done: len(listener.documents("results")) >= n, WAIT_S)
                        network.cut()
                    await until(lambda: journal.pending("mqtt:panel") == 0, WAIT_S)
                    await until(lambda: len(ids(listener)) == count, WAIT_S)
    assert ids(listener) == expected(count)
    assert network.connections >= 6
    print(f"\n{len(listener.documents('results')) - count} repeats over 5 cuts")


async def test_a_network_that_goes_silent(tmp_path: Path, journal: Journal) -> None:
    """Nobody is told; after timeout_s without an acknowledgement the session is given up."""
    with broker(tmp_path / "broker") as server:
        await server.start()
        async with proxy(server.port) as network:
            outlet = outlet_of(entry(network.port, timeout_s=1), journal, tmp_path)
            with subscriber(server.port, tmp_path / "heard") as listener:
                await until(lambda: "Received SUBSCRIBE" in server.log, WAIT_S)
                async with serving(outlet):
                    for number in (1, 2):
                        await append(journal, results(number, 1))
                        await until(lambda: journal.pending("mqtt:panel") == 0, WAIT_S)
                    network.silent = True
                    await append(journal, results(3, 50))
                    await until(lambda: outlet.figures.connected_since is None, WAIT_S)
                    assert outlet.figures.fault
                    network.cut()
                    network.silent = False
                    await until(lambda: journal.pending("mqtt:panel") == 0, WAIT_S)
                    await until(lambda: len(ids(listener)) == 52, WAIT_S)
    late = {d["id"]: d["is_late"] for d in listener.documents("results")}
    assert late["fp-101/0/2"] is False
    assert late["fp-101/0/52"] is True


async def test_ending_while_the_network_is_silent(tmp_path: Path, journal: Journal) -> None:
    """A clean end does not wait for a broker that does not answer longer than its last words."""
    with broker(tmp_path / "broker") as server:
        await server.start()
        async with proxy(server.port) as network:
            outlet = outlet_of(entry(network.port, timeout_s=120), journal, tmp_path)
            async with serving(outlet):
                await until(lambda: outlet.figures.connected_since is not None, WAIT_S)
                network.silent = True
                await append(journal, results(1, 50))
            network.cut()  # reached although the timeout is two minutes
    assert journal.pending("mqtt:panel") > 0
