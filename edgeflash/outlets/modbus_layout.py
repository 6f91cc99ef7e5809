"""Where a Modbus server keeps what: every block's first address, declared here alone. Pure.

Addresses count from 0, as sent, and are for ever. Every unit the same (`unit_ids = "any"`):

    (n - 1) × 200           the block of analyzer n: every point, in the server's order
    40000 + (n - 1) × 400   its integers, for n up to 25
    50000 + (i - 1) × 4     input i, the only registers that can be written (modbus_inputs)
    52000 + (n - 1) × 800   its block again in each order, 200 registers each, for n up to 16
    65000                   the test pattern, 40 registers in each order and in the server's

A unit for each analyzer (`unit_ids = "per_analyzer"`): unit n has analyzer n's block at 0, its
integers at 1000, its block in each order at 2000; inputs and test pattern as above. Units 0 and 255
are the gateway itself: inputs and test pattern.
"""

from __future__ import annotations

from dataclasses import dataclass

from edgeflash.config.register_map import Order
from edgeflash.config.site import ModbusServer, UnitIds
from edgeflash.points import BLOCK_REGISTERS

INTEGERS_AT = 40_000
INTEGER_REGISTERS = 400
MOST_INTEGERS = 25
"""The highest analyzer number with integers, where every unit is the same."""

ORDERS_AT = 52_000
ORDERS = (Order.ABCD, Order.CDAB, Order.BADC, Order.DCBA)
MOST_ORDERS = 16
"""The highest analyzer number with a block in each order, where every unit is the same."""

PATTERN_AT = 65_000
PATTERN_REGISTERS = 40

UNIT_INTEGERS_AT = 1_000
UNIT_ORDERS_AT = 2_000
GATEWAY_UNITS = frozenset({0, 255})
"""Units that are the gateway itself. 255 is the unit of a device that is no bridge, and 0 is taken
for it (Modbus messaging on TCP/IP implementation guide V1.0b, 4.4.1.2; from memory)."""


@dataclass(frozen=True, slots=True)
class Addresses:
    """The first addresses of one analyzer's blocks; None where a server has no room for one."""

    block: int
    integers: int | None
    orders: int | None

    def order(self, order: Order) -> int | None:
        """The first address of the block in an order of its own."""
        if self.orders is None:
            return None
        return self.orders + ORDERS.index(order) * BLOCK_REGISTERS


def addresses(unit_ids: UnitIds, number: int) -> Addresses:
    """Where a server keeps analyzer `number`."""
    if unit_ids == "per_analyzer":
        return Addresses(0, UNIT_INTEGERS_AT, UNIT_ORDERS_AT)
    return Addresses(
        (number - 1) * BLOCK_REGISTERS,
        INTEGERS_AT + (number - 1) * INTEGER_REGISTERS if number <= MOST_INTEGERS else None,
        ORDERS_AT + (number - 1) * len(ORDERS) * BLOCK_REGISTERS if number <= MOST_ORDERS else None,
    )


def addresses_on(server: ModbusServer, number: int) -> Addresses:
    """Where this server keeps analyzer `number`."""
    return addresses(server.unit_ids, number)


def unit_of(server: ModbusServer, number: int) -> int | None:
    """The unit to ask for analyzer `number`; None: any."""
    return number if server.unit_ids == "per_analyzer" else None


def page_of(address: int) -> int:
    """The page of an address: page p holds the 200 registers from (p - 1) × 200."""
    return address // BLOCK_REGISTERS + 1
