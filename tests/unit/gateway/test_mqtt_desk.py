"""What people may ask of the MQTT outlets, who may, and what the event record has of it."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import pytest

from edgeflash.access import OperationRefusedError, UserRole, Who
from edgeflash.gateway.mqtt_desk import MqttDesk, UnknownOutletError
from edgeflash.journal import Journal
from edgeflash.model import EventEntry, EventKind
from edgeflash.outlets.mqtt_aside import AsideList, SetAside, keepers
from edgeflash.service import SYSTEM_CLOCK
from tests.peers.mqtt_outlets import entry, outlet_of

AT = datetime(2031, 4, 5, 6, 7, 8, tzinfo=UTC)
ASIDE = SetAside(7, "fp-101/0/7", "edgeflash/depot/results", 0x95, "Packet too large", AT)


def who(role: UserRole) -> Who:
    """Somebody at the gateway's machine."""
    return Who("jo", role, "operator socket")


@dataclass
class Bench:
    """A desk over one outlet that is not connected and has one message set aside."""

    desk: MqttDesk
    journal: Journal
    events: list[EventEntry] = field(default_factory=list)


@pytest.fixture
async def bench(tmp_path: Path) -> AsyncIterator[Bench]:
    with Journal.open(tmp_path / "journal.sqlite3") as journal:
        await AsideList(journal, "mqtt:panel").put(ASIDE)
        one = entry(1883)
        outlet = outlet_of(one, journal, tmp_path)
        events: list[EventEntry] = []
        desk = MqttDesk(lambda: [(one, outlet)], events.append, SYSTEM_CLOCK)
        yield Bench(desk, journal, events)


async def test_whoever_may_ask_is_told(bench: Bench) -> None:
    """What is set aside, why, and how the broker is reached."""
    reply = await bench.desk.answer("mqtt_list", {}, who(UserRole.OBSERVER))
    (row,) = reply["outlets"]
    assert (row["outlet"], row["connected_since"], row["set_aside"]) == ("panel", None, 1)
    (message,) = row["messages"]
    assert (message["id"], message["code"]) == (ASIDE.id, 0x95)
    assert bench.events == []


@pytest.mark.parametrize(
    ("wish", "lowest"),
    [("mqtt_retry", UserRole.OPERATOR), ("mqtt_give_up", UserRole.ENGINEER)],
)
async def test_roles(bench: Bench, wish: str, lowest: UserRole) -> None:
    """The lowest role that may, and none below it; nothing is done for those."""
    for role in UserRole:
        if role < lowest:
            with pytest.raises(OperationRefusedError, match=lowest.name.lower()):
                await bench.desk.answer(wish, {"outlet": "panel"}, who(role))
            assert keepers(bench.journal)
            assert bench.events == []
    assert await bench.desk.answer(wish, {"outlet": "panel"}, who(lowest)) == {"messages": 1}
    (told,) = bench.events
    kinds = {
        "mqtt_retry": EventKind.MESSAGES_TRIED_AGAIN,
        "mqtt_give_up": EventKind.MESSAGES_GIVEN_UP,
    }
    assert (told.kind, told.who, told.via) == (kinds[wish], "jo", "operator socket")
    assert bool(keepers(bench.journal)) is (wish == "mqtt_retry")


@pytest.mark.parametrize("name", ["other", "", None, 7])
async def test_an_outlet_that_is_not_there(bench: Bench, name: object) -> None:
    """Whatever is sent."""
    with pytest.raises(UnknownOutletError, match="there are: panel"):
        await bench.desk.answer("mqtt_retry", {"outlet": name}, who(UserRole.ENGINEER))
