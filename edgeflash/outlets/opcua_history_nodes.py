"""Tells in the address space what history there is: attributes, configurations, capabilities.

Sources, from memory: OPC 10000-11, 5.2 (HistoricalDataConfigurationType, Historizing, AccessLevel)
and 5.4 (HistoryServerCapabilities); OPC 10000-13, 4.2 (AggregateConfigurationType, functions).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from asyncua import ua
from asyncua.server.server import Server
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.object_ids import ObjectIds

from edgeflash.outlets.aggregates import Treatment
from edgeflash.outlets.continuations import MAX_KEPT
from edgeflash.outlets.opcua_history import MAX_NODES, MAX_VALUES, HistoricNode
from edgeflash.outlets.opcua_history_tasks import AGGREGATES
from edgeflash.outlets.opcua_nodes import standard_node

CONFIGURATION = "HA Configuration"
"""The browse name that the standard fixes (OPC 10000-11, 5.2.3)."""

_STRICT = Treatment()
_CONFIGURED: tuple[tuple[str, ua.Variant, str], ...] = (
    ("TreatUncertainAsBad", ua.Variant(_STRICT.uncertain_is_bad), "Boolean"),
    ("PercentDataBad", ua.Variant(_STRICT.percent_bad, ua.VariantType.Byte), "Byte"),
    ("PercentDataGood", ua.Variant(_STRICT.percent_good, ua.VariantType.Byte), "Byte"),
    ("UseSlopedExtrapolation", ua.Variant(False), "Boolean"),
)

_DATA = "AccessHistoryDataCapability"
_CANNOT = (
    "AccessHistoryEventsCapability",
    "InsertDataCapability",
    "ReplaceDataCapability",
    "UpdateDataCapability",
    "DeleteRawCapability",
    "DeleteAtTimeCapability",
    "InsertEventCapability",
    "ReplaceEventCapability",
    "UpdateEventCapability",
    "DeleteEventCapability",
    "InsertAnnotationCapability",
    "ServerTimestampSupported",
)


async def add_history(server: Server, index: int, nodes: Mapping[ua.NodeId, HistoricNode]) -> None:
    """Marks these nodes as having a history, and says what can be read of it.

    index: of the namespace of our own nodes. An analyzer's points share one configuration: they
    are kept in the same way, by the same cycles.
    """
    configurations: dict[str, ua.NodeId] = {}
    for node_id, node in nodes.items():
        if node.analyzer not in configurations:
            made = await _add_configuration(server, index, node_id, node.analyzer)
            configurations[node.analyzer] = made
        else:
            await _add_reference(
                server,
                node_id,
                ObjectIds.HasHistoricalConfiguration,
                configurations[node.analyzer],
            )
        await _mark(server, node_id)
    await _say_capabilities(server)


async def _mark(server: Server, node_id: ua.NodeId) -> None:
    for attribute in (AttributeIds.AccessLevel, AttributeIds.UserAccessLevel):
        held = server.iserver.aspace.read_attribute_value(node_id, attribute)
        level = (0 if held.Value is None else held.Value.Value) | ua.AccessLevel.HistoryRead.mask
        await _write(server, node_id, ua.Variant(level, ua.VariantType.Byte), attribute)
    await _write(server, node_id, ua.Variant(True), AttributeIds.Historizing)


async def _add_configuration(
    server: Server, index: int, source: ua.NodeId, analyzer: str
) -> ua.NodeId:
    def named(*parts: str) -> ua.NodeId:
        return ua.NodeId(ua.String(".".join((analyzer, "history", *parts))), ua.Int16(index))

    made = await _add(
        server,
        (source, ObjectIds.HasHistoricalConfiguration),
        named(),
        CONFIGURATION,
        _object("How the history of this analyzer's points is kept."),
        ObjectIds.HistoricalDataConfigurationType,
    )
    stepped = ua.Variant(True)
    about = "A value stands until the next one: nothing is known between two cycles."
    await _add_property(server, made, named("Stepped"), "Stepped", stepped, "Boolean", about)
    treatment = await _add(
        server,
        (made, ObjectIds.HasComponent),
        named("AggregateConfiguration"),
        "AggregateConfiguration",
        _object("How processed values are made unless a client says otherwise."),
        ObjectIds.AggregateConfigurationType,
    )
    for name, value, kind in _CONFIGURED:
        node_id = named("AggregateConfiguration", name)
        await _add_property(server, treatment, node_id, name, value, kind, name)
    return made


def _object(description: str) -> ua.ObjectAttributes:
    attributes = ua.ObjectAttributes()
    attributes.Description = ua.LocalizedText(description, "en")
    return attributes


async def _add_property(
    server: Server,
    parent: ua.NodeId,
    node_id: ua.NodeId,
    name: str,
    value: ua.Variant,
    data_type: str,
    description: str,
) -> None:
    attributes = ua.VariableAttributes()
    attributes.Description = ua.LocalizedText(description, "en")
    attributes.Value = value
    attributes.DataType = standard_node(getattr(ObjectIds, data_type))
    attributes.ValueRank = ua.ValueRank.Scalar
    attributes.AccessLevel = attributes.UserAccessLevel = ua.AccessLevel.CurrentRead.mask
    attributes.Historizing = False
    reference = (parent, ObjectIds.HasProperty)
    await _add(server, reference, node_id, name, attributes, ObjectIds.PropertyType)


async def _add(
    server: Server,
    reference: tuple[ua.NodeId, int],
    node_id: ua.NodeId,
    name: str,
    attributes: ua.ObjectAttributes | ua.VariableAttributes,
    type_id: int,
) -> ua.NodeId:
    """A node with a browse name of the standard's. reference: from where, by which type."""
    attributes.DisplayName = ua.LocalizedText(name, "en")
    attributes.WriteMask = attributes.UserWriteMask = 0
    is_object = isinstance(attributes, ua.ObjectAttributes)
    item = ua.AddNodesItem()
    item.NodeClass = ua.NodeClass.Object if is_object else ua.NodeClass.Variable
    item.ParentNodeId, number = reference
    item.ReferenceTypeId = standard_node(number)
    item.TypeDefinition = standard_node(type_id)
    item.RequestedNewNodeId = node_id
    item.BrowseName = ua.QualifiedName(name, 0)
    item.NodeAttributes = attributes
    (result,) = await server.iserver.isession.add_nodes([item])
    result.StatusCode.check()
    return node_id


async def _add_reference(
    server: Server, source: ua.NodeId, reference: int, target: ua.NodeId
) -> None:
    items = []
    for here, there, forward in ((source, target, True), (target, source, False)):
        item = ua.AddReferencesItem()
        item.SourceNodeId = here
        item.ReferenceTypeId = standard_node(reference)
        item.IsForward = forward
        item.TargetNodeId = there
        item.TargetNodeClass = ua.NodeClass.Unspecified
        items.append(item)
    for result in await server.iserver.isession.add_references(items):
        result.check()


async def _say_capabilities(server: Server) -> None:
    prefix = "HistoryServerCapabilities_"
    await _set(server, prefix + _DATA, ua.Variant(True))
    for name in _CANNOT:
        await _set(server, prefix + name, ua.Variant(False))
    await _set(server, prefix + "MaxReturnDataValues", _count(MAX_VALUES))
    await _set(server, prefix + "MaxReturnEventValues", _count(0))
    limits = "Server_ServerCapabilities_OperationLimits_"
    await _set(server, limits + "MaxNodesPerHistoryReadData", _count(MAX_NODES))
    continuation = ua.Variant(MAX_KEPT, ua.VariantType.UInt16)
    await _set(server, "Server_ServerCapabilities_MaxHistoryContinuationPoints", continuation)
    for folder in (
        ObjectIds.HistoryServerCapabilities_AggregateFunctions,
        ObjectIds.Server_ServerCapabilities_AggregateFunctions,
    ):
        await _list_aggregates(server, standard_node(folder), list(AGGREGATES))


async def _list_aggregates(server: Server, folder: ua.NodeId, functions: Sequence[int]) -> None:
    """Only those we can: a folder of the library's may name more."""
    wanted = [standard_node(number) for number in functions]
    held = {r.nodeid for r in await server.get_node(folder).get_referenced_nodes()}
    for function in wanted:
        if function not in held:
            await _add_reference(server, folder, ObjectIds.Organizes, function)


async def _set(server: Server, name: str, value: ua.Variant) -> None:
    await _write(server, standard_node(getattr(ObjectIds, name)), value, AttributeIds.Value)


async def _write(server: Server, node_id: ua.NodeId, value: ua.Variant, attribute: Any) -> None:
    status = await server.iserver.aspace.write_attribute_value(
        node_id, attribute, ua.DataValue(value)
    )
    status.check()


def _count(number: int) -> ua.Variant:
    return ua.Variant(number, ua.VariantType.UInt32)
