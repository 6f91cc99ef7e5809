"""MQTT outlets for the broker tests: the outlet of the gateway, on a journal of the test's own."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterable
from contextlib import asynccontextmanager
from datetime import timedelta
from pathlib import Path

from edgeflash.config.mqtt_entry import MqttEntry
from edgeflash.config.site import SiteFile, SiteHeader
from edgeflash.gateway.mqtt_outlets import settle_consumers
from edgeflash.journal import Journal
from edgeflash.model import Result, Verdict
from edgeflash.outlets.mqtt import MqttOutlet
from edgeflash.outlets.mqtt_speech import JsonSpeaker
from edgeflash.publication import View
from edgeflash.service import SYSTEM_CLOCK, Clock
from tests.unit.outlets.builders import START, accepted_view, analyzer, result

SITE = "Invented Bend"
ROOT = "edgeflash/invented-bend"
VERDICTS = (Verdict.ACCEPTED, Verdict.DOUBTFUL, Verdict.ACCEPTED, Verdict.REJECTED)


def entry(port: int, **more: object) -> MqttEntry:
    """An entry for a broker on loopback without TLS, with short times."""
    fields: dict[str, object] = {
        "id": "panel",
        "host": "127.0.0.1",
        "port": port,
        "tls": False,
        "backoff_first_s": 0.1,
        "backoff_max_s": 0.4,
        "state_every_s": 0.2,
        "heartbeat_s": 1.0,
        "start_from": "journal",
    }
    return MqttEntry.model_validate(fields | more)


def results(first: int, count: int, name: str = "fp-101") -> list[Result]:
    """Cycles in a row, of every verdict."""
    return [
        result(
            name,
            number,
            60.0 + number % 7,
            VERDICTS[number % len(VERDICTS)],
            START + timedelta(minutes=5 * number),
        )
        for number in range(first, first + count)
    ]


async def append(journal: Journal, made: Iterable[Result]) -> None:
    """Puts results into the journal, synced."""
    waiting = list(made)
    while waiting:
        some, waiting = waiting[:1000], waiting[1000:]
        await asyncio.gather(*(journal.append_async(one) for one in some))


def outlet_of(
    one: MqttEntry, journal: Journal, folder: Path, clock: Clock = SYSTEM_CLOCK
) -> MqttOutlet:
    """The outlet, its place in the journal settled."""
    header = SiteHeader(name=SITE)
    file = SiteFile(site=header, mqtt=(one,), analyzers=(analyzer(),))
    settle_consumers(file, journal)
    speaker = JsonSpeaker(one, SITE, ["fp-101"], journal, clock)
    return MqttOutlet(one, SITE, folder, speaker, clock)


@asynccontextmanager
async def serving(outlet: MqttOutlet, *views: View) -> AsyncIterator[MqttOutlet]:
    """The outlet at work, as its runner has it."""
    await outlet.start()
    await outlet.publish(views or (accepted_view(),))
    try:
        yield outlet
    finally:
        await outlet.stop()
