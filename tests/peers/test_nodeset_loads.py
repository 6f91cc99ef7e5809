"""The NodeSet2 file is as the published schema says, and other servers show from it what ours does.

Peers: xmllint with UANodeSet.xsd (OPC 10000-6, annex F) as npm's node-opcua-nodesets carries it;
a node-opcua server, and a second asyncua server with a namespace of its own, that load the file.
"""

from __future__ import annotations

import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from asyncua import Client, Server, ua
from asyncua.common.node import Node

from edgeflash.config.site import Input, Product, Site
from edgeflash.inputs import InputStore
from edgeflash.outlets import OpcUaOutlet
from edgeflash.outlets.opcua_export import site_nodeset
from edgeflash.outlets.opcua_settings import InForce
from tests.peers.programs import node_modules
from tests.peers.running import HERE, output_of, running
from tests.unit.outlets import builders

OURS = ("urn:edgeflash:types", "urn:edgeflash:points")
SCHEMA = node_modules() / "node-opcua-nodesets" / "nodesets" / "UANodeSet.xsd"
TEXT = 'a \x01 mark, <b>&amp; "quotes"'
"""A description that a careless writer would make broken XML from."""

INPUTS = (*builders.INPUTS, Input(id="odd", number=7, description=TEXT))


CONDITIONS = ("AlarmConditionType", "NonExclusiveLevelAlarmType")
"""Types of the standard whose instances are no part of the file."""

NO_VALUE = (ua.NodeClass.Variable, None)


def the_site() -> Site:
    """Two analyzers in °F and psi, with a product, and inputs that may be written."""
    made = builders.site(
        builders.analyzer("fp-101", 1, product="jet", description=TEXT, range_low_c=30.0),
        builders.analyzer("fp-102", 2),
        opcua_server=builders.opcua(
            temperature_unit="degF", pressure_unit="psi", accept_inputs=True
        ),
        inputs=INPUTS,
    )
    products = {"jet": Product(minimum_c=38.0, source="invented")}
    return made.model_copy(update={"file": made.file.model_copy(update={"products": products})})


@pytest.fixture(autouse=True)
def quiet(caplog: pytest.LogCaptureFixture) -> None:
    """asyncua logs what it imports."""
    caplog.set_level(logging.CRITICAL, logger="asyncua")


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """The exported file."""
    path = tmp_path / "model.xml"
    path.write_text(site_nodeset(the_site()), "utf-8")
    return path


@pytest.fixture
def broken(file: Path) -> Path:
    """The file with an element that the schema does not know."""
    path = file.with_name("broken.xml")
    path.write_text(file.read_text("utf-8").replace("<Models>", "<Models><Modell/>"), "utf-8")
    return path


@pytest.mark.peer("xmllint", "node-opcua")
async def test_the_file_is_valid(file: Path, broken: Path) -> None:
    """Against the schema; and the schema finds a fault, so that it can."""
    await output_of("xmllint", "--nonet", "--noout", "--schema", SCHEMA, file)
    with pytest.raises(AssertionError):
        await output_of("xmllint", "--nonet", "--noout", "--schema", SCHEMA, broken)


@asynccontextmanager
async def our_server() -> AsyncIterator[Client]:
    """A client of our own server."""
    site = the_site()
    assert site.file.opcua is not None
    outlet = OpcUaOutlet(
        site.file.opcua,
        site.file.analyzers,
        site.file.site.name,
        InputStore(site.file.inputs),
        in_force=InForce.of(site),
    )
    await outlet.start()
    try:
        async with Client(outlet.endpoint, timeout=30) as client:
            yield client
    finally:
        await outlet.stop()


@asynccontextmanager
async def node_opcua(file: Path, pki: Path) -> AsyncIterator[Client]:
    """A client of a node-opcua server that has loaded the file."""
    environment = {"NODE_PATH": str(node_modules()), "PKI_FOLDER": str(pki)}
    async with running(["node", HERE / "serve_nodeset.js", file], environment) as peer:
        port = await peer.hear("serving ")
        async with Client(f"opc.tcp://127.0.0.1:{port}", timeout=30) as client:
            yield client


@asynccontextmanager
async def asyncua_server(file: Path) -> AsyncIterator[Client]:
    """A client of a bare asyncua server that has loaded the file; its indexes are others."""
    server = Server()
    await server.init()
    server.set_endpoint("opc.tcp://127.0.0.1:0/other")
    await server.register_namespace("urn:invented:other")
    await server.import_xml(file)
    async with server:
        assert server.bserver is not None
        async with Client(f"opc.tcp://127.0.0.1:{server.bserver.port}/other", timeout=30) as client:
            yield client


@pytest.mark.peer("node", "node-opcua")
async def test_node_opcua_shows_the_same(file: Path, tmp_path: Path) -> None:
    """Types, data types, units, ranges, texts, limits, access: node by node as our server has."""
    async with node_opcua(file, tmp_path / "pki") as theirs:
        # This server takes over no descriptions of methods.
        await _is_the_same(theirs, lost=((ua.NodeClass.Method, "description"),))


async def test_another_asyncua_server_shows_the_same(file: Path) -> None:
    """The same, on a server with other namespace indexes."""
    async with asyncua_server(file) as theirs:
        await _is_the_same(theirs)


async def _is_the_same(theirs: Client, lost: tuple[tuple[ua.NodeClass, str], ...] = ()) -> None:
    seen = await _seen(theirs)
    async with our_server() as client:
        wanted = await _seen(client)
    assert set(wanted) <= set(seen)
    for path, node in wanted.items():
        # What only a running server knows is not in the file.
        is_live = node.pop("is_bad", False) or (node["class"], node.get("value")) == NO_VALUE
        for name, value in node.items():
            if (name != "value" or not is_live) and (node["class"], name) not in lost:
                assert seen[path][name] == value, (path, name)
    flash = "points:Edgeflash/points:fp-101/points:FlashPoint"
    # 30 to 125 °C and 38 °C in °F; FAH as big-endian ASCII (OPC 10000-8, 5.6.4).
    assert wanted[f"{flash}/InstrumentRange"]["value"] == ("range", 86.0, 257.0)
    assert wanted[f"{flash}/EngineeringUnits"]["value"][1] == int.from_bytes(b"FAH", "big")
    assert wanted[f"{flash}/LowLimit"]["value"] == pytest.approx(100.4)
    verdict = wanted["points:Edgeflash/points:fp-101/points:Verdict/EnumStrings"]["value"]
    assert verdict == ["none", "accepted", "doubtful", "rejected"]
    method = "points:Edgeflash/points:fp-101/points:StartMaintenance/InputArguments"
    assert wanted[method]["value"][0][:3] == ("Minutes", (0, ua.ObjectIds.Double), -1)
    assert any(path.startswith("types:FlashPointAnalyzerType/") for path in wanted)


async def _seen(client: Client) -> dict[str, dict[str, Any]]:
    """Every node of ours by its path of browse names, with what must not get lost on the way."""
    spaces = {await client.get_namespace_index(uri): uri.split(":")[-1] for uri in OURS}
    index = {name: number for number, name in spaces.items()}
    roots = [
        client.get_node(ua.NodeId("Edgeflash", index["points"])),
        *(
            client.get_node(ua.NodeId(name, index["types"]))
            for name in ("FlashPointAnalyzerType", "GatewayType", "UnitRangeInputType")
        ),
        client.get_node(ua.NodeId("VerdictEnumeration", index["types"])),
    ]
    found: dict[str, dict[str, Any]] = {}
    waiting = [("", node) for node in roots]
    while waiting:
        above, node = waiting.pop()
        name = await node.read_browse_name()
        path = f"{above}/{_spoken(name, spaces)}".removeprefix("/")
        facts = await _facts(client, node, spaces)
        if facts.get("type") in CONDITIONS:
            continue
        found[path] = facts
        waiting += [(path, child) for child in await node.get_children()]
    return found


def _spoken(name: ua.QualifiedName, spaces: dict[int, str]) -> str:
    space = spaces.get(name.NamespaceIndex)
    return f"{space}:{name.Name}" if space else str(name.Name)


async def _facts(client: Client, node: Node, spaces: dict[int, str]) -> dict[str, Any]:
    kind = await node.read_node_class()
    found: dict[str, Any] = {
        "id": (node.nodeid.Identifier, spaces.get(node.nodeid.NamespaceIndex)),
        "class": kind,
        "title": (await node.read_display_name()).Text,
        "description": _legal((await node.read_description()).Text),
    }
    if kind in (ua.NodeClass.Object, ua.NodeClass.Variable):
        type_id = await node.read_type_definition()
        found["type"] = _spoken(await client.get_node(type_id).read_browse_name(), spaces)
    rules = await node.get_referenced_nodes(ua.ObjectIds.HasModellingRule)
    found["rules"] = [one.nodeid.Identifier for one in rules]
    if kind in (ua.NodeClass.Variable, ua.NodeClass.VariableType):
        data_type = client.get_node(await node.read_data_type())
        found["data_type"] = _spoken(await data_type.read_browse_name(), spaces)
        found["rank"] = (await node.read_attribute(ua.AttributeIds.ValueRank)).Value.Value
    if kind is ua.NodeClass.Variable:
        found["access"] = (await node.read_attribute(ua.AttributeIds.AccessLevel)).Value.Value
        read = await node.read_data_value(raise_on_bad_status=False)
        value = None if read.Value is None else _plain(read.Value.Value)
        # An empty text or list may become none on the way.
        found["value"] = None if value in ("", []) else value
        found["is_bad"] = read.StatusCode.is_bad()
    return found


def _plain(value: Any) -> Any:
    match value:
        case list():
            return [_plain(one) for one in value]
        case ua.LocalizedText():
            return value.Text or ""
        case ua.Range():
            return ("range", value.Low, value.High)
        case ua.EUInformation():
            return (value.NamespaceUri, value.UnitId, value.DisplayName.Text)
        # Not by class: the library decodes to another class of the same name than ua's.
        case _ if type(value).__name__ == "Argument":
            data_type = (value.DataType.NamespaceIndex, value.DataType.Identifier)
            return (value.Name, data_type, value.ValueRank, value.Description.Text)
        case ua.EnumValueType():
            return (value.Value, value.DisplayName.Text, value.Description.Text or "")
    return value


def _legal(text: str | None) -> str | None:
    """XML 1.0 has no room for a control character: it becomes a question mark."""
    return None if text is None else text.replace("\x01", "?")
