"""Sparkplug outlets for the broker tests: the gateway's own, and what a listener has heard."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from datetime import timedelta
from pathlib import Path

from edgeflash.config.mqtt_entry import MqttEntry
from edgeflash.config.site import SiteFile, SiteHeader
from edgeflash.gateway.mqtt_outlets import settle_consumers
from edgeflash.journal import Journal
from edgeflash.model import Result
from edgeflash.outlets.mqtt import MqttOutlet
from edgeflash.outlets.sparkplug_speech import SparkplugSpeaker
from edgeflash.publication import View
from tests.peers.broker import Broker
from tests.peers.sparkplug_peers import Heard, Watch
from tests.sparkplug_reading import with_datatype
from tests.unit.outlets.builders import START, accepted_view, analyzer, result, with_heartbeat

NAMES = ("fp-101", "fp-102")


def entry(broker: Broker, **more: object) -> MqttEntry:
    """An entry for this broker, from the beginning of the journal, that reconnects quickly."""
    fields: dict[str, object] = {
        "id": "plant",
        "form": "sparkplug",
        "host": "127.0.0.1",
        "port": broker.port,
        "tls": False,
        "group_id": "Invented Bend",
        "node_id": "gateway-1",
        "start_from": "journal",
        "backoff_first_s": 0.1,
        "backoff_max_s": 0.5,
    }
    return MqttEntry.model_validate(fields | more)


def views(beat: int = 0) -> list[View]:
    """Both analyzers, to be reached."""
    return [with_heartbeat(accepted_view(name), beat) for name in NAMES]


@asynccontextmanager
async def running(
    one: MqttEntry, journal: Journal, tmp_path: Path, shown: Callable[[int], list[View]] = views
) -> AsyncIterator[MqttOutlet]:
    """The outlet at work, shown views as the gateway does: many times a second here."""
    analyzers = tuple(analyzer(name, number) for number, name in enumerate(NAMES, 1))
    header = SiteHeader(name="Invented Bend")
    settle_consumers(SiteFile(site=header, mqtt=(one,), analyzers=analyzers), journal)
    numbers = {each.id: each.number for each in analyzers}
    speaker = SparkplugSpeaker(one, header.name, numbers, journal, proof_every_s=0.1)
    outlet = MqttOutlet(one, header.name, tmp_path, speaker)
    await outlet.start()

    async def show() -> None:
        beat = 0
        while True:
            beat += 1
            await outlet.publish(shown(beat))
            await asyncio.sleep(0.05)

    showing = asyncio.create_task(show())
    try:
        yield outlet
        assert not showing.done()
    finally:
        showing.cancel()
        await asyncio.wait({showing})
        await outlet.stop()


def stored(journal: Journal, numbers: Sequence[int], name: str = "fp-101") -> list[Result]:
    """Results of the journal, a minute apart."""
    made = [result(name, n, 60.0 + n / 1000, at=START + timedelta(minutes=n)) for n in numbers]
    for future in [journal.append(one) for one in made]:
        future.result()
    return made


def results(watch: Watch, name: str = "fp-101") -> list[tuple[str, bool, int | None]]:
    """Id, historical flag and time of each result heard, in the order of arrival."""
    found = []
    alias = NAMES.index(name) * 1000 + 1400
    for heard in watch.of(f"DDATA {name}.record"):
        for metric in heard.payload.metrics:
            if metric.alias == alias:
                told = str(with_datatype(metric, 12))
                found.append((told, metric.is_historical, metric.timestamp))
    return found


def ids(watch: Watch, name: str = "fp-101") -> list[str]:
    """Of the results heard."""
    return [told for told, _, _ in results(watch, name)]


def without_repeats(told: Sequence[str]) -> list[str]:
    """As a consumer keeps them: the first of each id."""
    return list(dict.fromkeys(told))


def expected(numbers: Sequence[int], name: str = "fp-101") -> list[str]:
    """Their ids."""
    return [f"{name}/0/{n}" for n in numbers]


BIRTHS = [
    "NBIRTH",
    "DBIRTH fp-101.record",
    "DBIRTH fp-102.record",
    "DBIRTH fp-101",
    "DBIRTH fp-102",
]


def sequence(heard: Sequence[Heard]) -> list[int | None]:
    """The sequence numbers of messages that have one."""
    return [one.payload.seq for one in heard if one.kind != "NDEATH"]
