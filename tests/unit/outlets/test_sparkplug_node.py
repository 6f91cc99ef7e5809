"""The life of a Sparkplug edge node. Each test names the statements of the Eclipse Sparkplug
specification 3.0.0 that it checks, by their identifiers, from memory."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from edgeflash.outlets.sparkplug_host import HostStateError
from edgeflash.outlets.sparkplug_node import EdgeNode, PayloadError, Phase
from edgeflash.outlets.sparkplug_payload import DataType, Metric, Payload, encode
from edgeflash.points import CATALOGUE
from edgeflash.publication import LinkState
from tests.sparkplug_reading import read, with_datatype
from tests.unit.outlets.builders import (
    START,
    accepted_view,
    result,
    standing_of,
    view_of,
    with_heartbeat,
)
from tests.unit.outlets.sparkplug_builders import (
    HOSTED,
    NCMD,
    NODE,
    NOW,
    NUMBERS,
    STATE,
    UNITS,
    born,
    command,
    connected,
    down,
    kinds,
    payload,
    state,
)

# Births


def test_births_come_in_order_and_count_from_zero() -> None:
    """topics-nbirth-topic, topics-dbirth-topic, payloads-dbirth-order, payloads-dbirth-seq-inc,
    message-flow-edge-node-birth-publish-nbirth-payload-seq: the node, then its devices; an analyzer
    that cannot be reached has no living device, its record has."""
    _, messages = born()
    assert kinds(messages) == [
        "NBIRTH",
        "DBIRTH fp-101.record",
        "DBIRTH fp-102.record",
        "DBIRTH fp-101",
    ]
    assert [read(m.payload).seq for m in messages] == [0, 1, 2, 3]
    assert {m.qos for m in messages} == {0}
    assert {read(m.payload).timestamp for m in messages} == {1933138800000}


def test_node_birth_has_bdseq_and_the_rebirth_control() -> None:
    """topics-nbirth-bdseq-included, operational-behavior-data-commands-rebirth-name,
    -rebirth-datatype, -rebirth-value, -rebirth-name-aliases."""
    _, messages = born()
    birth = payload(messages, "NBIRTH")
    bdseq, rebirth = birth.named("bdSeq"), birth.named("Node Control/Rebirth")
    assert (bdseq.datatype, bdseq.value) == (4, 0)
    assert (rebirth.datatype, rebirth.value, rebirth.alias) == (11, False, None)
    assert birth.named("site").value == "Invented Bend"


def test_the_will_has_the_number_of_the_birth() -> None:
    """topics-nbirth-bdseq-matching, topics-ndeath-payload, topics-ndeath-seq,
    message-flow-edge-node-birth-publish-will-message-topic, -qos, -payload-bdSeq."""
    node = EdgeNode(NODE, NUMBERS, UNITS)
    node.restore(41)
    will = node.connecting(NOW)
    assert (will.topic, will.qos) == ("spBv1.0/Invented Bend/NDEATH/gateway-1", 1)
    (metric,) = read(will.payload).metrics
    assert (metric.name, metric.datatype, metric.value) == ("bdSeq", 4, 42)
    assert read(will.payload).seq is None
    node.connected()
    node.shown([accepted_view(), down("fp-102")], NOW)
    assert payload(node.births({}, NOW), "NBIRTH").named("bdSeq").value == 42


def test_bdseq_rises_with_every_connection_and_wraps() -> None:
    """topics-nbirth-bdseq-increment,
    message-flow-edge-node-birth-publish-will-message-payload-bdSeq: from 0; 0 follows 255."""
    node = EdgeNode(NODE, NUMBERS, UNITS)
    seen = []
    for _ in range(257):
        seen.append(read(node.connecting(NOW).payload).named("bdSeq").value)
        assert seen[-1] == node.bdseq
    assert seen == [*range(256), 0]


def test_nothing_is_born_before_every_analyzer_is_known() -> None:
    """topics-nbirth-metric-reqs: a birth must tell every metric."""
    node = EdgeNode(NODE, NUMBERS, UNITS)
    node.connecting(NOW)
    node.connected()
    assert not node.birth_due
    node.shown([accepted_view()], NOW)
    assert not node.birth_due
    node.shown([down("fp-102")], NOW)
    assert node.birth_due


# Data


def test_data_tells_only_what_changed_by_alias() -> None:
    """principles-rbe-recommended, payloads-alias-data-cmd-requirement,
    payloads-metric-datatype-not-req, topics-ddata-topic, topics-ddata-seq-num,
    topics-ddata-payload, payloads-ddata-seq-inc."""
    node, _ = born()
    assert node.shown([accepted_view()], NOW) == []
    messages = node.shown([with_heartbeat(accepted_view(), 8)], NOW)
    assert kinds(messages) == ["DDATA fp-101"]
    data = read(messages[0].payload)
    assert data.seq == 4
    (metric,) = data.metrics
    (heartbeat,) = (p for p in CATALOGUE if p.name == "heartbeat")
    assert (metric.name, metric.alias, metric.datatype) == (None, 1000 + heartbeat.register, None)
    assert with_datatype(metric, 6) == 8
    assert metric.timestamp is not None
    assert not metric.is_historical
    assert metric.properties == {"Quality": 192, "status": "Good"}


def test_the_same_value_of_a_new_sample_is_told() -> None:
    """operational-behavior-data-publish-dbirth-change: the source time is part of what is said."""
    node, _ = born()
    later = replace(result(cycle_number=17), sampled_at=START + timedelta(seconds=3))
    messages = node.shown([view_of(standing_of(later))], NOW)
    assert kinds(messages) == ["DDATA fp-101"]
    flash = read(messages[0].payload).aliased(1000)
    assert flash.timestamp == int((START + timedelta(seconds=3)).timestamp() * 1000)


def test_sequence_numbers_wrap_over_all_messages() -> None:
    """payloads-sequence-num-incrementing: 0 follows 255, over data of node and devices alike."""
    node, messages = born()
    for beat in range(8, 600):
        node.waiting = beat // 2
        messages += node.shown([with_heartbeat(accepted_view(), beat)], NOW)
    assert [read(m.payload).seq for m in messages] == [n % 256 for n in range(len(messages))]
    assert len(messages) > 800


def test_the_node_tells_of_itself() -> None:
    """topics-ndata-topic, topics-ndata-seq-num, topics-ndata-payload."""
    node, messages = born()
    alias = payload(messages, "NBIRTH").named("results_waiting").alias
    node.waiting = 10_000
    messages = node.shown([], NOW)
    assert kinds(messages) == ["NDATA"]
    data = read(messages[0].payload)
    assert data.seq == 4
    (metric,) = data.metrics
    assert (metric.alias, with_datatype(metric, 4)) == (alias, 10_000)
    assert node.shown([], NOW) == []


# Devices that come and go


def test_a_lost_analyzer_dies_and_its_record_lives_on() -> None:
    """operational-behavior-device-ddeath, topics-ddeath-topic, topics-ddeath-seq-num,
    payloads-ddeath-timestamp; what the gateway states goes on in the record."""
    node, messages = born()
    messages = node.shown([down()], NOW)
    assert kinds(messages) == ["DDATA fp-101.record", "DDEATH fp-101"]
    death = read(messages[1].payload)
    assert (death.metrics, death.seq, death.timestamp) == ([], 5, 1933138800000)
    record = read(messages[0].payload)
    (link,) = (p for p in CATALOGUE if p.name == "link_state")
    assert with_datatype(record.aliased(1600 + link.register), 6) == LinkState.DOWN
    assert node.shown([with_heartbeat(down(), 9)], NOW) == []


def test_a_low_flash_alarm_is_told_while_the_analyzer_is_away() -> None:
    """The asymmetry of safety holds for an analyzer that cannot be reached."""
    node, _ = born()
    node.shown([down()], NOW)
    alarmed = replace(down().standing, low_flash_alarm=True)
    messages = node.shown([replace(down(), standing=alarmed)], NOW)
    assert kinds(messages) == ["DDATA fp-101.record"]
    (low,) = (p for p in CATALOGUE if p.name == "possible_low_flash")
    assert with_datatype(read(messages[0].payload).aliased(1600 + low.register), 11) is True


def test_an_analyzer_that_comes_back_is_born_again() -> None:
    """message-flow-device-birth-publish-dbirth-payload-seq: with all metrics, before its data."""
    node, _ = born()
    messages = node.shown([accepted_view("fp-102")], NOW)
    assert kinds(messages) == ["DDATA fp-102.record", "DBIRTH fp-102"]
    assert len(read(messages[1].payload).metrics) == len(CATALOGUE)
    assert read(messages[1].payload).seq == 5
    messages = node.shown([with_heartbeat(accepted_view("fp-102"), 8)], NOW)
    assert kinds(messages) == ["DDATA fp-102"]


# Commands


def test_a_rebirth_command_brings_all_births_again() -> None:
    """operational-behavior-data-commands-rebirth-action-1, -2, -3, topics-ncmd-topic: nothing is
    sent until then, and bdSeq is that of the connection."""
    node, first = born()
    assert NODE.subscriptions == (NCMD,)
    node.received(NCMD, command())
    assert node.birth_due
    assert node.shown([with_heartbeat(accepted_view(), 8)], NOW) == []
    again = node.births({"fp-101": result()}, NOW)
    assert kinds(again) == kinds(first)
    assert [read(m.payload).seq for m in again] == [0, 1, 2, 3]
    assert payload(again, "NBIRTH").named("bdSeq").value == 0
    assert not node.birth_due


def test_a_rebirth_right_after_births_waits_and_data_goes_on() -> None:
    """Ours: a host that asks without end would get nothing but births."""
    node, _ = born()
    node.resting = True
    node.received(NCMD, command())
    assert not node.birth_due
    assert node.shown([with_heartbeat(accepted_view(), 8)], NOW)
    assert node.recorded(result(), NOW, is_historical=False)
    node.resting = False
    assert node.birth_due


def test_a_command_that_the_broker_kept_is_none() -> None:
    """topics-ncmd-mqtt: commands are not retained. STATE is."""
    node, _ = born(HOSTED)
    with pytest.raises(PayloadError, match="clear it"):
        node.received(NCMD, command(), is_retained=True)
    assert (node.birth_due, node.ignored) == (False, 1)
    node.received(STATE, state(False, 2000), is_retained=True)
    assert node.leave_due


def test_other_commands_are_ignored() -> None:
    """Nothing can be written; a rebirth that is not true is none."""
    node, _ = born()
    node.received(NCMD, command(value=False))
    node.received(NCMD, command("Node Control/Reboot"))
    node.received("spBv1.0/Invented Bend/DCMD/gateway-1/fp-101", command())
    text = Metric("Node Control/Rebirth", None, 0, DataType.STRING, "false")
    node.received(NCMD, encode(Payload(0, (text,), None)))
    assert not node.birth_due
    assert node.ignored == 4


def test_a_spoiled_command_changes_nothing() -> None:
    """Not even by the part of it that can be read."""
    node, _ = born()
    with pytest.raises(PayloadError):
        node.received(NCMD, command() + b"\x12\x7f")
    assert not node.birth_due


# The primary host


def test_births_wait_for_the_primary_host() -> None:
    """message-flow-edge-node-birth-publish-phid-wait,
    operational-behavior-edge-node-birth-sequence-wait: nothing until its STATE says online."""
    node = connected(HOSTED)
    assert HOSTED.subscriptions == (NCMD, STATE)
    assert not node.birth_due
    assert node.shown([with_heartbeat(accepted_view(), 8)], NOW) == []
    assert node.recorded(result(), NOW, is_historical=False) == []
    node.received(NCMD, command())
    assert not node.birth_due
    node.received(STATE, state(False, 1000))
    assert not node.birth_due
    assert not node.leave_due
    node.received(STATE, state(True, 2000))
    assert node.birth_due


def test_a_host_that_goes_makes_the_node_leave() -> None:
    """operational-behavior-edge-node-termination-host-offline: NDEATH at once, then disconnect; and
    operational-behavior-edge-node-intentional-disconnect-ndeath."""
    node, _ = born(HOSTED)
    node.received(STATE, state(False, 1000))
    assert node.leave_due
    (death,) = node.leaving(NOW)
    assert (death.topic, death.qos) == ("spBv1.0/Invented Bend/NDEATH/gateway-1", 1)
    assert read(death.payload).named("bdSeq").value == node.bdseq
    assert read(death.payload).seq is None
    assert node.phase is Phase.AWAY
    assert node.shown([with_heartbeat(accepted_view(), 8)], NOW) == []
    assert read(node.connecting(NOW).payload).named("bdSeq").value == 1
    node.connected()
    node.received(STATE, state(False, 1000))
    assert not node.birth_due
    node.received(STATE, state(True, 3000))
    assert node.birth_due


def test_an_older_state_is_not_believed() -> None:
    """operational-behavior-edge-node-termination-host-offline-timestamp: the late death of an
    earlier session of the host does not count; one of the same session does."""
    node, _ = born(HOSTED)
    with pytest.raises(HostStateError, match="older"):
        node.received(STATE, state(False, 999))
    assert not node.leave_due
    node.received(STATE, state(False, 1000))
    assert node.leave_due


def test_what_a_host_said_in_an_earlier_session_does_not_count() -> None:
    """Its STATE is retained, so the present one comes at once, whatever its time."""
    node, _ = born(HOSTED)
    node.connecting(NOW)
    node.connected()
    assert not node.birth_due
    node.received(STATE, state(False, 900))
    assert not node.birth_due
    node.received(STATE, state(True, 950))
    assert node.birth_due


def test_a_host_that_went_and_came_at_once_gets_births_again() -> None:
    """Before the node could leave: what was sent between its sessions may be lost."""
    node, _ = born(HOSTED)
    node.received(STATE, state(False, 1000))
    node.received(STATE, state(True, 1001))
    assert (node.leave_due, node.birth_due) == (False, True)


def test_a_host_that_only_says_again_that_it_is_there_changes_nothing() -> None:
    """Also with a newer time, as a host has that tells it regularly: it is a sign of life."""
    node, _ = born(HOSTED)
    assert node.presences == 1
    node.received(STATE, state(True, 1000))
    node.received(STATE, state(True, 1001))
    assert (node.birth_due, node.leave_due, node.presences) == (False, False, 3)


@pytest.mark.parametrize(
    "data",
    [
        b"ONLINE",
        b"\xff",
        b"[]",
        b"{}",
        b'{"online": 1, "timestamp": 5}',
        b'{"online": true}',
        b'{"online": true, "timestamp": true}',
        b'{"online": true, "timestamp": 5.5}',
        b"[" * 4000,
        b'{"online": true, "timestamp": 5, "x": "' + b"x" * 5000 + b'"}',
    ],
)
def test_a_spoiled_state_is_refused(data: bytes) -> None:
    """The text of the older versions of the specification too."""
    node = connected(HOSTED)
    with pytest.raises(HostStateError):
        node.received(STATE, data)
    assert not node.birth_due


def test_a_clean_end_has_a_death_only_after_a_birth() -> None:
    """operational-behavior-edge-node-intentional-disconnect-ndeath."""
    node, _ = born()
    assert kinds(node.leaving(NOW)) == ["NDEATH"]
    assert connected(HOSTED).leaving(NOW) == ()


def test_after_a_lost_connection_nothing_is_sent_until_births() -> None:
    """message-flow-edge-node-birth-publish-connect."""
    node, _ = born()
    node.lost()
    assert not node.birth_due
    assert node.shown([with_heartbeat(accepted_view(), 8)], NOW) == []
    assert node.recorded(result(), NOW, is_historical=True) == []


# Results


def test_every_message_has_the_time_of_its_sending() -> None:
    """topics-ndata-timestamp, topics-ddata-timestamp: not the time of a value."""
    node, _ = born()
    node.waiting = 3
    later = NOW + timedelta(seconds=5)
    messages = node.shown([with_heartbeat(accepted_view(), 8)], later)
    messages += node.recorded(result(), later, is_historical=True)
    assert kinds(messages) == ["NDATA", "DDATA fp-101", "DDATA fp-101.record"]
    assert {read(m.payload).timestamp for m in messages} == {int(later.timestamp() * 1000)}


def test_another_host_does_not_count() -> None:
    """message-flow-edge-node-birth-publish-phid-wait-id."""
    node = connected(HOSTED)
    node.received("spBv1.0/STATE/laboratory", state(True, 1000))
    assert not node.birth_due
    assert node.presences == 0
