"""Links to analyzers: they read registers and hand over scans."""

from edgeflash.links.errors import DecodeError, LinkError, LinkFault, PlanError
from edgeflash.links.modbus import ModbusLink
from edgeflash.links.reading import Mark

__all__ = [
    "DecodeError",
    "LinkError",
    "LinkFault",
    "Mark",
    "ModbusLink",
    "PlanError",
]
