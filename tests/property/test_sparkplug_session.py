"""A Sparkplug edge node under any sequence of events keeps what a host relies on.

The invariants are statements of the Eclipse Sparkplug specification 3.0.0, from memory.
"""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime

from hypothesis import given, settings
from hypothesis import strategies as st

from edgeflash.outlets.sparkplug_host import HostStateError
from edgeflash.outlets.sparkplug_node import EdgeNode, Identity, Outgoing
from edgeflash.outlets.sparkplug_payload import DataType, Metric, Payload, encode
from edgeflash.outlets.values import OutletUnits
from edgeflash.publication import LinkState
from tests.sparkplug_reading import read
from tests.unit.outlets.builders import result, standing_of, view_of, with_heartbeat

NOW = datetime(2031, 4, 5, 7, 0, tzinfo=UTC)
NAMES = ("fp-101", "fp-102")
STEPS = st.one_of(
    st.just(("connect",)),
    st.just(("lose",)),
    st.just(("rebirth",)),
    st.tuples(st.just("host"), st.booleans(), st.integers(0, 20)),
    st.tuples(
        st.just("view"),
        st.sampled_from(NAMES),
        st.sampled_from(LinkState),
        st.integers(0, 3),
    ),
    st.tuples(st.just("result"), st.sampled_from((*NAMES, "old-9")), st.booleans()),
)


class Host:
    """What a host can hold against the node, from the messages alone."""

    def __init__(self) -> None:
        self.will = b""
        self.seq: int | None = None
        self.known: dict[str, set[int]] = {}
        self.births = 0

    def gone(self) -> None:
        """The session is over."""
        self.seq = None
        self.known.clear()

    def take(self, message: Outgoing) -> None:
        """Checks one message against all before it."""
        space, group, kind, node, *device = message.topic.split("/")
        assert (space, group, node) == ("spBv1.0", "g", "n")
        payload = read(message.payload)
        name = device[0] if device else ""
        assert (kind[0] == "D") == bool(device)
        if kind == "NDEATH":
            assert message.payload == self.will
            assert payload.seq is None
            self.gone()
            return
        assert message.qos == 0
        if kind == "NBIRTH":
            assert payload.seq == 0
            self.known.clear()
            self.births += 1
            bdseq = payload.named("bdSeq")
            assert bdseq.value == read(self.will).named("bdSeq").value
        else:
            assert self.seq is not None, f"{kind} before the birth of the node"
            assert payload.seq == (self.seq + 1) % 256
        self.seq = payload.seq
        aliases = [m.alias for m in payload.metrics if m.alias is not None]
        match kind:
            case "NBIRTH" | "DBIRTH":
                assert name not in self.known
                others = set().union(*self.known.values()) if self.known else set()
                assert not others & set(aliases)
                self.known[name] = set(aliases)
            case "NDATA" | "DDATA":
                assert name in self.known, f"{kind} of {name} that is not born"
                assert aliases
                assert set(aliases) <= self.known[name]
            case "DDEATH":
                del self.known[name]
            case _:
                raise AssertionError(kind)


@settings(max_examples=60, deadline=None)
@given(st.booleans(), st.lists(STEPS, max_size=60))
def test_a_host_never_sees_a_broken_session(
    with_host: bool, steps: list[tuple[object, ...]]
) -> None:
    """Births first, numbers without a gap, aliases that were born, the will's own bdSeq, and
    nothing at all while the primary host is away."""
    identity = Identity("g", "n", "site", "h" if with_host else None)
    node = EdgeNode(
        identity, {name: n for n, name in enumerate(NAMES, 1)}, OutletUnits("degC", "kPa")
    )
    host, is_online = Host(), None
    newest_ms, is_connected = -1, False

    def carry(messages: list[Outgoing]) -> None:
        for message in messages:
            assert is_connected
            assert not with_host or is_online or message.topic.split("/")[2] == "NDEATH"
            host.take(message)

    for step in steps:
        match step:
            case ("connect",):
                if is_connected:
                    node.lost()
                host.gone()
                will = node.connecting(NOW)
                host.will = replace(will).payload
                node.connected()
                is_connected, is_online, newest_ms = True, None, -1
            case ("lose",):
                node.lost()
                host.gone()
                is_connected = False
            case ("rebirth",) if is_connected:
                metric = Metric("Node Control/Rebirth", None, 0, DataType.BOOLEAN, True)
                node.received(identity.command_topic, encode(Payload(0, (metric,), None)))
            case ("host", bool() as online, int() as at_ms) if is_connected and with_host:
                data = json.dumps({"online": online, "timestamp": at_ms}).encode()
                try:
                    node.received(str(identity.state_topic), data)
                except HostStateError:
                    assert at_ms < newest_ms
                else:
                    assert at_ms >= newest_ms
                    is_online, newest_ms = online, at_ms
            case ("view", str() as name, LinkState() as link, int() as beat):
                view = view_of(standing_of(result(name), name=name, link=link))
                carry(node.shown([with_heartbeat(view, beat)], NOW))
            case ("result", str() as name, bool() as old):
                carry(node.recorded(result(name), NOW, is_historical=old))
        if node.leave_due:
            carry(list(node.leaving(NOW)))
            is_connected = False
        if node.birth_due:
            before = host.births
            carry(node.births({}, NOW))
            assert host.births == before + 1
        assert not node.birth_due
