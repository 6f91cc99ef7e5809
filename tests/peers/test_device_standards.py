"""What we took over from the companion standards, held against their own node sets.

Source: the files of OPC 10000-100 (devices) that npm's node-opcua-nodesets carries, as published.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET

import pytest

from edgeflash.outlets.opcua_enumerations import HEALTH
from edgeflash.outlets.opcua_settings import NAMEPLATE
from edgeflash.trust import Category
from tests.peers.programs import node_modules

pytestmark = pytest.mark.peer("node-opcua")
SPACE = {"n": "http://opcfoundation.org/UA/2011/03/UANodeSet.xsd"}

# NAMUR NE 107 by the standard's names (OPC 10000-100, 4.5.4).
NAMES = {
    "NORMAL": Category.OK,
    "FAILURE": Category.FAILURE,
    "CHECK_FUNCTION": Category.FUNCTION_CHECK,
    "OFF_SPEC": Category.OUT_OF_SPECIFICATION,
    "MAINTENANCE_REQUIRED": Category.MAINTENANCE_REQUIRED,
}


@pytest.fixture(scope="module")
def devices() -> ET.Element:
    """The node set of the device standard."""
    folder = node_modules() / "node-opcua-nodesets" / "nodesets"
    return ET.parse(folder / "Opc.Ua.Di.NodeSet2.xml").getroot()


def test_health_is_numbered_as_the_standard_has_it(devices: ET.Element) -> None:
    """A client that knows DeviceHealthEnumeration reads our `DeviceHealth` right."""
    fields = devices.findall(
        "n:UADataType[@BrowseName='1:DeviceHealthEnumeration']/n:Definition/n:Field", SPACE
    )
    numbered = {NAMES[field.attrib["Name"]].value: int(field.attrib["Value"]) for field in fields}
    assert numbered == {text: code for code, text in enumerate(HEALTH.texts)}
    assert len(numbered) == len(Category)


def test_the_nameplate_has_the_names_and_types_of_the_standard(devices: ET.Element) -> None:
    """Of its vendor and tag nameplates: a name that it has means what it means there."""
    types = {
        variable.attrib["BrowseName"].removeprefix("1:"): variable.attrib.get("DataType")
        for variable in devices.findall("n:UAVariable", SPACE)
        if variable.attrib.get("ParentNodeId") in _nameplates(devices)
    }
    assert {one.name: types.get(one.name) for one in NAMEPLATE} == {
        one.name: one.data_type for one in NAMEPLATE
    }


def _nameplates(devices: ET.Element) -> set[str]:
    return {
        kind.attrib["NodeId"]
        for kind in devices.findall("n:UAObjectType", SPACE)
        if kind.attrib["BrowseName"] in ("1:IVendorNameplateType", "1:ITagNameplateType")
    }
