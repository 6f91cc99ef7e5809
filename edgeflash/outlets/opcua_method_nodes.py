"""The nodes of methods, with their arguments described."""

from __future__ import annotations

from collections.abc import Sequence

from asyncua import ua
from asyncua.server.server import Server
from asyncua.ua.object_ids import ObjectIds

from edgeflash.outlets.opcua_calls import Argument
from edgeflash.outlets.opcua_nodes import LOCALE, standard_node


async def add_method_node(
    server: Server,
    parent: ua.NodeId,
    node: ua.NodeId,
    title: str,
    description: str,
    arguments: Sequence[Argument],
    is_executable: bool,
) -> None:
    """A method of `parent`. A method without arguments has no InputArguments (OPC 10000-3, 5.7)."""
    attributes = ua.MethodAttributes()
    attributes.DisplayName = ua.LocalizedText(title, LOCALE)
    attributes.Description = ua.LocalizedText(description, LOCALE)
    attributes.Executable = is_executable
    attributes.UserExecutable = is_executable
    attributes.WriteMask = 0
    attributes.UserWriteMask = 0
    item = ua.AddNodesItem()
    item.RequestedNewNodeId = node
    item.ParentNodeId = parent
    item.BrowseName = ua.QualifiedName(title, ua.UInt16(node.NamespaceIndex))
    item.NodeClass = ua.NodeClass.Method
    item.ReferenceTypeId = standard_node(ObjectIds.HasComponent)
    item.NodeAttributes = attributes
    items = [item]
    if arguments:
        items.append(_arguments(node, arguments))
    for result in await server.iserver.isession.add_nodes(items):
        result.StatusCode.check()


def _arguments(method: ua.NodeId, arguments: Sequence[Argument]) -> ua.AddNodesItem:
    attributes = ua.VariableAttributes()
    attributes.DisplayName = ua.LocalizedText("InputArguments", LOCALE)
    attributes.Description = ua.LocalizedText("What the method takes.", LOCALE)
    attributes.DataType = standard_node(ObjectIds.Argument)
    attributes.ValueRank = ua.ValueRank.OneDimension
    attributes.ArrayDimensions = [ua.UInt32(len(arguments))]
    attributes.AccessLevel = ua.AccessLevel.CurrentRead.mask
    attributes.UserAccessLevel = ua.AccessLevel.CurrentRead.mask
    attributes.WriteMask = 0
    attributes.UserWriteMask = 0
    attributes.Value = ua.Variant(
        [_described(one) for one in arguments], ua.VariantType.ExtensionObject
    )
    item = ua.AddNodesItem()
    item.RequestedNewNodeId = ua.NodeId(
        ua.String(f"{method.Identifier!s}.InputArguments"), ua.Int16(method.NamespaceIndex)
    )
    item.ParentNodeId = method
    item.BrowseName = ua.QualifiedName("InputArguments", ua.UInt16(0))
    item.NodeClass = ua.NodeClass.Variable
    item.ReferenceTypeId = standard_node(ObjectIds.HasProperty)
    item.TypeDefinition = standard_node(ObjectIds.PropertyType)
    item.NodeAttributes = attributes
    return item


def _described(argument: Argument) -> ua.Argument:
    described = ua.Argument()
    described.Name = argument.name
    described.Description = ua.LocalizedText(argument.description, LOCALE)
    is_any = argument.type is ua.VariantType.Null
    # The number of a built-in type is the NodeId of its DataType (OPC 10000-6, 5.1.2).
    described.DataType = standard_node(
        ObjectIds.BaseDataType if is_any else int(argument.type.value)
    )
    described.ValueRank = ua.Int32(ua.ValueRank.Scalar)
    described.ArrayDimensions = []
    return described
