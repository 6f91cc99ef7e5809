"""A map begun from what an OPC UA server says of itself."""

from __future__ import annotations

import tomllib

from edgeflash.model import Role
from edgeflash.peek.nodes import NodeRow, node_skeleton

WRITTEN = 'nsu=urn:a;s=cup"\n[roles.fault_bits]\nnode = "other\\ ° 🔥'


def test_what_a_server_sends_stays_inside_its_line() -> None:
    """Neither its node ids nor its values can put lines of their own into the map."""
    value = "62.5\n[roles.stream]\nnode = 'i=1'"
    row = NodeRow(WRITTEN, "Cup/Flash", "str", (value,), "Good", None)
    roles = tomllib.loads(node_skeleton({Role.FLASH_POINT: row}))["roles"]
    assert {"flash_point"} == set(roles)
    assert roles["flash_point"]["node"] == WRITTEN
