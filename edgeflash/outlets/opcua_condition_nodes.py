"""The nodes of a condition: one for each field of its events, as its type declares them."""

from __future__ import annotations

from typing import cast

from asyncua import ua
from asyncua.server.server import Server
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.object_ids import ObjectIds
from asyncua.ua.status_codes import StatusCodes

from edgeflash.outlets.opcua_event import Fields, Path
from edgeflash.outlets.opcua_event_types import EventTypeTree, add_reference
from edgeflash.outlets.opcua_nodes import LOCALE, standard_node

CONDITION_METHODS = (
    ObjectIds.ConditionType_Enable,
    ObjectIds.ConditionType_Disable,
    ObjectIds.ConditionType_AddComment,
    ObjectIds.AcknowledgeableConditionType_Acknowledge,
)
"""The methods of every condition: an instance shares the nodes of its type's."""


class ConditionNodes:
    """Adds and writes the nodes of conditions in one server."""

    def __init__(self, server: Server, index: int, types: EventTypeTree) -> None:
        self._server = server
        self._index = index
        self._types = types
        self._written: dict[ua.NodeId, ua.Variant] = {}

    async def add(
        self,
        source: ua.NodeId,
        identifier: str,
        name: str,
        description: str,
        type_id: ua.NodeId,
        fields: Fields,
    ) -> ua.NodeId:
        """A condition of `source`, with a node for each of these fields; its NodeId."""
        attributes = ua.ObjectAttributes()
        attributes.EventNotifier = 0
        item = self._item(source, identifier, ua.QualifiedName(name, ua.UInt16(self._index)))
        item.NodeClass = ua.NodeClass.Object
        item.ReferenceTypeId = standard_node(ObjectIds.HasComponent)
        item.TypeDefinition = type_id
        condition = await self._added(item, attributes, description)
        await add_reference(
            self._server,
            source,
            ObjectIds.HasCondition,
            condition,
            ua.NodeClass.Object,
            both_ways=True,
        )
        for method in CONDITION_METHODS:
            target = standard_node(method)
            await add_reference(
                self._server, condition, ObjectIds.HasComponent, target, ua.NodeClass.Method
            )
        # A property of a variable comes after its variable: a shorter path first.
        for path in sorted(fields, key=len):
            await self._add_field(condition, identifier, type_id, path)
        return condition

    async def write(self, identifier: str, fields: Fields) -> None:
        """Shows these fields; only what changed is written."""
        for path, value in fields.items():
            node = self._node(identifier, path)
            if self._written.get(node) == value:
                continue
            self._written[node] = value
            await self._server.write_attribute_value(node, _data_value(value))

    def _node(self, identifier: str, path: Path) -> ua.NodeId:
        parts = (identifier, *(name for _, name in path))
        return ua.NodeId(ua.String(".".join(parts)), ua.Int16(self._index))

    async def _add_field(
        self, condition: ua.NodeId, identifier: str, type_id: ua.NodeId, path: Path
    ) -> None:
        declared = self._types.field(type_id, path)
        assert declared is not None, f"{path} is no field of this condition's type"
        attributes = ua.VariableAttributes()
        attributes.DataType = self._types.attribute(declared.node, AttributeIds.DataType).Value
        attributes.ValueRank = ua.ValueRank.Scalar
        attributes.AccessLevel = ua.AccessLevel.CurrentRead.mask
        attributes.UserAccessLevel = ua.AccessLevel.CurrentRead.mask
        attributes.Value = ua.Variant(None, ua.VariantType.Null)
        parent = self._node(identifier, path[:-1]) if len(path) > 1 else condition
        own = self._node(identifier, path)
        index, name = path[-1]
        item = self._item(parent, str(own.Identifier), ua.QualifiedName(name, ua.UInt16(index)))
        item.NodeClass = ua.NodeClass.Variable
        item.ReferenceTypeId = declared.reference
        item.TypeDefinition = self._types.type_definition(declared.node)
        await self._added(item, attributes, name)

    def _item(self, parent: ua.NodeId, identifier: str, name: ua.QualifiedName) -> ua.AddNodesItem:
        item = ua.AddNodesItem()
        item.RequestedNewNodeId = ua.NodeId(ua.String(identifier), ua.Int16(self._index))
        item.ParentNodeId = parent
        item.BrowseName = name
        return item

    async def _added(
        self,
        item: ua.AddNodesItem,
        attributes: ua.ObjectAttributes | ua.VariableAttributes,
        description: str,
    ) -> ua.NodeId:
        attributes.DisplayName = ua.LocalizedText(item.BrowseName.Name, LOCALE)
        attributes.Description = ua.LocalizedText(description, LOCALE)
        attributes.WriteMask = 0
        attributes.UserWriteMask = 0
        item.NodeAttributes = attributes
        (result,) = await self._server.iserver.isession.add_nodes([item])
        result.StatusCode.check()
        return cast(ua.NodeId, result.AddedNodeId)


def _data_value(value: ua.Variant) -> ua.DataValue:
    """A value as a node shows it; what has none is bad, no data."""
    if value.VariantType is not ua.VariantType.Null:
        return ua.DataValue(value)
    return ua.DataValue(value, StatusCode=ua.StatusCode(ua.UInt32(StatusCodes.BadNoData)))
