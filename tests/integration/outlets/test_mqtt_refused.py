"""What a broker refuses: set aside when it is about the message itself, else waited for.

Reason codes: MQTT 5.0, 2.4 and 3.4.2.1. The peer speaks the protocol as the standard has it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from edgeflash.config.site import Site, SiteFile, SiteHeader
from edgeflash.gateway.history_keeper import HistoryKeeper
from edgeflash.history import CONSUMER as HISTORY
from edgeflash.history import HistoryWriter
from edgeflash.journal import Journal
from edgeflash.outlets import mqtt_aside, mqtt_drain
from edgeflash.outlets.mqtt_aside import keeper_of, keepers
from tests.peers.mqtt_outlets import append, entry, outlet_of, results, serving
from tests.peers.refusing_broker import SUCCESS, refusing_broker
from tests.unit.outlets.builders import analyzer
from tests.waiting import until

WAIT_S = 60.0
CONSUMER = "mqtt:panel"
TOPIC_NAME_INVALID, PACKET_TOO_LARGE, PAYLOAD_FORMAT_INVALID = 0x90, 0x95, 0x99
IMPLEMENTATION, UNSPECIFIED, NOT_AUTHORIZED, QUOTA_EXCEEDED = 0x83, 0x80, 0x87, 0x97
THE_THIRD = 3


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal.open(tmp_path / "journal.sqlite3") as opened:
        yield opened


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a second between two tries."""
    monkeypatch.setattr(mqtt_drain, "RETRY_FIRST_S", 0.05)
    monkeypatch.setattr(mqtt_drain, "RETRY_MAX_S", 0.2)


class Rule:
    """Refuses the results of some cycles with a code."""

    def __init__(self, code: int, *cycles: int) -> None:
        self.code = code
        self.cycles = set(cycles)

    def __call__(self, topic: str, document: Any) -> int:
        is_one = topic.endswith("/results") and document["cycle_number"] in self.cycles
        return self.code if is_one else SUCCESS


@pytest.mark.parametrize(
    "code", [TOPIC_NAME_INVALID, PACKET_TOO_LARGE, PAYLOAD_FORMAT_INVALID, IMPLEMENTATION]
)
async def test_set_aside_then_delivered_when_asked(
    tmp_path: Path, journal: Journal, code: int
) -> None:
    """After tries; later ones go on in order; listed and kept until the broker has it."""
    await append(journal, results(1, 6))
    async with refusing_broker(rule := Rule(code, THE_THIRD)) as broker:
        outlet = outlet_of(entry(broker.port, set_aside_after_s=1), journal, tmp_path)
        with capture_logs() as logs:
            async with serving(outlet):
                await until(lambda: broker.results()[-3:] == [4, 5, 6], WAIT_S)
                await until(lambda: journal.pending(CONSUMER) == 0, WAIT_S)
                assert broker.results(of_all=True).count(THE_THIRD) >= mqtt_aside.TRIES
                assert THE_THIRD not in broker.results()
                (aside,) = outlet.speaker.aside
                assert (aside.id, aside.code) == (results(3, 1)[0].id, code)
                assert journal.positions()[keeper_of(CONSUMER)] == THE_THIRD - 1
                assert outlet.figures.aside == 1
                assert outlet.figures.fault == ""
                await append(journal, results(7, 1))
                await until(lambda: broker.results()[-1] == 7, WAIT_S)
                assert outlet.speaker.try_again() == 1
                await append(journal, results(8, 1))
                await until(lambda: broker.results()[-1] == 8, WAIT_S)
                assert len(outlet.speaker.aside) == 1, "refused once more, and still not delivered"
                rule.cycles.clear()
                outlet.speaker.try_again()
                await until(lambda: THE_THIRD in broker.results(), WAIT_S)
                await until(lambda: outlet.speaker.aside == (), WAIT_S)
        (told,) = (line for line in logs if "set aside; it is not" in line["event"])
        assert (told["log_level"], told["id"]) == ("error", aside.id)
    await until(lambda: keepers(journal) == (), WAIT_S)


@pytest.mark.parametrize("code", [UNSPECIFIED, NOT_AUTHORIZED, QUOTA_EXCEEDED])
async def test_what_concerns_every_message_is_waited_for(
    tmp_path: Path, journal: Journal, code: int
) -> None:
    """However often: nothing is set aside, and nothing overtakes."""
    await append(journal, results(1, 3))
    async with refusing_broker(rule := Rule(code, 1)) as broker:
        outlet = outlet_of(entry(broker.port, set_aside_after_s=1), journal, tmp_path)
        async with serving(outlet):
            await until(lambda: broker.results(of_all=True).count(1) >= 12, WAIT_S)
            assert journal.position(CONSUMER) == 0
            assert outlet.speaker.aside == ()
            assert "does not take" in outlet.figures.fault
            rule.cycles.clear()
            await until(lambda: journal.pending(CONSUMER) == 0, WAIT_S)
    first = broker.results().index(1)
    assert broker.results()[first : first + 3] == [1, 2, 3]


async def test_one_that_is_refused_is_offered_alone(tmp_path: Path, journal: Journal) -> None:
    """Those behind it, sent with it the first time, do not come again with every try."""
    await append(journal, results(1, 20))
    async with refusing_broker(Rule(NOT_AUTHORIZED, 1)) as broker:
        outlet = outlet_of(entry(broker.port), journal, tmp_path)
        async with serving(outlet):
            await until(lambda: broker.results(of_all=True).count(1) >= 8, WAIT_S)
    assert max(broker.results(of_all=True).count(n) for n in range(2, 21)) <= 2


async def test_a_reason_that_passes_sets_nothing_aside(tmp_path: Path, journal: Journal) -> None:
    """Before its time is over: delivered in its place."""
    await append(journal, results(1, 3))
    async with refusing_broker(rule := Rule(PAYLOAD_FORMAT_INVALID, 1)) as broker:
        outlet = outlet_of(entry(broker.port, set_aside_after_s=3600), journal, tmp_path)
        async with serving(outlet):
            await until(lambda: broker.results(of_all=True).count(1) >= 8, WAIT_S)
            assert outlet.speaker.aside == ()
            rule.cycles.clear()
            await until(lambda: journal.pending(CONSUMER) == 0, WAIT_S)
        assert outlet.speaker.aside == ()


async def test_the_journal_keeps_what_is_set_aside(tmp_path: Path, journal: Journal) -> None:
    """Through the gateway's own upkeep, however old it gets; and lets go of it afterwards."""
    await append(journal, results(1, 200))
    journal.advance(HISTORY, 200)
    site = SiteFile(site=SiteHeader(name="Depot"), analyzers=(analyzer(),))
    made = Site(
        path=tmp_path / "site.toml",
        state_dir=tmp_path,
        history_dir=tmp_path / "history",
        file=site,
        maps={},
    )
    keeper = HistoryKeeper(
        HistoryWriter(journal, tmp_path / "history"),
        journal,
        made,
        Later(),
        lambda entry: None,
        lambda why: None,
        (CONSUMER,),
        also=partial(keepers, journal),
    )
    async with refusing_broker(rule := Rule(PAYLOAD_FORMAT_INVALID, THE_THIRD)) as broker:
        outlet = outlet_of(entry(broker.port, set_aside_after_s=1), journal, tmp_path)
        async with serving(outlet):
            await until(lambda: journal.pending(CONSUMER) == 0, WAIT_S)
            keeper.upkeep(lambda told: None)
            assert journal.entries_after(0, 1)[0].seq == THE_THIRD, "the two before it may go"
            rule.cycles.clear()
            outlet.speaker.try_again()
            await until(lambda: THE_THIRD in broker.results(), WAIT_S)
            await until(lambda: outlet.speaker.aside == (), WAIT_S)
    keeper.upkeep(lambda told: None)
    assert journal.entries_after(0, 1)[0].seq > THE_THIRD


class Later:
    """A clock a thousand years on."""

    def utc_now(self) -> datetime:
        return datetime(3031, 4, 5, tzinfo=UTC)

    def mono_s(self) -> float:
        return 0.0


async def test_a_restart_tries_again(tmp_path: Path, journal: Journal) -> None:
    """And an outlet that is taken out of the site file is owed nothing any more."""
    await append(journal, results(1, 3))
    async with refusing_broker(rule := Rule(PACKET_TOO_LARGE, 2)) as broker:
        one = entry(broker.port, set_aside_after_s=1)
        async with serving(first := outlet_of(one, journal, tmp_path)):
            await until(lambda: len(first.speaker.aside) == 1, WAIT_S)
        async with serving(second := outlet_of(one, journal, tmp_path)):
            assert len(second.speaker.aside) == 1, "known before there is a session"
            await append(journal, results(4, 1))
            await until(lambda: broker.results()[-1] == 4, WAIT_S)
            assert len(second.speaker.aside) == 1
        rule.cycles.clear()
        async with serving(third := outlet_of(one, journal, tmp_path)):
            await until(lambda: 2 in broker.results(), WAIT_S)
            await until(lambda: third.speaker.aside == (), WAIT_S)
        rule.cycles.add(5)
        await append(journal, results(5, 1))
        async with serving(fourth := outlet_of(one, journal, tmp_path)):
            await until(lambda: len(fourth.speaker.aside) == 1, WAIT_S)
        assert keepers(journal) == (keeper_of(CONSUMER),)
        outlet_of(entry(broker.port, id="other"), journal, tmp_path)
        assert keepers(journal) == ()


async def test_what_is_given_up_is_owed_no_more(tmp_path: Path, journal: Journal) -> None:
    """Not after a restart either."""
    await append(journal, results(1, 3))
    async with refusing_broker(rule := Rule(PACKET_TOO_LARGE, 2)) as broker:
        one = entry(broker.port, set_aside_after_s=1)
        async with serving(outlet := outlet_of(one, journal, tmp_path)):
            await until(lambda: len(outlet.speaker.aside) == 1, WAIT_S)
            (given,) = await outlet.speaker.give_up()
            assert given.number == 2
        rule.cycles.clear()
        async with serving(again := outlet_of(one, journal, tmp_path)):
            await append(journal, results(4, 1))
            await until(lambda: broker.results()[-1] == 4, WAIT_S)
            assert again.speaker.aside == ()
    assert 2 not in broker.results()
    assert keepers(journal) == ()


async def test_the_list_is_bounded(
    tmp_path: Path, journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A cause that is known takes no time again; with a full list the stream waits."""
    monkeypatch.setattr(mqtt_aside, "MOST_ASIDE", 4)
    await append(journal, results(1, 9))
    async with refusing_broker(rule := Rule(TOPIC_NAME_INVALID, *range(1, 9))) as broker:
        outlet = outlet_of(entry(broker.port, set_aside_after_s=2), journal, tmp_path)
        async with serving(outlet):
            await until(lambda: len(outlet.speaker.aside) == 4, WAIT_S)
            await until(lambda: broker.results(of_all=True).count(5) >= 8, WAIT_S)
            assert len(outlet.speaker.aside) == 4
            assert broker.results(of_all=True).count(2) <= 3
            assert "does not take" in outlet.figures.fault
            rule.cycles.clear()
            outlet.speaker.try_again()
            await until(lambda: set(broker.results()) == set(range(1, 10)), WAIT_S)
            await until(lambda: outlet.speaker.aside == (), WAIT_S)


async def test_a_break_while_something_is_tried(tmp_path: Path, journal: Journal) -> None:
    """The tries and the list outlive sessions."""
    await append(journal, results(1, 4))
    async with refusing_broker(Rule(PACKET_TOO_LARGE, 2)) as broker:
        outlet = outlet_of(entry(broker.port, set_aside_after_s=1), journal, tmp_path)
        async with serving(outlet):
            for count in (1, 2):
                await until(
                    lambda count=count: broker.results(of_all=True).count(2) >= count, WAIT_S
                )
                broker.drop()
                await asyncio.sleep(0)
            await until(lambda: journal.pending(CONSUMER) == 0, WAIT_S)
            assert [one.number for one in outlet.speaker.aside] == [2]
    assert {1, 3, 4} == set(broker.results())
