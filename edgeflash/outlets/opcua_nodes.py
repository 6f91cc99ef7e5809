"""Builds the OPC UA address space: Objects/Edgeflash/<analyzer id>/<point title>.

Every node has a string NodeId of our own and is read-only, except inputs. Properties are those that
OPC 10000-8 makes mandatory for the type, and InstrumentRange for the flash points.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import cast

from asyncua import ua
from asyncua.server.server import Server
from asyncua.ua.object_ids import ObjectIds

from edgeflash.config.site import Analyzer
from edgeflash.outlets.opcua_names import (
    NAMESPACE_URI,
    ROOT_NAME,
    UNITS_NAMESPACE_URI,
    data_type,
    identifier,
    variable_type,
)
from edgeflash.outlets.values import INSTRUMENT_RANGE_POINTS, OutletUnits, Shown
from edgeflash.points import CATALOGUE, Point
from edgeflash.trust import Quality
from edgeflash.units import UNECE_NAMESPACE, Unit, unece_unit_id

LOCALE = "en"
NodeIds = dict[tuple[str, str], ua.NodeId]
"""NodeId by analyzer id and point name."""


_WRITABLE = sum(
    level.mask
    for level in (
        ua.AccessLevel.CurrentRead,
        ua.AccessLevel.CurrentWrite,
        ua.AccessLevel.StatusWrite,
        ua.AccessLevel.TimestampWrite,
    )
)


def standard_node(number: int) -> ua.NodeId:
    """The NodeId of a node of the OPC UA standard (namespace 0)."""
    return ua.NodeId(ua.Int32(number))


def data_value(point: Point, value: Shown, server_time: datetime) -> ua.DataValue:
    """The DataValue of a shown point; a bad quality carries no value."""
    status = ua.StatusCode(ua.UInt32(value.quality.value.opcua_code))
    variant = (
        ua.Variant(None, ua.VariantType.Null)
        if value.value is None
        else ua.Variant(value.value, ua.VariantType[data_type(point)])
    )
    return ua.DataValue(
        variant,
        StatusCode=status,
        # The library annotates its own class here, but takes and gives any aware datetime.
        SourceTimestamp=cast(ua.DateTime, value.source_time),
        ServerTimestamp=cast(ua.DateTime, server_time),
    )


async def build_nodes(server: Server, analyzers: Sequence[Analyzer], units: OutletUnits) -> NodeIds:
    """Adds every analyzer's nodes, each point still without data, and returns their NodeIds."""
    index = await server.register_namespace(NAMESPACE_URI)
    nodes = Nodes(server, index)
    root = await nodes.add_object(
        standard_node(ObjectIds.ObjectsFolder),
        ROOT_NAME,
        ROOT_NAME,
        "Online flash point analyzers and the gateway's judgement on them.",
        ObjectIds.FolderType,
    )
    built: NodeIds = {}
    for analyzer in analyzers:
        parent = await nodes.add_object(
            root,
            analyzer.id,
            analyzer.id,
            analyzer.description or f"Flash point analyzer {analyzer.id}",
            ObjectIds.BaseObjectType,
        )
        for point in CATALOGUE:
            built[analyzer.id, point.name] = await _add_point(nodes, parent, analyzer, point, units)
    return built


async def _add_point(
    nodes: Nodes, parent: ua.NodeId, analyzer: Analyzer, point: Point, units: OutletUnits
) -> ua.NodeId:
    node = await nodes.add_variable(
        parent,
        identifier(analyzer.id, point),
        ua.QualifiedName(point.title, nodes.index),
        ua.Variant(None, ua.VariantType.Null),
        data_type(point),
        variable_type(point),
        description=point.description,
    )
    for name, value, type_name in _properties(analyzer, point, units):
        await nodes.add_variable(
            node,
            f"{identifier(analyzer.id, point)}.{name}",
            ua.QualifiedName(name, 0),
            value,
            type_name,
            "PropertyType",
        )
    waiting = ua.DataValue(
        ua.Variant(None, ua.VariantType.Null),
        StatusCode=ua.StatusCode(ua.UInt32(Quality.WAITING_FOR_INITIAL_DATA.value.opcua_code)),
    )
    await nodes.server.write_attribute_value(node, waiting)
    return node


def _properties(
    analyzer: Analyzer, point: Point, units: OutletUnits
) -> list[tuple[str, ua.Variant, str]]:
    """Name, value and DataType of each property of a point's node."""
    match variable_type(point):
        case "AnalogUnitRangeType":
            return _analog_properties(analyzer, point, units)
        case "MultiStateDiscreteType":
            texts = [_text(text) for text in point.texts]
            strings = ua.Variant(texts, ua.VariantType.LocalizedText)
            return [("EnumStrings", strings, "LocalizedText")]
        case "TwoStateDiscreteType":
            no, yes = point.texts if len(point.texts) == 2 else ("no", "yes")
            return [
                ("FalseState", ua.Variant(_text(no)), "LocalizedText"),
                ("TrueState", ua.Variant(_text(yes)), "LocalizedText"),
            ]
    return []


def _analog_properties(
    analyzer: Analyzer, point: Point, units: OutletUnits
) -> list[tuple[str, ua.Variant, str]]:
    unit = units.of(point)
    limits = units.range_of(point)
    assert unit is not None and limits is not None, f"{point.name}: a quantity needs a range"
    properties = [
        ("EURange", ua.Variant(ua.Range(*limits)), "Range"),
        ("EngineeringUnits", ua.Variant(engineering_units(unit)), "EUInformation"),
    ]
    if point.name in INSTRUMENT_RANGE_POINTS:
        low = unit.from_inside(analyzer.range_low_c)
        high = unit.from_inside(analyzer.range_high_c)
        properties.append(("InstrumentRange", ua.Variant(ua.Range(low, high)), "Range"))
    return properties


def engineering_units(unit: Unit) -> ua.EUInformation:
    """The unit as OPC 10000-8, 5.6.4 has it; without a UNECE code, in our own namespace."""
    label = _text(unit.label)
    if unit.unece is None:
        return ua.EUInformation(UNITS_NAMESPACE_URI, -1, label, label)
    return ua.EUInformation(UNECE_NAMESPACE, unece_unit_id(unit.unece), label, label)


def _text(text: str) -> ua.LocalizedText:
    return ua.LocalizedText(text, LOCALE)


class Nodes:
    """Adds nodes to a server, with every attribute said."""

    def __init__(self, server: Server, index: int) -> None:
        self.server = server
        self.index = index

    async def add_object(
        self, parent: ua.NodeId, identifier: str, name: str, description: str, type_id: int
    ) -> ua.NodeId:
        """An object organized by `parent`."""
        attributes = ua.ObjectAttributes()
        attributes.DisplayName = _text(name)
        attributes.Description = _text(description)
        item = ua.AddNodesItem()
        item.NodeClass = ua.NodeClass.Object
        item.ReferenceTypeId = standard_node(ObjectIds.Organizes)
        item.TypeDefinition = standard_node(type_id)
        return await self._add(
            item, parent, identifier, ua.QualifiedName(name, self.index), attributes
        )

    async def add_variable(
        self,
        parent: ua.NodeId,
        identifier: str,
        name: ua.QualifiedName,
        value: ua.Variant,
        data_type_name: str,
        type_name: str,
        description: str | None = None,
        writable: bool = False,
    ) -> ua.NodeId:
        """A component of `parent`, or a property when the type is PropertyType."""
        attributes = ua.VariableAttributes()
        attributes.DisplayName = _text(name.Name)
        attributes.Description = _text(description or name.Name)
        attributes.Value = value
        attributes.DataType = standard_node(getattr(ObjectIds, data_type_name))
        if value.is_array:
            attributes.ValueRank = ua.ValueRank.OneDimension
            attributes.ArrayDimensions = [len(value.Value)]
        else:
            attributes.ValueRank = ua.ValueRank.Scalar
        access = _WRITABLE if writable else ua.AccessLevel.CurrentRead.mask
        attributes.AccessLevel = access
        attributes.UserAccessLevel = access
        attributes.Historizing = False
        is_property = type_name == "PropertyType"
        item = ua.AddNodesItem()
        item.NodeClass = ua.NodeClass.Variable
        item.ReferenceTypeId = standard_node(
            ObjectIds.HasProperty if is_property else ObjectIds.HasComponent
        )
        item.TypeDefinition = standard_node(getattr(ObjectIds, type_name))
        return await self._add(item, parent, identifier, name, attributes)

    async def _add(
        self,
        item: ua.AddNodesItem,
        parent: ua.NodeId,
        identifier: str,
        name: ua.QualifiedName,
        attributes: ua.ObjectAttributes | ua.VariableAttributes,
    ) -> ua.NodeId:
        attributes.WriteMask = 0
        attributes.UserWriteMask = 0
        item.RequestedNewNodeId = ua.NodeId(ua.String(identifier), ua.Int16(self.index))
        item.ParentNodeId = parent
        item.BrowseName = name
        item.NodeAttributes = attributes
        (result,) = await self.server.iserver.isession.add_nodes([item])
        result.StatusCode.check()
        return cast(ua.NodeId, result.AddedNodeId)
