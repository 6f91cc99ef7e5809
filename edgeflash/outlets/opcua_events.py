"""Everything about events, conditions and methods of one OPC UA server, put together."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import cast
from uuid import uuid4

from asyncua import ua
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.object_ids import ObjectIds

from edgeflash.alarms.catalogue import NO_PARTS, SiteParts
from edgeflash.config.site import Analyzer
from edgeflash.operations import Operations
from edgeflash.outlets.opcua_bounds import BoundedServer
from edgeflash.outlets.opcua_condition_methods import ConditionMethods
from edgeflash.outlets.opcua_condition_nodes import ConditionNodes
from edgeflash.outlets.opcua_conditions import Conditions
from edgeflash.outlets.opcua_cycle_events import news_of
from edgeflash.outlets.opcua_event import INFORMATION, Event, base_fields, name
from edgeflash.outlets.opcua_event_items import EventItems
from edgeflash.outlets.opcua_event_model import OWN_TYPES
from edgeflash.outlets.opcua_event_types import EventTypeTree, add_reference, own_type_id
from edgeflash.outlets.opcua_names import NAMESPACE_URI, TYPES_NAMESPACE_URI
from edgeflash.outlets.opcua_nodes import standard_node
from edgeflash.outlets.opcua_operating import register_operating_methods
from edgeflash.outlets.opcua_server_methods import ServerMethods
from edgeflash.outlets.values import OutletUnits
from edgeflash.publication import Standing, View
from edgeflash.units import Quantity, outlet_unit

_SERVER = standard_node(ObjectIds.Server)
_SUBSCRIBE = 1 << ua.EventNotifier.SubscribeToEvents.value


class OpcUaEvents:
    """The events of one server. Made anew with every start of it."""

    def __init__(
        self,
        analyzers: Sequence[Analyzer],
        units: OutletUnits,
        operations: Operations | None,
        site: SiteParts = NO_PARTS,
    ) -> None:
        self._site = site
        self._analyzers = tuple(analyzers)
        self._units = units
        self._temperature = outlet_unit(Quantity.TEMPERATURE, units.temperature, units.pressure)
        self._operations = operations
        self._before: dict[str, Standing] = {}
        self._server: BoundedServer | None = None
        self._conditions: Conditions | None = None
        self._index = 0
        self._types_index = 0

    async def build(self, server: BoundedServer) -> None:
        """Adds conditions and methods; the analyzers and the types are there."""
        self._server = server
        self._index = index = await server.register_namespace(NAMESPACE_URI)
        self._types_index = await server.register_namespace(TYPES_NAMESPACE_URI)
        types = EventTypeTree(server.iserver.aspace)
        server.event_types = types
        server.overflow_event = _overflow
        self._conditions = Conditions(
            self._analyzers,
            self._units,
            index,
            ConditionNodes(server, index, types),
            site=self._site,
        )
        await self._conditions.build()
        await self._notify_from(server)
        if self._operations is not None:
            register_operating_methods(
                index,
                self._types_index,
                self._analyzers,
                server.calls,
                self._operations,
                self._units,
            )
        ConditionMethods(server, self._conditions, self._operations, self.send).register(
            server.calls
        )
        ServerMethods(server).register(server.calls)

    async def _notify_from(self, server: BoundedServer) -> None:
        """Says where events come from: Server, below it the analyzers, and what they can send."""
        await self._set_notifier(server, _SERVER)
        sent = [own_type_id(one.name, self._types_index) for one in OWN_TYPES]
        sent.append(standard_node(ObjectIds.AlarmConditionType))
        for analyzer in self._analyzers:
            node = ua.NodeId(ua.String(analyzer.id), ua.Int16(self._index))
            await self._set_notifier(server, node)
            await add_reference(
                server, _SERVER, ObjectIds.HasNotifier, node, ua.NodeClass.Object, both_ways=True
            )
            source = self._type_of(server, node)
            for type_id in sent:
                await add_reference(
                    server, source, ObjectIds.GeneratesEvent, type_id, ua.NodeClass.ObjectType
                )

    async def _set_notifier(self, server: BoundedServer, node: ua.NodeId) -> None:
        value = ua.DataValue(ua.Variant(_SUBSCRIBE, ua.VariantType.Byte))
        await server.write_attribute_value(node, value, AttributeIds.EventNotifier)

    def _type_of(self, server: BoundedServer, node: ua.NodeId) -> ua.NodeId:
        """The object's type where it is one of ours, else the object itself."""
        wanted = standard_node(ObjectIds.HasTypeDefinition)
        for reference in server.iserver.aspace[node].references:
            if reference.ReferenceTypeId == wanted and reference.NodeId.NamespaceIndex:
                return cast(ua.NodeId, reference.NodeId)
        return node

    async def publish(self, view: View) -> None:
        """Tells what happened to one analyzer since its last view."""
        assert self._conditions is not None
        standing = view.standing
        events = news_of(
            self._before.get(standing.analyzer),
            standing,
            at=view.at,
            source=ua.NodeId(ua.String(standing.analyzer), ua.Int16(self._index)),
            types_index=self._types_index,
            unit=self._temperature,
            new_id=lambda: uuid4().bytes,
        )
        self._before[standing.analyzer] = standing
        for event in [*events, *await self._conditions.update(view)]:
            self.send(event)
            # Each is judged by every subscriber's filter: the other clients have their turn.
            await asyncio.sleep(0)

    def send(self, event: Event) -> None:
        """Hands an event to every subscription."""
        assert self._server is not None
        for subscription in self._server.iserver.subscription_service.subscriptions.values():
            service = subscription.monitored_item_srv
            if isinstance(service, EventItems):
                service.offer(event)

    def say_state(self, state: ua.ServerState) -> None:
        """Tells every subscriber that the gateway is up, or that it ends."""
        event = _of_server(
            ObjectIds.SystemStatusChangeEventType, f"the gateway is {state.name.lower()}"
        )
        fields = dict(event.fields)
        fields[name("SystemState")] = ua.Variant(int(state), ua.VariantType.Int32)
        self.send(Event(event.type_id, fields))


def _overflow() -> Event:
    return _of_server(
        ObjectIds.EventQueueOverflowEventType, "events were lost: the queue of this item was full"
    )


def _of_server(type_number: int, message: str) -> Event:
    """An event of the server itself, as of now."""
    now, type_id = datetime.now(UTC), standard_node(type_number)
    fields = base_fields(
        event_id=uuid4().bytes,
        type_id=type_id,
        source=_SERVER,
        source_name="Server",
        at=now,
        received_at=now,
        message=message,
        severity=INFORMATION,
    )
    return Event(type_id, fields)
