"""What a consumer may believe at every moment: after an end without an answer, after a broker's
restart with what it retained yesterday, of a session that stood long, of brokers that can do less.

Peers: mosquitto and mosquitto_sub; a proxy of the tests'.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from edgeflash.journal import Journal
from tests.peers.broker import WAIT_S, broker, subscriber
from tests.peers.mqtt_outlets import entry, outlet_of, serving
from tests.peers.slow_proxy import proxy
from tests.unit.outlets.builders import accepted_view
from tests.waiting import until

pytestmark = pytest.mark.peer("mosquitto", "mosquitto_sub")


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal.open(tmp_path / "journal.sqlite3") as opened:
        yield opened


async def test_an_end_that_cannot_be_told_is_no_goodbye(tmp_path: Path, journal: Journal) -> None:
    """The broker's answers do not come, so there is no room for the last words. A DISCONNECT would
    have it throw away the will (MQTT 5.0, 3.14.4), and "online" would stand for ever."""
    settings = ("allow_anonymous true", "max_inflight_messages 2")
    names = ("fp-101", "fp-102")
    with broker(tmp_path / "broker", *settings) as server:
        await server.start()
        with subscriber(server.port, tmp_path / "heard") as listener:
            async with proxy(server.port) as between:
                one = entry(between.port, timeout_s=60, heartbeat_s=50)
                outlet = outlet_of(one, journal, tmp_path)
                async with serving(outlet, *map(accepted_view, names)):
                    await until(lambda: listener.documents("status"), WAIT_S)
                    assert listener.documents("status")[-1]["state"] == "online"
                    between.deaf = True
                    await outlet.publish([accepted_view(name, value_c=70.0) for name in names])
                    session = outlet._connection._session
                    assert session is not None
                    await until(session._room.locked, WAIT_S)
                await until(lambda: listener.documents("status")[-1]["state"] == "offline", 30.0)
                assert listener.documents("status")[-1]["reason"] == "the connection was lost"
