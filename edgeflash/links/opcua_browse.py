"""What variables an OPC UA server has, level by level. Only ever reads."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from asyncua import ua
from asyncua.ua.object_ids import ObjectIds

from edgeflash.links.cancelling import uncancelled
from edgeflash.links.opcua_client import OpcUaClient
from edgeflash.links.opcua_errors import told_as_link_errors

NODES_AT_ONCE = 50
REFERENCES_AT_ONCE = 500
DEEPEST = 12
"""Levels below the start; a server's references may run in circles."""
MOST_NODES = 20_000
"""Nodes that are looked at, whatever they are: a server may make them up as they are asked for."""


@dataclass(frozen=True, slots=True)
class FoundVariable:
    """One variable. path: browse names from the start, without namespaces, for people."""

    node: ua.NodeId
    path: str


async def variables_below(client: OpcUaClient, start: ua.NodeId, most: int) -> list[FoundVariable]:
    """Variables below a node, each once, the nearest first; at most so many, and at most those
    among the first MOST_NODES nodes.

    The server's own object is left out. Raises LinkError.
    """
    found: list[FoundVariable] = []
    seen = {start, ua.NodeId(ua.Int32(ObjectIds.Server))}
    level: list[tuple[ua.NodeId, str]] = [(start, "")]
    for _ in range(DEEPEST):
        below: list[tuple[ua.NodeId, str]] = []
        for first in range(0, len(level), NODES_AT_ONCE):
            some = level[first : first + NODES_AT_ONCE]
            if len(seen) >= MOST_NODES:
                return found
            for (_, path), references in zip(some, await _browsed(client, some), strict=True):
                for one in references:
                    node = ua.NodeId(one.NodeId.Identifier, one.NodeId.NamespaceIndex)
                    if node in seen:
                        continue
                    seen.add(node)
                    name = f"{path}/{one.BrowseName.Name}".lstrip("/")
                    below.append((node, name))
                    if one.NodeClass == ua.NodeClass.Variable:
                        found.append(FoundVariable(node, name))
                        if len(found) == most:
                            return found
        if not below:
            break
        level = below
    return found


async def _browsed(client: OpcUaClient, nodes: Sequence[tuple[ua.NodeId, str]]) -> list[list[Any]]:
    """The references of each node, however many messages it takes."""
    asked = ua.BrowseParameters()
    asked.RequestedMaxReferencesPerNode = ua.UInt32(REFERENCES_AT_ONCE)
    for node, _ in nodes:
        one = ua.BrowseDescription()
        one.NodeId = node
        one.BrowseDirection = ua.BrowseDirection.Forward
        one.ReferenceTypeId = ua.NodeId(ua.Int32(ObjectIds.HierarchicalReferences))
        one.IncludeSubtypes = True
        one.NodeClassMask = ua.UInt32(ua.NodeClass.Object | ua.NodeClass.Variable)
        one.ResultMask = ua.UInt32(ua.BrowseResultMask.All)
        asked.NodesToBrowse.append(one)
    with told_as_link_errors(client.peer, "browsing"):
        results = await uncancelled(client.session.browse(asked))
        every = []
        for result in results:
            references, rest = list(result.References or ()), result.ContinuationPoint
            while rest and len(references) < MOST_NODES:
                more = ua.BrowseNextParameters()
                more.ReleaseContinuationPoints = False
                more.ContinuationPoints = [rest]
                (further,) = await uncancelled(client.session.browse_next(more))
                references += further.References or ()
                # A page without anything could be followed by others for ever.
                rest = further.ContinuationPoint if further.References else None
            every.append(references)
    return every
