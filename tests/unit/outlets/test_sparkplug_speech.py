"""The shell of a Sparkplug node where no broker is needed. The rest is tested with a real one, in
tests/peers/test_sparkplug_broker.py."""

from __future__ import annotations

from pathlib import Path

import pytest

from edgeflash.config.mqtt_entry import MqttEntry
from edgeflash.journal import Journal
from edgeflash.outlets.sparkplug_host import HostStateError
from edgeflash.outlets.sparkplug_speech import SparkplugSpeaker
from tests.sparkplug_reading import read
from tests.unit.outlets.builders import accepted_view

ENTRY = MqttEntry(
    id="plant",
    form="sparkplug",
    host="192.0.2.40",
    group_id="Invented Bend",
    node_id="gateway-1",
    primary_host="control-room",
)


def speaker(journal: Journal) -> SparkplugSpeaker:
    """The speaker of one analyzer."""
    return SparkplugSpeaker(ENTRY, "Invented Bend", {"fp-101": 1}, journal)


async def bdseq(one: SparkplugSpeaker) -> int:
    """Of its next will."""
    will = await one.will()
    assert (will.topic, will.qos, will.retain) == (
        "spBv1.0/Invented Bend/NDEATH/gateway-1",
        1,
        False,
    )
    value: int = read(will.payload).named("bdSeq").value
    return value


async def test_bdseq_is_on_disk_before_it_is_used_and_goes_on_after_a_restart(
    tmp_path: Path,
) -> None:
    """Statement topics-nbirth-bdseq-increment: over restarts of the gateway too, killed or not."""
    with Journal.open(tmp_path / "journal.sqlite3") as journal:
        first = speaker(journal)
        for expected in (0, 1, 2):
            assert await bdseq(first) == expected
            with Journal.open_readonly(journal.path) as other:
                assert other.states()["sparkplug plant bdSeq"] == str(expected)
    with Journal.open(tmp_path / "journal.sqlite3") as journal:
        assert await bdseq(speaker(journal)) == 3


async def test_a_disk_that_refuses_does_not_keep_the_node_from_connecting(tmp_path: Path) -> None:
    """A full disk stops nothing that need not stop."""
    journal = Journal.open(tmp_path / "journal.sqlite3")
    one = speaker(journal)
    assert await bdseq(one) == 0
    journal.close()
    assert await bdseq(one) == 1


async def test_what_is_held_for_the_host_is_told(tmp_path: Path) -> None:
    """While a session stands and the primary host is away, the outlet has a fault."""
    with Journal.open(tmp_path / "journal.sqlite3") as journal:
        one = speaker(journal)
        one.offer([accepted_view()])
        assert one.fault == ""
        one._node.connected()
        assert "control-room is not online" in one.fault


async def test_a_host_that_speaks_of_an_older_time_is_told(tmp_path: Path) -> None:
    """Its clock was ahead once, or somebody spoke in its name: what it says now does not count
    (operational-behavior-edge-node-termination-host-offline-timestamp), and is no presence."""
    topic = "spBv1.0/STATE/control-room"
    with Journal.open(tmp_path / "journal.sqlite3") as journal:
        one = speaker(journal)
        one.offer([accepted_view()])
        one._node.connected()
        one._node.received(topic, b'{"online": true, "timestamp": 4000000000000}')
        assert "not online" in one.fault  # its births are still to come
        with pytest.raises(HostStateError, match="check the clock"):
            one._node.received(topic, b'{"online": false, "timestamp": 1900000000000}')
        assert "says what is older" in one.fault
        assert one._node.presences == 1
        one._node.received(topic, b'{"online": true, "timestamp": 4000000000000}')
        assert "says what is older" not in one.fault
        with pytest.raises(HostStateError):
            one._node.received(topic, b'{"online": true, "timestamp": 1900000000000}')
        one._node.connected()
        assert "says what is older" not in one.fault
