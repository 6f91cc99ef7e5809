"""A first look at an OPC UA server: its variables, and what they look like. Only ever reads."""

from __future__ import annotations

import asyncio
import json
from base64 import b64encode
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from math import isfinite

from edgeflash.config.node_name import STANDARD_NAMESPACE
from edgeflash.config.register_map import Encoding
from edgeflash.config.roles import KINDS, TIME
from edgeflash.links.opcua_browse import FoundVariable, variables_below
from edgeflash.links.opcua_client import OpcUaClient
from edgeflash.model import Role
from edgeflash.peek.decodings import Decoding
from edgeflash.peek.likeness import Likeness, impression
from edgeflash.service.certificates import printable

MOST_TEXT = 200
"""Characters that are shown of what a server says."""

_SKELETON = """\
# Map begun by a first look at the server. Check every line against the device's manual: that a
# value looks right does not make it right.

[map]
name = "to be named"
protocol = "opcua"
"""


@dataclass(frozen=True, slots=True)
class NodeRow:
    """One variable. node: its NodeId by namespace URI. values: of each look, oldest first.

    source_time: of the last value, by the server.
    """

    node: str
    path: str
    type: str
    values: tuple[object, ...]
    status: str
    source_time: datetime | None

    @property
    def changed(self) -> bool:
        """Whether it took another value while it was looked at."""
        return any(value != self.values[0] for value in self.values)

    @property
    def likeness(self) -> Likeness:
        """What its values look like."""
        numbers = [
            v
            for v in self.values
            if isinstance(v, int | float) and not isinstance(v, bool) and isfinite(v)
        ]
        if not numbers:
            text = isinstance(self.values[-1], str)
            return Likeness.TEXT if text else Likeness.NOTHING
        if all(isinstance(n, int) for n in numbers):
            seen = impression(Decoding(Encoding.INT32), [int(n) for n in numbers])
            # A number with its own type is not scaled: only what counts or tells states is told.
            kept = (Likeness.COUNTER, Likeness.SIGN_OF_LIFE, Likeness.CODE, Likeness.ZERO)
            return seen.likeness if seen.likeness in kept else Likeness.NOTHING
        return impression(Decoding(Encoding.FLOAT64), [float(n) for n in numbers]).likeness


async def looked_at(
    client: OpcUaClient, found: Sequence[FoundVariable], looks: int, every_s: float
) -> list[NodeRow]:
    """Each variable's value at each look. Raises LinkError."""
    uris = {index: uri for uri, index in client.namespaces.items()}
    nodes = [one.node for one in found]
    rows: list[NodeRow] = []
    for look in range(looks):
        if look:
            await asyncio.sleep(every_s)
        values = await client.read(nodes)
        if not rows:
            rows = [
                NodeRow(
                    _named(one, uris),
                    printable(one.path, MOST_TEXT),
                    type(v.value).__name__,
                    (),
                    "",
                    None,
                )
                for one, v in zip(found, values, strict=True)
            ]
        rows = [
            replace(
                row,
                type=type(value.value).__name__,
                values=(*row.values, value.value),
                status=value.name,
                source_time=value.source_time,
            )
            for row, value in zip(rows, values, strict=True)
        ]
    return rows


async def peeked(client: OpcUaClient, most: int, looks: int, every_s: float) -> list[NodeRow]:
    """The variables below Objects. Raises LinkError."""
    found = await variables_below(client, client.objects, most)
    return await looked_at(client, found, looks, every_s)


def _named(found: FoundVariable, uris: Mapping[int, str]) -> str:
    """The NodeId as text with its namespace URI (OPC 10000-6, 5.1.12), free of indexes."""
    letter = {"String": "s", "Guid": "g", "ByteString": "b"}.get(found.node.NodeIdType.name, "i")
    raw = found.node.Identifier
    text = b64encode(raw).decode("ascii") if isinstance(raw, bytes) else str(raw)
    identifier = f"{letter}={text}"
    uri = uris.get(found.node.NamespaceIndex, STANDARD_NAMESPACE)
    return identifier if uri == STANDARD_NAMESPACE else f"nsu={uri};{identifier}"


def node_skeleton(picked: Mapping[Role, NodeRow]) -> str:
    """The text of a map with these roles."""
    parts = [_SKELETON]
    for role, row in picked.items():
        read = printable(str(row.values[-1]), MOST_TEXT)
        lines = [
            f"[roles.{role.value}]  # read {read} when looked at",
            # A string of JSON is one of TOML: what a server sends stays inside it.
            f"node = {json.dumps(row.node, ensure_ascii=False)}",
        ]
        if KINDS[role].units and KINDS[role] is not TIME:
            units = KINDS[role].units
            lines.append(f'unit = "{units[0]}"  # or {", ".join(units[1:])}')
        parts.append("\n".join(lines) + "\n")
    return "\n".join(parts)
