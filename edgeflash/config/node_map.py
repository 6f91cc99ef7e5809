"""The map of an analyzer that is an OPC UA server: which node holds which role."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from edgeflash.config.analyzer_map import AnalyzerMap, Header, Meaning, every_protocol
from edgeflash.model import Phase, Role


class NodePlace(Meaning):
    """Which node holds one role, how it is read, and what its value means.

    node: a NodeId by namespace URI. path: browse names from `start`, else from the Objects folder;
    config.node_name has the forms of both. read: live values may be subscribed to, all else is
    read. source_time: the role is the time stamp the server gives the node's value, not the value.
    values: the phase of each number or text.
    """

    node: str | None = None
    path: Annotated[tuple[str, ...], Field(min_length=1, max_length=32)] | None = None
    start: str | None = None
    read: Literal["poll", "subscribe"] = "poll"
    source_time: bool = False
    values: dict[str, Phase] | None = None

    @property
    def highest_number(self) -> int:
        """A counter is taken for 32 bits wide where the map does not say where it wraps."""
        return 2**32 - 1


class NodeHeader(Header):
    """What holds for the whole map of nodes. namespaces: short names for namespace URIs."""

    protocol: Annotated[Literal["opcua"], Field(json_schema_extra=every_protocol)]
    namespaces: dict[Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{0,31}$")], str] = Field(
        default_factory=dict
    )


class NodeMap(AnalyzerMap):
    """A whole map file for OPC UA: `[map]` and one `[roles.NAME]` table per role."""

    map: NodeHeader
    roles: dict[Role, NodePlace]
