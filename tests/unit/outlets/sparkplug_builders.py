"""A Sparkplug node in tests: brought to its births, told things, and read (invented figures)."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime

from edgeflash.outlets.sparkplug_node import EdgeNode, Identity, Outgoing
from edgeflash.outlets.sparkplug_payload import DataType, Metric, Payload, encode
from edgeflash.outlets.values import OutletUnits
from edgeflash.publication import LinkState, View
from tests.sparkplug_reading import ReadPayload, read
from tests.unit.outlets.builders import accepted_view, result, standing_of, view_of

NOW = datetime(2031, 4, 5, 7, 0, tzinfo=UTC)
UNITS = OutletUnits("degC", "kPa")
NODE = Identity("Invented Bend", "gateway-1", "Invented Bend")
HOSTED = replace(NODE, primary_host="control-room")
NCMD = "spBv1.0/Invented Bend/NCMD/gateway-1"
STATE = "spBv1.0/STATE/control-room"
NUMBERS = {"fp-101": 1, "fp-102": 2}


def down(name: str = "fp-101") -> View:
    """A view of an analyzer that cannot be reached."""
    return view_of(standing_of(result(name), name=name, link=LinkState.DOWN))


def kinds(messages: Sequence[Outgoing]) -> list[str]:
    """Kind and device of each message, as `DBIRTH fp-101`."""
    found = []
    for message in messages:
        parts = message.topic.split("/")
        assert parts[:2] == ["spBv1.0", "Invented Bend"]
        assert parts[3] == "gateway-1"
        found.append(" ".join((parts[2], *parts[4:])))
    return found


def payload(messages: Sequence[Outgoing], kind: str) -> ReadPayload:
    """What the one message of this kind and device carries."""
    (found,) = (m for m, k in zip(messages, kinds(messages), strict=True) if k == kind)
    return read(found.payload)


def connected(identity: Identity = NODE) -> EdgeNode:
    """A node with a session and a view of each analyzer, of which only the first can be reached."""
    node = EdgeNode(identity, NUMBERS, UNITS)
    node.connecting(NOW)
    node.connected()
    assert node.shown([accepted_view(), down("fp-102")], NOW) == []
    return node


def born(identity: Identity = NODE) -> tuple[EdgeNode, list[Outgoing]]:
    """A node that has just sent its births, and these."""
    node = connected(identity)
    if identity.primary_host is not None:
        node.received(STATE, state(True, 1000))
    assert node.birth_due
    return node, node.births({"fp-101": result()}, NOW)


def state(online: bool, timestamp_ms: int) -> bytes:
    """A STATE message of a host."""
    return json.dumps({"online": online, "timestamp": timestamp_ms}).encode()


def command(name: str = "Node Control/Rebirth", value: bool = True) -> bytes:
    """A command with one metric."""
    metric = Metric(name, None, 0, DataType.BOOLEAN, value)
    return encode(Payload(0, (metric,), None))
