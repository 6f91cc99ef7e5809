"""How a Sparkplug outlet drains a long history, and what that does to live values.

Needs mosquitto and mosquitto_sub. `python tests/bench/bench_sparkplug.py [--results 10000]` prints
figures: results per second, the memory that the drain takes, and the time from a view to a
subscriber, before and during the drain. The subscriber is a process of its own.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import resource
import shutil
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from edgeflash.config.mqtt_entry import MqttEntry
from edgeflash.journal import Journal
from edgeflash.outlets.mqtt import MqttOutlet
from edgeflash.outlets.sparkplug_catalogue import device_alias
from edgeflash.outlets.sparkplug_speech import SparkplugSpeaker
from edgeflash.points import CATALOGUE
from tests.peers.broker import Broker
from tests.peers.sparkplug_peers import SETTINGS
from tests.sparkplug_reading import read
from tests.unit.outlets.builders import START, accepted_view, result, with_heartbeat
from tests.waiting import until

NAMES = tuple(f"fp-{n}" for n in range(101, 111))
HEARTBEAT = device_alias(1, next(p for p in CATALOGUE if p.name == "heartbeat"))
IDLE_S = 10.0


async def main(count: int) -> None:
    """Fills a journal, drains it, tells."""
    with tempfile.TemporaryDirectory() as name, Journal.open(Path(name) / "j.sqlite3") as journal:
        folder = Path(name)
        broker = Broker(folder, SETTINGS)
        await broker.start()
        heard = folder / "heard.txt"
        try:
            with heard.open("wb") as out:
                listener = await asyncio.create_subprocess_exec(
                    str(shutil.which("mosquitto_sub")),
                    *("-h", "127.0.0.1", "-p", str(broker.port), "-t", "spBv1.0/#"),
                    *("-F", "%U %x %t"),
                    stdout=out,
                )
            try:
                began_s, ended_s, took_kb = await drain(broker, journal, folder, count)
            finally:
                listener.terminate()
                await listener.wait()
        finally:
            broker.kill()
        tell(heard, count, began_s, ended_s, took_kb)


async def drain(
    broker: Broker, journal: Journal, folder: Path, count: int
) -> tuple[float, float, int]:
    """When the drain began and ended (Unix time), and by how much the largest memory rose (kB)."""
    entry = MqttEntry.model_validate(
        {
            "id": "bench",
            "form": "sparkplug",
            "host": "127.0.0.1",
            "port": broker.port,
            "tls": False,
            "group_id": "g",
            "node_id": "n",
            "start_from": "journal",
        }
    )
    numbers = {name: place for place, name in enumerate(NAMES, 1)}
    speaker = SparkplugSpeaker(entry, "bench", numbers, journal)
    outlet = MqttOutlet(entry, "bench", folder, speaker)
    await outlet.start()

    async def show() -> None:
        beat = 0
        while True:
            beat += 1
            now = datetime.now(UTC)
            views = [with_heartbeat(accepted_view(name), beat % 65536) for name in NAMES]
            await outlet.publish([replace(view, at=now) for view in views])
            await asyncio.sleep(0.1)

    showing = asyncio.create_task(show())
    try:
        await asyncio.sleep(IDLE_S)
        before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        began_s = datetime.now(UTC).timestamp()
        for start in range(0, count, 500):
            made = [
                result(NAMES[n % 10], n // 10, at=START + timedelta(minutes=n))
                for n in range(start, min(count, start + 500))
            ]
            await asyncio.gather(*(journal.append_async(one) for one in made))
        # Born again, as after an outage: all of it is history now.
        speaker._node._rebirth = True
        await until(lambda: speaker._delivery.sent >= journal.newest(), 600.0, every_s=0.05)
        ended_s = datetime.now(UTC).timestamp()
        took_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb
    finally:
        showing.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await showing
        await outlet.stop()
    return began_s, ended_s, took_kb


def tell(heard: Path, count: int, began_s: float, ended_s: float, took_kb: int) -> None:
    """Prints the figures."""
    idle: list[float] = []
    busy: list[float] = []
    told: list[str] = []
    times: list[float] = []
    for line in heard.read_text().splitlines():
        at, data, topic = line.split(" ", 2)
        at_s = float(at)
        if "/DDATA/" not in topic:
            continue
        for metric in read(bytes.fromhex(data)).metrics:
            if metric.alias == HEARTBEAT and metric.timestamp is not None:
                late_s = at_s - metric.timestamp / 1000
                (busy if began_s <= at_s <= ended_s else idle).append(late_s)
            elif metric.alias is not None and metric.alias % 1000 == 400:
                told.append(metric.value.decode())
                times.append(at_s)
    order = list(dict.fromkeys(told))
    assert len(order) == count, f"{len(order)} of {count} results were heard"
    print(f"results heard        {len(told)}, of which {len(told) - len(order)} repeats")
    print(f"results per second   {len(told) / (times[-1] - times[0]):.0f}")
    print(f"memory of the drain  {took_kb / 1024:.1f} MB")
    for name, late in (("before", idle), ("during", busy)):
        print(f"live, {name} drain   {figures(late)}")


def figures(late_s: Sequence[float]) -> str:
    """Median, 99th percentile and most, in ms."""
    ordered = sorted(late_s)
    p99 = ordered[min(len(ordered) - 1, len(ordered) * 99 // 100)]
    half = ordered[len(ordered) // 2]
    return (
        f"median {half * 1000:.0f} ms, 99 % {p99 * 1000:.0f} ms, most {ordered[-1] * 1000:.0f} ms "
        f"of {len(ordered)}"
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--results", type=int, default=10_000)
    asyncio.run(main(parser.parse_args().results))
