"""Puts the information model into a server's address space, every attribute said.

Every node has a string NodeId of our own and is read-only, except inputs.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, cast

from asyncua import ua
from asyncua.server.server import Server
from asyncua.ua.object_ids import ObjectIds

from edgeflash.outlets.opcua_groups import unit_info
from edgeflash.outlets.opcua_members import (
    Interval,
    Live,
    LiveKind,
    Meaning,
    Member,
    ModelNode,
    NodeClass,
    Presence,
    Ref,
    Single,
    Space,
    Text,
    UnitInfo,
    Value,
)
from edgeflash.outlets.opcua_names import data_type
from edgeflash.outlets.values import Shown
from edgeflash.points import Point
from edgeflash.trust import Quality
from edgeflash.units import Unit

LOCALE = "en"
NodeIds = dict[tuple[str, str], ua.NodeId]
"""NodeId by analyzer id and point name."""

_READ = ua.AccessLevel.CurrentRead.mask
_WRITABLE = sum(
    level.mask
    for level in (
        ua.AccessLevel.CurrentRead,
        ua.AccessLevel.CurrentWrite,
        ua.AccessLevel.StatusWrite,
        ua.AccessLevel.TimestampWrite,
    )
)
_NODE_CLASSES = {
    NodeClass.OBJECT: ua.NodeClass.Object,
    NodeClass.VARIABLE: ua.NodeClass.Variable,
    NodeClass.OBJECT_TYPE: ua.NodeClass.ObjectType,
    NodeClass.VARIABLE_TYPE: ua.NodeClass.VariableType,
    NodeClass.DATA_TYPE: ua.NodeClass.DataType,
}
_BUILT_IN = {"UtcTime": "DateTime", "NumericRange": "String", "IdType": "Int32"}
_STRUCTURES = ("Range", "EUInformation", "EnumValueType")


@dataclass(frozen=True, slots=True)
class Built:
    """What stands in the address space. by_live: the nodes that show something, by what."""

    points: NodeIds = field(default_factory=dict)
    by_live: Mapping[Live, tuple[ua.NodeId, ...]] = field(default_factory=dict)


def standard_node(number: int) -> ua.NodeId:
    """The NodeId of a node of the OPC UA standard (namespace 0)."""
    return ua.NodeId(ua.Int32(number))


def data_value(point: Point, value: Shown, server_time: datetime) -> ua.DataValue:
    """The DataValue of a shown point; a bad quality carries no value."""
    variant = (
        ua.Variant(None, ua.VariantType.Null)
        if value.value is None
        else ua.Variant(value.value, ua.VariantType[data_type(point)])
    )
    return stamped(variant, value, server_time)


def stamped(variant: ua.Variant, value: Shown, server_time: datetime) -> ua.DataValue:
    """A value with the status and the time of a shown point."""
    return ua.DataValue(
        variant,
        StatusCode=ua.StatusCode(ua.UInt32(value.quality.value.opcua_code)),
        # The library annotates its own class here, but takes and gives any aware datetime.
        SourceTimestamp=cast(ua.DateTime, value.source_time),
        ServerTimestamp=cast(ua.DateTime, server_time),
    )


def engineering_units(unit: Unit) -> ua.EUInformation:
    """The unit as a value of a node."""
    return cast(ua.EUInformation, _single(unit_info(unit)))


def text(of: str) -> ua.LocalizedText:
    """The text, in English."""
    return ua.LocalizedText(of, LOCALE)


async def build_nodes(server: Server, nodes: Iterable[ModelNode]) -> Built:
    """Adds the nodes, those that show something waiting for their first data."""
    builder = _Builder(
        {
            Space.STANDARD: 0,
            Space.POINTS: await server.register_namespace(Space.POINTS),
            Space.TYPES: await server.register_namespace(Space.TYPES),
        }
    )
    every = list(nodes)
    session = server.iserver.isession
    for result in await session.add_nodes([builder.item(node) for node in every]):
        result.StatusCode.check()
    rules = [builder.rule(node.id, node.rule) for node in every if node.rule is not None]
    for status in await session.add_references(rules):
        status.check()
    by_live: dict[Live, tuple[ua.NodeId, ...]] = {}
    for node in every:
        if (live := node.member.live) is not None:
            shown_at = builder.node_id(node.id)
            by_live[live] = (*by_live.get(live, ()), shown_at)
            await server.write_attribute_value(shown_at, waiting())
    points = {
        (live.analyzer, live.name): found[0]
        for live, found in by_live.items()
        if live.kind is LiveKind.POINT
    }
    return Built(points, by_live)


def waiting() -> ua.DataValue:
    """No value yet."""
    code = ua.UInt32(Quality.WAITING_FOR_INITIAL_DATA.value.opcua_code)
    return ua.DataValue(ua.Variant(None, ua.VariantType.Null), StatusCode=ua.StatusCode(code))


class _Builder:
    """Turns model nodes into the library's. index: of each namespace in this server."""

    def __init__(self, index: Mapping[Space, int]) -> None:
        self._index = index

    def node_id(self, ref: Ref) -> ua.NodeId:
        if ref.space is Space.STANDARD:
            return standard_node(getattr(ObjectIds, ref.id))
        return ua.NodeId(ua.String(ref.id), ua.Int16(self._index[ref.space]))

    def rule(self, of: Ref, rule: Presence) -> ua.AddReferencesItem:
        """The reference to the ModellingRule."""
        item = ua.AddReferencesItem()
        item.SourceNodeId = self.node_id(of)
        item.ReferenceTypeId = standard_node(ObjectIds.HasModellingRule)
        item.IsForward = True
        item.TargetNodeId = standard_node(getattr(ObjectIds, rule.value))
        item.TargetNodeClass = ua.NodeClass.Object
        return item

    def item(self, node: ModelNode) -> ua.AddNodesItem:
        """The node with all its attributes."""
        member = node.member
        item = ua.AddNodesItem()
        item.RequestedNewNodeId = self.node_id(node.id)
        item.ParentNodeId = self.node_id(node.parent)
        item.ReferenceTypeId = standard_node(getattr(ObjectIds, member.reference))
        item.NodeClass = _NODE_CLASSES[member.node_class]
        item.BrowseName = ua.QualifiedName(member.name, ua.UInt16(self._index[member.space]))
        if member.type is not None:
            item.TypeDefinition = self.node_id(member.type)
        attributes = self._attributes(member)
        attributes.DisplayName = text(member.name)
        attributes.Description = text(member.description or member.name)
        attributes.WriteMask = 0
        attributes.UserWriteMask = 0
        item.NodeAttributes = attributes
        return item

    def _attributes(self, member: Member) -> Any:
        match member.node_class:
            case NodeClass.OBJECT:
                return ua.ObjectAttributes()
            case NodeClass.OBJECT_TYPE:
                attributes = ua.ObjectTypeAttributes()
                attributes.IsAbstract = False
                return attributes
            case NodeClass.DATA_TYPE:
                return _enumeration_attributes(member)
            case NodeClass.VARIABLE_TYPE:
                return self._valued(member, ua.VariableTypeAttributes())
        attributes = self._valued(member, ua.VariableAttributes())
        access = _WRITABLE if member.is_writable else _READ
        attributes.AccessLevel = access
        attributes.UserAccessLevel = access
        attributes.Historizing = False
        return attributes

    def _valued(self, member: Member, attributes: Any) -> Any:
        assert member.data_type is not None, f"{member.name}: a variable needs a data type"
        attributes.Value = variant(member.value, member.data_type)
        attributes.DataType = self.node_id(member.data_type)
        attributes.ValueRank = ua.ValueRank.Scalar
        if member.is_array:
            attributes.ValueRank = ua.ValueRank.OneDimension
            attributes.ArrayDimensions = [0]  # of any length
        return attributes


def _enumeration_attributes(member: Member) -> Any:
    attributes: Any = ua.DataTypeAttributes()
    attributes.IsAbstract = False
    attributes.DataTypeDefinition = ua.EnumDefinition(
        Fields=[
            ua.EnumField(Value=ua.Int64(code), DisplayName=text(name), Name=ua.String(name))
            for code, name in enumerate(member.fields)
        ]
    )
    return attributes


def variant(value: Value, of: Ref) -> ua.Variant:
    """A value of that DataType."""
    if value is None:
        return ua.Variant(None, ua.VariantType.Null)
    kind = ua.VariantType[built_in(of)]
    if isinstance(value, tuple):
        return ua.Variant([_single(one) for one in value], kind, is_array=True)
    return ua.Variant(_single(value), kind)


def built_in(of: Ref) -> str:
    """The built-in type that carries a DataType: an enumeration is an Int32."""
    if of.space is not Space.STANDARD:
        return "Int32"
    return "ExtensionObject" if of.id in _STRUCTURES else _BUILT_IN.get(of.id, of.id)


def _single(value: Single) -> Any:
    match value:
        case Text():
            return text(value.text)
        case Interval():
            return ua.Range(value.low, value.high)
        case UnitInfo():
            label = text(value.label)
            return ua.EUInformation(value.namespace, value.unit_id, label, label)
        case Meaning():
            return ua.EnumValueType(ua.Int64(value.code), text(value.name), text(value.description))
    return value
