"""An independent OPC UA client reads the history, and watches with deadband and queue.

Peer: node-opcua (read_history.js, watch_item.js), a stack of its own in another language. What it
reads is compared with the results that went in; status codes are those of OPC 10000-6, A.2.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from edgeflash.gateway.history_source import HistorySource
from edgeflash.history import HistoryWriter
from edgeflash.journal import Journal
from edgeflash.model import Result, Verdict
from edgeflash.outlets.opcua import OpcUaOutlet
from tests.peers.programs import node_modules
from tests.peers.running import HERE, Peer, running
from tests.unit.outlets import builders

pytestmark = pytest.mark.peer("node", "node-opcua")

FIRST = datetime(2024, 1, 31, 20, 0, tzinfo=UTC)
EVERY = timedelta(minutes=5)
COUNT, FLUSHED, PAGE = 96, 80, 25
"""Eight hours over the end of a month; the last sixteen cycles stand in the journal only."""


def made(number: int) -> Result:
    """Every 10th is rejected, every 12th doubtful."""
    verdict = Verdict.ACCEPTED
    if number % 12 == 6:
        verdict = Verdict.DOUBTFUL
    if number % 10 == 4:
        verdict = Verdict.REJECTED
    at = FIRST + number * EVERY
    return builders.result("fp-101", number, 60.0 + number % 9 / 4, verdict, at)


RESULTS = [made(number) for number in range(COUNT)]


@pytest.fixture
async def outlet(tmp_path: Path) -> AsyncIterator[OpcUaOutlet]:
    """An outlet on a free port, with a history."""
    journal = await asyncio.to_thread(Journal.open, tmp_path / "journal.db")
    await _append(journal, RESULTS[:FLUSHED])
    await asyncio.to_thread(HistoryWriter(journal, tmp_path / "history").flush)
    await _append(journal, RESULTS[FLUSHED:])
    analyzers = (builders.analyzer(),)
    source = HistorySource(tmp_path / "history", journal, analyzers)
    one = OpcUaOutlet(builders.opcua(), analyzers, "Invented Bend", history=source)
    await one.start()
    try:
        yield one
    finally:
        await one.stop()
        await asyncio.to_thread(journal.close)


async def _append(journal: Journal, results: list[Result]) -> None:
    await asyncio.gather(*(asyncio.wrap_future(journal.append(r)) for r in results))


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    """Where the client finds its library, and keeps the key that it makes."""
    return {"NODE_PATH": str(node_modules()), "PKI_FOLDER": str(tmp_path / "pki")}


async def next_object(peer: Peer) -> dict[str, Any]:
    """The next JSON object that the client prints."""
    heard = json.loads("{" + await peer.hear("{"))
    assert isinstance(heard, dict)
    return heard


def instant(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC)


def values_of(pages: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [value for page in pages for value in page["values"]]


async def test_history(outlet: OpcUaOutlet, environment: dict[str, str]) -> None:
    """Raw in pages, both ways; processed; at time; and what the server says it can."""
    end = FIRST + COUNT * EVERY
    node = "ns=2;s=fp-101.flash_point_c"
    times = (FIRST.isoformat(), end.isoformat())
    command = ["node", str(HERE / "read_history.js"), outlet.endpoint, node, *times]
    async with running([*command, "3600000", str(PAGE)], environment) as peer:
        seen = await next_object(peer)

    raw = values_of(seen["raw"])
    assert [len(page["values"]) for page in seen["raw"]] == [25, 25, 25, 21]
    assert [instant(v["at"]) for v in raw] == [r.sampled_at for r in RESULTS]
    for value, result in zip(raw, RESULTS, strict=True):
        severity = {Verdict.ACCEPTED: 0, Verdict.DOUBTFUL: 1, Verdict.REJECTED: 2}[result.verdict]
        assert value["status"] >> 30 == severity
        assert value.get("value") == result.published_c
    backward = values_of(seen["backward"])
    assert [instant(v["at"]) for v in backward] == [r.sampled_at for r in RESULTS[:0:-1]]
    assert (seen["released"], seen["afterRelease"]) == ("Good", "BadContinuationPointInvalid")

    hours = [RESULTS[12 * h : 12 * h + 12] for h in range(COUNT // 12)]
    for name, figure in (
        ("Average", lambda good: sum(good) / len(good)),
        ("Minimum", min),
        ("Maximum", max),
        ("Count", len),
    ):
        told = values_of(seen["processed"][name])
        assert [instant(v["at"]) for v in told] == [FIRST + timedelta(hours=h) for h in range(8)]
        for value, hour in zip(told, hours, strict=True):
            good = [r.published_c for r in hour if r.verdict is Verdict.ACCEPTED]
            assert value["value"] == pytest.approx(figure(good)), name
    for value, hour in zip(values_of(seen["processed"]["PercentGood"]), hours, strict=True):
        # One cycle in twelve is a twelfth of the hour; what stands at its start is known too.
        good_count = sum(r.verdict is Verdict.ACCEPTED for r in hour)
        assert value["value"] == pytest.approx(100.0 * good_count / 12)
    assert seen["unsupported"] == "BadAggregateNotSupported"

    exact, between = values_of(seen["atTime"])
    assert (exact["status"], exact["value"]) == (0, RESULTS[0].published_c)
    assert (between["status"], between["value"]) == (0x402, RESULTS[0].published_c)
    can = seen["capabilities"]
    assert can["accessHistoryDataCapability"]["value"] is True
    assert can["accessHistoryEventsCapability"]["value"] is False
    assert can["insertDataCapability"]["value"] is False


def watch(outlet: OpcUaOutlet, *words: str, point: str = "flash_point_c") -> list[str]:
    node = f"ns=2;s=fp-101.{point}"
    return ["node", str(HERE / "watch_item.js"), outlet.endpoint, node, *words]


async def show(outlet: OpcUaOutlet, *values_c: float) -> None:
    for value_c in values_c:
        await outlet.publish([builders.accepted_view(value_c=value_c)])


async def test_overflow_is_seen(outlet: OpcUaOutlet, environment: dict[str, str]) -> None:
    """A queue of three, filled within one publishing interval."""
    await show(outlet, 60.0)
    command = watch(outlet, "3000", "3", "oldest", "0", "0")
    async with running(command, environment) as peer:
        assert await next_object(peer) == {"granted": 3}
        await show(outlet, 61.0, 62.0, 63.0, 64.0)
        told = [await next_object(peer)]
        while told[-1]["value"] != 64.0:
            told.append(await next_object(peer))
    # On a busy machine the first value may have gone out before the burst.
    last = told[-3:]
    assert [v["value"] for v in last] == [62.0, 63.0, 64.0]
    assert [v["overflow"] for v in last] == [True, False, False]


async def test_a_deadband_is_kept(outlet: OpcUaOutlet, environment: dict[str, str]) -> None:
    """1 °C: a drift adds up; a bad value and the one after it come in any case."""
    await show(outlet, 60.0)
    command = watch(outlet, "100", "10", "oldest", "1", "1.0")
    async with running(command, environment) as peer:
        assert "granted" in await next_object(peer)
        assert (await next_object(peer))["value"] == 60.0
        await show(outlet, 60.5, 60.9, 61.4, 61.9)
        await outlet.publish([builders.rejected_view(held=False)])
        await show(outlet, 62.0)
        told = [await next_object(peer) for _ in range(3)]
    assert [v.get("value") for v in told] == [61.4, None, 62.0]
    assert told[1]["status"] == 0x809B0000


async def test_a_percent_deadband_needs_a_range(
    outlet: OpcUaOutlet, environment: dict[str, str]
) -> None:
    """OPC 10000-8, 7.2: BadDeadbandFilterInvalid where no EURange is."""
    await show(outlet, 60.0)
    command = watch(outlet, "100", "10", "oldest", "2", "1.0", point="cycle_number")
    async with running(command, environment) as peer:
        assert "BadDeadbandFilterInvalid" in (await next_object(peer))["refused"]
