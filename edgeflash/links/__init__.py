"""Links to analyzers: they read registers or nodes and hand over scans."""

from edgeflash.links.choose import ALONE, Surroundings, link_for
from edgeflash.links.errors import DecodeError, LinkError, LinkFault, PlanError
from edgeflash.links.line import Line
from edgeflash.links.link import Link
from edgeflash.links.modbus import ModbusLink
from edgeflash.links.opcua_link import OpcUaLink
from edgeflash.links.opcua_security import LinkKeys
from edgeflash.links.reading import Mark

__all__ = [
    "ALONE",
    "DecodeError",
    "Line",
    "Link",
    "LinkError",
    "LinkFault",
    "LinkKeys",
    "Mark",
    "ModbusLink",
    "OpcUaLink",
    "PlanError",
    "Surroundings",
    "link_for",
]
