"""What to read of an OPC UA server in one poll: the steps of links.reading over nodes. Pure.

So torn readings, skipped numbers, the ring and the trace mean the same as over Modbus, and the
assembler gets the same scans. One Read of many nodes is no snapshot (OPC UA Part 4, 5.11.2: a
server need not read them at one instant), so the number is read before and after here too.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime

from edgeflash.config.node_map import NodeMap
from edgeflash.links.groups import Arrays, Scalars, Steps
from edgeflash.links.opcua_values import (
    Decoded,
    NodeValue,
    array_decoder,
    scalar_decoder,
    usable_time,
)
from edgeflash.links.reading import ARRAY_ROLES, MapReading, map_reading
from edgeflash.model import Role, Scalar


@dataclass(frozen=True, slots=True)
class NodeQuery:
    """The nodes of these roles, answered by as many NodeValues in this order.

    elements: of arrays, how many are wanted; None: all. is_live: values that a subscription has
    brought will do.
    """

    roles: tuple[Role, ...]
    elements: int | None = None
    is_live: bool = False


@dataclass(frozen=True, slots=True)
class NodeGroup:
    """Scalars that are read together. Its steps yield a NodeQuery and are sent the NodeValues."""

    decoders: Mapping[Role, Callable[[NodeValue], Decoded]]
    array_decoders: Mapping[Role, Callable[[NodeValue, int | None], tuple[list[Scalar], str]]]
    is_live: bool = False

    def scalars(self) -> Steps[Scalars]:
        """The values of the group's roles, none of them an array."""
        values: dict[Role, Scalar] = {}
        statuses: dict[Role, str] = {}
        times: dict[Role, datetime] = {}
        if self.decoders:
            answers = yield NodeQuery(tuple(self.decoders), is_live=self.is_live)
            for (role, decode), answer in zip(self.decoders.items(), answers, strict=True):
                values[role], told = decode(answer)
                if told:
                    statuses[role] = told
                stamp = usable_time(answer.source_time)
                if stamp is not None and not answer.is_bad:
                    times[role] = stamp
        return Scalars(values, statuses, times)

    def arrays(self, elements: int | None = None) -> Steps[Arrays]:
        """The elements of the group's roles. elements: how many are wanted."""
        values: dict[Role, list[Scalar]] = {}
        statuses: dict[Role, str] = {}
        if elements == 0:
            return Arrays({role: [] for role in self.array_decoders})
        answers = yield NodeQuery(tuple(self.array_decoders), elements)
        for (role, decode), answer in zip(self.array_decoders.items(), answers, strict=True):
            values[role], told = decode(answer, elements)
            if told:
                statuses[role] = told
        return Arrays(values, statuses)


def prepare_nodes(analyzer: str, node_map: NodeMap) -> MapReading:
    """The map's roles sorted into groups, ready for reading."""
    roles = node_map.roles

    def group(wanted: Iterable[Role]) -> NodeGroup:
        mapped = [role for role in wanted if role in roles]
        return NodeGroup(
            {r: scalar_decoder(r, roles[r]) for r in mapped if r not in ARRAY_ROLES},
            {r: array_decoder(r, roles[r]) for r in mapped if r in ARRAY_ROLES},
        )

    reading = map_reading(analyzer, node_map, group)
    assert isinstance(reading.live, NodeGroup)
    return replace(reading, live=replace(reading.live, is_live=True))
