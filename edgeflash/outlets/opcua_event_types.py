"""The event types of a server, ours among them, as they stand in its address space."""

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
from edgeflash.outlets.opcua_nodes import standard_node

DEEPEST_FIELD = 4
"""Browse names in the longest path that is looked for."""

_SUBTYPE = standard_node(ObjectIds.HasSubtype)
_PARTS = (
    standard_node(ObjectIds.HasProperty),
    standard_node(ObjectIds.HasComponent),
    standard_node(ObjectIds.HasOrderedComponent),
)
_FIELD_CLASSES = (ua.NodeClass.Variable, ua.NodeClass.Object)


def own_type_id(name: str, types_index: int) -> ua.NodeId:
    """The NodeId of an event type of our own. types_index: of the types namespace."""
    return ua.NodeId(ua.String(name), ua.Int16(types_index))


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
