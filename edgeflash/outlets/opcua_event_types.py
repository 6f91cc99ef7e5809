"""The event types of a server: the standard's, as they stand in its address space, and our own."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import cast

from asyncua import ua
from asyncua.server.address_space import AddressSpace
from asyncua.server.server import Server
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.object_ids import ObjectIds

from edgeflash.outlets.opcua_event import Path
from edgeflash.outlets.opcua_event_filter import BASE_EVENT_TYPE
from edgeflash.outlets.opcua_nodes import LOCALE, Nodes, standard_node

DEEPEST_FIELD = 4
"""Browse names in the longest path that is looked for."""

_SUBTYPE = standard_node(ObjectIds.HasSubtype)
_PARTS = (
    standard_node(ObjectIds.HasProperty),
    standard_node(ObjectIds.HasComponent),
    standard_node(ObjectIds.HasOrderedComponent),
)
_FIELD_CLASSES = (ua.NodeClass.Variable, ua.NodeClass.Object)


@dataclass(frozen=True, slots=True)
class OwnField:
    """A property of an event type of our own. data_type: name of a standard DataType."""

    name: str
    data_type: str
    description: str


@dataclass(frozen=True, slots=True)
class OwnType:
    """An event type of our own. parent: the name of another one, or of a standard type."""

    name: str
    parent: str
    description: str
    fields: tuple[OwnField, ...] = ()


CYCLE_EVENT, LOW_FLASH_EVENT, LINK_EVENT = "CycleEventType", "LowFlashEventType", "LinkEventType"

OWN_TYPES: tuple[OwnType, ...] = (
    OwnType(
        CYCLE_EVENT,
        "BaseEventType",
        "A cycle has been judged and is on record.",
        (
            OwnField("ResultId", "String", "Analyzer, epoch and number of the cycle."),
            OwnField("CycleNumber", "UInt32", "The analyzer's own number of the cycle."),
            OwnField("Epoch", "UInt32", "How often the analyzer's counter has begun again."),
            OwnField("Verdict", "String", "accepted, doubtful or rejected."),
            OwnField("ReasonCode", "UInt16", "Code of the worst finding's rule; 0: none."),
            OwnField("ReasonText", "String", "The worst finding in words."),
            OwnField("FlashPoint", "Double", "The cycle's own value; none when rejected."),
            OwnField("Reported", "Double", "The flash point as the analyzer reports it."),
            OwnField("Recomputed", "Double", "The gateway's own flash point, uncorrected."),
            OwnField("Corrected", "Double", "The flash point at standard pressure."),
            OwnField("TemperatureUnit", "String", "The unit of this event's temperatures."),
            OwnField("LowFlash", "Boolean", "Evidence of a low flash point, even if rejected."),
            OwnField("SampledAt", "DateTime", "When the sample passed the tap, UTC."),
            OwnField("Product", "String", "The product as it was judged."),
        ),
    ),
    OwnType(
        LOW_FLASH_EVENT,
        CYCLE_EVENT,
        "A judged cycle, accepted or not, gives evidence of a low flash point.",
    ),
    OwnType(
        LINK_EVENT,
        "SystemEventType",
        "The link to an analyzer was lost or has returned.",
        (OwnField("LinkState", "String", "connecting, up, down or misconfigured."),),
    ),
)


def own_type_id(name: str, index: int) -> ua.NodeId:
    """The NodeId of an event type of our own."""
    return ua.NodeId(ua.String(f"events.{name}"), ua.Int16(index))


async def add_own_types(server: Server, index: int) -> None:
    """Adds our event types below the standard's."""
    nodes = Nodes(server, index)
    session = server.iserver.isession
    for own in OWN_TYPES:
        is_own = any(own.parent == one.name for one in OWN_TYPES)
        attributes = ua.ObjectTypeAttributes()
        attributes.DisplayName = ua.LocalizedText(own.name, LOCALE)
        attributes.Description = ua.LocalizedText(own.description, LOCALE)
        attributes.IsAbstract = False
        item = ua.AddNodesItem()
        item.RequestedNewNodeId = own_type_id(own.name, index)
        item.BrowseName = ua.QualifiedName(own.name, ua.UInt16(index))
        item.NodeClass = ua.NodeClass.ObjectType
        item.ReferenceTypeId = _SUBTYPE
        item.ParentNodeId = (
            own_type_id(own.parent, index)
            if is_own
            else standard_node(getattr(ObjectIds, own.parent))
        )
        item.NodeAttributes = attributes
        (result,) = await session.add_nodes([item])
        result.StatusCode.check()
        for field in own.fields:
            node = await nodes.add_variable(
                item.RequestedNewNodeId,
                f"events.{own.name}.{field.name}",
                ua.QualifiedName(field.name, ua.UInt16(index)),
                ua.Variant(None, ua.VariantType.Null),
                field.data_type,
                "PropertyType",
                description=field.description,
            )
            rule = standard_node(ObjectIds.ModellingRule_Mandatory)
            await add_reference(server, node, ObjectIds.HasModellingRule, rule, ua.NodeClass.Object)


async def add_reference(
    server: Server,
    source: ua.NodeId,
    reference: int,
    target: ua.NodeId,
    target_class: ua.NodeClass,
    both_ways: bool = False,
) -> None:
    """A reference from source to target. both_ways: told at the target too."""
    ways = [(source, target, True, target_class)]
    if both_ways:
        ways.append((target, source, False, ua.NodeClass.Object))
    for one, other, forward, node_class in ways:
        item = ua.AddReferencesItem()
        item.SourceNodeId = one
        item.ReferenceTypeId = standard_node(reference)
        item.IsForward = forward
        item.TargetNodeId = other
        item.TargetNodeClass = node_class
        (status,) = await server.iserver.isession.add_references([item])
        status.check()


@dataclass(frozen=True, slots=True)
class FieldNode:
    """Where a type declares a field: its node and the reference that leads to it."""

    node: ua.NodeId
    reference: ua.NodeId


class EventTypeTree:
    """The event types of an address space as they stood when it was made."""

    def __init__(self, space: AddressSpace) -> None:
        self._space = space
        self._parent: dict[ua.NodeId, ua.NodeId] = {}
        self._own: dict[ua.NodeId, dict[Path, FieldNode]] = {}
        self._add(BASE_EVENT_TYPE)
        self._anywhere = frozenset(path for own in self._own.values() for path in own)

    def _add(self, type_id: ua.NodeId) -> None:
        self._own[type_id] = dict(self._fields(type_id, ()))
        for reference in self._space[type_id].references:
            if reference.ReferenceTypeId == _SUBTYPE and reference.IsForward:
                self._parent[reference.NodeId] = type_id
                self._add(reference.NodeId)

    def _fields(self, node: ua.NodeId, above: Path) -> Iterator[tuple[Path, FieldNode]]:
        for reference in self._space[node].references:
            is_part = reference.IsForward and reference.ReferenceTypeId in _PARTS
            if not is_part or reference.NodeClass not in _FIELD_CLASSES:
                continue
            qualified = reference.BrowseName
            path = (*above, (int(qualified.NamespaceIndex), str(qualified.Name)))
            yield path, FieldNode(reference.NodeId, reference.ReferenceTypeId)
            if len(path) < DEEPEST_FIELD:
                yield from self._fields(reference.NodeId, path)

    def is_a(self, type_id: ua.NodeId, base: ua.NodeId) -> bool:
        """True when it is that event type or a subtype of it; False for what is no event type."""
        one: ua.NodeId | None = type_id if type_id in self._own else None
        while one is not None and one != base:
            one = self._parent.get(one)
        return one is not None

    def has_field(self, type_id: ua.NodeId, path: Path) -> bool:
        """True when the type, or for BaseEventType any event type, has such a field."""
        if type_id == BASE_EVENT_TYPE:
            return path in self._anywhere
        return self.field(type_id, path) is not None

    def field(self, type_id: ua.NodeId, path: Path) -> FieldNode | None:
        """Where the type or one above it declares a field; the nearest one that does."""
        one: ua.NodeId | None = type_id
        while one is not None:
            found = self._own.get(one, {}).get(path)
            if found is not None:
                return found
            one = self._parent.get(one)
        return None

    def attribute(self, node: ua.NodeId, attribute: AttributeIds) -> ua.Variant:
        """An attribute of a declaring node."""
        value = self._space.read_attribute_value(node, attribute).Value
        return ua.Variant(None, ua.VariantType.Null) if value is None else value

    def type_definition(self, node: ua.NodeId) -> ua.NodeId:
        """The type definition of a declaring node."""
        wanted = standard_node(ObjectIds.HasTypeDefinition)
        for reference in self._space[node].references:
            if reference.ReferenceTypeId == wanted and reference.IsForward:
                return cast(ua.NodeId, reference.NodeId)
        return standard_node(ObjectIds.BaseDataVariableType)
