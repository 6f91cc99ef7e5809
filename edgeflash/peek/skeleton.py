"""The beginning of a register map, from what was picked. Pure.

What a first look cannot know is left to be filled in, with a comment that says so.
"""

from __future__ import annotations

from collections.abc import Mapping

from edgeflash.config.register_map import Encoding, Order, Table
from edgeflash.config.roles import KINDS, TIME
from edgeflash.model import Role
from edgeflash.peek.rows import Reading

_HEADER = """\
# Register map begun by a first look at the device. Check every line against its manual: that a
# value looks right does not make it right.

[map]
name = "to be named"
protocol = "modbus"
addressing = "{addressing}"
order = "{order}"
"""


def skeleton(
    picked: Mapping[Role, Reading], table: Table, order: Order, one_based: bool = False
) -> str:
    """The text of a register map with these roles. Addresses are written as the map counts."""
    parts = [
        _HEADER.format(
            addressing="one_based" if one_based else "zero_based",
            order=order.value,
        )
    ]
    for role, reading in picked.items():
        parts.append(_role(role, reading, table, order, one_based))
    return "\n".join(parts)


def _role(role: Role, reading: Reading, table: Table, order: Order, one_based: bool) -> str:
    decoding, kind = reading.decoding, KINDS[role]
    lines = [
        f"[roles.{role.value}]  # read {reading.value} when looked at",
        f'table = "{table.value}"',
        f"address = {reading.address + one_based}",
        f'type = "{decoding.encoding.value}"',
    ]
    alone = decoding.registers == 1
    if decoding.encoding is Encoding.STRING:
        lines.append(f"length = {decoding.length}")
    elif decoding.order is not (Order.ABCD if alone else order):
        lines.append(f'order = "{decoding.order.value}"')
    if reading.scale != 1.0:
        lines.append(f"scale = {reading.scale:g}")
    if kind is TIME:
        lines.append('unit = "epoch_s"')
    elif kind.units:
        lines.append(f'unit = "{kind.units[0]}"  # or {", ".join(kind.units[1:])}')
    if role is Role.PHASE:
        lines.append('# values = { 0 = "idle", 1 = "heat" }  # the meaning of each number')
    return "\n".join(lines) + "\n"
