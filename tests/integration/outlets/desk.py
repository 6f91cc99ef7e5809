"""A small gateway for the outlet tests: alarms with their real life, operations with real roles.

What it does stands in `done`; an acknowledged alarm is published at once, as the gateway does.
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

from asyncua import Client, ua
from asyncua.common.node import Node

from edgeflash.access import Operation, OperationRefusedError, UserRole, Who, demand
from edgeflash.alarms.catalogue import in_force
from edgeflash.alarms.state import Kept, NothingToAcknowledgeError, acknowledge, step
from edgeflash.model import AlarmNote, AlarmState
from edgeflash.outlets import OpcUaOutlet
from edgeflash.outlets.opcua_names import NAMESPACE_URI, TYPES_NAMESPACE_URI
from edgeflash.publication import Standing, TestSignal, View
from tests.unit.outlets.builders import START, analyzer, opcua, result, standing_of, view_of

ANALYZERS = (analyzer("fp-101", 1, product="jet"), analyzer("fp-102", 3))
ENGINEER = Who("invented engineer", UserRole.ENGINEER, "test")
OBSERVER = Who("invented observer", UserRole.OBSERVER, "test")


@dataclass
class Desk:
    """Alarms and operations of two analyzers; what it shows goes to `outlet`."""

    who: Who = ENGINEER
    done: list[tuple[Any, ...]] = field(default_factory=list)
    kept: dict[tuple[str, str], Kept] = field(default_factory=dict)
    standings: dict[str, Standing] = field(
        default_factory=lambda: {
            one.id: standing_of(result(one.id), name=one.id) for one in ANALYZERS
        }
    )
    seconds: float = 0.0
    outlet: OpcUaOutlet | None = None

    @property
    def now(self) -> datetime:
        """A second later at every look."""
        self.seconds += 1.0
        return START + timedelta(seconds=self.seconds)

    def view(self, name: str) -> View:
        """What the outlet is shown."""
        of_name = {alarm: kept for (one, alarm), kept in self.kept.items() if one == name}
        standing = replace(
            self.standings[name],
            alarms={alarm: kept.state for alarm, kept in of_name.items()},
            alarm_notes={
                alarm: AlarmNote(kept.since, kept.why, kept.by, kept.because)
                for alarm, kept in of_name.items()
            },
        )
        return view_of(standing)

    async def publish(self) -> None:
        """Shows all."""
        assert self.outlet is not None
        await self.outlet.publish([self.view(one.id) for one in ANALYZERS])

    async def condition(self, name: str, alarm: str, holds: bool, why: str = "") -> None:
        """The condition of an alarm begins or ends, its delays being over."""
        (configured,) = (one for one in ANALYZERS if one.id == name)
        (declared,) = (one for one in in_force(configured) if one.name == alarm)
        instant = replace(declared, on_delay_s=0.0, off_delay_s=0.0)
        before = self.kept.get((name, alarm), Kept())
        self.kept[name, alarm] = step(instant, before, holds, self.now, self.seconds, why)
        await self.publish()

    async def acknowledge(
        self, analyzer: str, alarm: str, who: Who, because: str = ""
    ) -> AlarmState:
        """As Operations has it."""
        demand(who, Operation.ACKNOWLEDGE)
        try:
            kept = acknowledge(
                self.kept.get((analyzer, alarm), Kept()), who.name, because, self.now
            )
        except NothingToAcknowledgeError as error:
            raise OperationRefusedError(str(error)) from error
        self.kept[analyzer, alarm] = kept
        await self.publish()
        return kept.state

    async def comment(self, analyzer: str, alarm: str, who: Who, text: str) -> None:
        """As Operations has it."""
        demand(who, Operation.ACKNOWLEDGE)
        self.done.append(("comment", analyzer, alarm, text))

    async def maintenance(
        self, analyzer: str, minutes: float | None, who: Who, because: str = ""
    ) -> None:
        """As Operations has it."""
        demand(who, Operation.MAINTENANCE)
        self.done.append(("maintenance", analyzer, minutes, because))

    async def check_sample(
        self, analyzer: str, minutes: float | None, who: Who, because: str = ""
    ) -> None:
        """As Operations has it."""
        demand(who, Operation.CHECK_SAMPLE)
        if minutes is not None and any(one[0] == "check_sample" for one in self.done):
            raise OperationRefusedError("a check sample runs already")
        self.done.append(("check_sample", analyzer, minutes, because))

    async def test_signal(
        self, analyzer: str, point: str, signal: TestSignal, seconds: float, who: Who
    ) -> None:
        """As Operations has it."""
        demand(who, Operation.TEST_SIGNAL)
        self.done.append(("test_signal", analyzer, point, signal, seconds))

    async def end_test(self, analyzer: str, point: str | None, who: Who) -> None:
        """As Operations has it."""
        demand(who, Operation.TEST_SIGNAL)
        self.done.append(("end_test", analyzer, point))


@dataclass
class Plant:
    """A running outlet with its desk, and a client whose user is `desk.who`."""

    desk: Desk
    outlet: OpcUaOutlet
    client: Client
    index: int
    types_index: int

    def id(self, identifier: str) -> ua.NodeId:
        """A NodeId of ours."""
        return ua.NodeId(identifier, self.index)

    def type_id(self, name: str) -> ua.NodeId:
        """A type of ours."""
        return ua.NodeId(name, self.types_index)

    def node(self, identifier: str) -> Node:
        """A node of ours."""
        return self.client.get_node(self.id(identifier))

    async def value(self, identifier: str) -> Any:
        """The value of a node of ours."""
        return await self.node(identifier).read_value()

    async def call(
        self, on: ua.NodeId | str, method: ua.NodeId | int | str, *given: ua.Variant
    ) -> ua.CallMethodResult:
        """The answer to one call. Texts are our own identifiers, numbers the standard's."""
        request = ua.CallMethodRequest()
        request.ObjectId = self.id(on) if isinstance(on, str) else on
        request.MethodId = (
            method
            if isinstance(method, ua.NodeId)
            else self.id(method)
            if isinstance(method, str)
            else ua.NodeId(method)
        )
        request.InputArguments = list(given)
        (answer,) = await self.client.uaclient.call([request])
        return answer


@asynccontextmanager
async def running_plant(**settings: object) -> AsyncIterator[Plant]:
    """A plant on a free port, with both analyzers shown."""
    desk = Desk()
    outlet = OpcUaOutlet(
        opcua(**settings),
        ANALYZERS,
        "Invented Bend",
        operations=desk,
        who_of=lambda session: desk.who,
    )
    desk.outlet = outlet
    await outlet.start()
    try:
        await desk.publish()
        async with Client(outlet.endpoint, timeout=30) as client:
            index = await client.get_namespace_index(NAMESPACE_URI)
            types_index = await client.get_namespace_index(TYPES_NAMESPACE_URI)
            yield Plant(desk, outlet, client, index, types_index)
    finally:
        await outlet.stop()


class Events:
    """A subscription handler that keeps every event, by the names of its fields."""

    def __init__(self) -> None:
        self.seen: list[dict[str, Any]] = []

    def event_notification(self, event: Any) -> None:
        """Called by the library."""
        fields = event.get_event_props_as_fields_dict()
        self.seen.append({name: variant.Value for name, variant in fields.items()})

    def of(self, **wanted: Any) -> list[dict[str, Any]]:
        """Those with these values; `__` in a name stands for the `/` of a path."""
        names = {name.replace("__", "/"): value for name, value in wanted.items()}
        return [one for one in self.seen if all(one.get(n) == v for n, v in names.items())]
