"""The whole address space as an asyncua client walks it: types, references, properties, access.

What a type of the standard demands is read from the server's own copy of the standard's node set,
which comes with asyncua (OPC 10000-5, 10000-8).
"""

from __future__ import annotations

import logging
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import pytest_asyncio
from asyncua import Client, ua
from asyncua.common.node import Node

from edgeflash.config.site import Product, Stream
from edgeflash.inputs import InputStore
from edgeflash.link_figures import LinkFigures
from edgeflash.model import Assessment
from edgeflash.outlets import OpcUaOutlet
from edgeflash.outlets.mqtt_figures import MqttFigures
from edgeflash.outlets.opcua_diagnostics import GatewayFacts
from edgeflash.outlets.opcua_names import NAMESPACE_URI, TYPES_NAMESPACE_URI
from edgeflash.outlets.opcua_settings import InForce
from edgeflash.points import CATALOGUE
from tests.unit.outlets import builders

pytestmark = pytest.mark.asyncio(loop_scope="module")
MODULE = {"scope": "module", "loop_scope": "module"}
ANALYZERS = (
    builders.analyzer("fp-101", 1, product="jet", method="d93-a"),
    builders.analyzer(
        "fp-102", 2, streams=(Stream(number=1, product="jet"), Stream(number=2, product="gas-oil"))
    ),
)
PRODUCTS = {"jet": Product(minimum_c=38.0), "gas-oil": Product(minimum_c=55.0)}
STARTED = datetime(2031, 4, 5, 6, 0, tzinfo=UTC)
IN_FORCE = InForce("Invented Bend", PRODUCTS, {}, "cd" * 32, STARTED)
HAS_PROPERTY, HAS_COMPONENT = ua.NodeId(46), ua.NodeId(47)
HAS_TYPE, HAS_SUBTYPE, HAS_RULE = ua.NodeId(40), ua.NodeId(45), ua.NodeId(37)
HIERARCHICAL = {ua.NodeId(35), HAS_PROPERTY, HAS_COMPONENT, HAS_SUBTYPE}
MANDATORY = ua.NodeId(78)


@pytest.fixture(autouse=True)
def quiet(caplog: pytest.LogCaptureFixture) -> None:
    """The library logs every refusal; here they are expected."""
    caplog.set_level(logging.CRITICAL, logger="asyncua")


@dataclass
class Plant:
    """A running outlet, the clock of its diagnostics, and what it is told of the gateway."""

    now_s: float = 0.0
    facts: GatewayFacts = field(default_factory=lambda: GatewayFacts(STARTED, "", {}, 5_000_000))


@pytest_asyncio.fixture(**MODULE)
async def plant() -> Plant:
    """The outlet's surroundings."""
    return Plant()


@pytest_asyncio.fixture(**MODULE)
async def outlet(plant: Plant) -> AsyncIterator[OpcUaOutlet]:
    """One outlet for the module, with inputs that may be written."""
    one = OpcUaOutlet(
        builders.opcua(accept_inputs=True),
        ANALYZERS,
        "Invented Bend",
        InputStore(builders.INPUTS),
        lambda: plant.now_s,
        IN_FORCE,
        lambda: plant.facts,
    )
    await one.start()
    yield one
    await one.stop()


@pytest_asyncio.fixture(**MODULE)
async def client(outlet: OpcUaOutlet) -> AsyncIterator[Client]:
    """A client connected anonymously."""
    async with Client(outlet.endpoint, timeout=30) as one:
        yield one


@dataclass
class Seen:
    """One node as the client sees it. at: browse names from Objects or from the root of types."""

    node: Node
    at: tuple[str, ...]
    references: list[ua.ReferenceDescription]
    kind: ua.NodeClass

    def targets(self, reference: ua.NodeId, forward: bool = True) -> list[ua.NodeId]:
        """Where references of a type lead."""
        return [
            r.NodeId
            for r in self.references
            if r.ReferenceTypeId == reference and r.IsForward is forward
        ]


Tree = dict[ua.NodeId, Seen]


@pytest_asyncio.fixture(**MODULE)
async def tree(client: Client) -> Tree:
    """Every node of ours, found by browsing down from Objects and from the standard's types."""
    ours = {await client.get_namespace_index(uri) for uri in (NAMESPACE_URI, TYPES_NAMESPACE_URI)}
    found: Tree = {}
    known = {ua.NodeId(ua.ObjectIds.Server)}  # large, and none of ours but for the namespaces
    waiting: list[tuple[Node, tuple[str, ...]]] = [
        (client.nodes.root, ()),
        (client.nodes.namespaces, ("Objects", "Server", "Namespaces")),
    ]
    while waiting:
        node, at = waiting.pop()
        if node.nodeid in known:
            continue
        known.add(node.nodeid)
        references = await node.get_references()
        is_ours = node.nodeid.NamespaceIndex in ours
        if is_ours:
            kind = await node.read_node_class()
            found[node.nodeid] = Seen(node, at, references, kind)
        # The standard's own types have many members, and none of them is ours.
        down = {HAS_SUBTYPE} if at[:1] == ("Types",) and at[3:] and not is_ours else HIERARCHICAL
        waiting += [
            (client.get_node(r.NodeId), (*at, r.BrowseName.Name))
            for r in references
            if r.IsForward and r.ReferenceTypeId in down
        ]
    return found


async def test_the_walk_finds_every_point(tree: Tree, client: Client) -> None:
    """By browsing alone, at the path that the point list gives."""
    index = await client.get_namespace_index(NAMESPACE_URI)
    paths = {seen.at[1:]: node_id for node_id, seen in tree.items() if seen.at[0] == "Objects"}
    for analyzer in ANALYZERS:
        for point in CATALOGUE:
            node_id = paths["Edgeflash", analyzer.id, point.title]
            assert node_id == ua.NodeId(f"{analyzer.id}.{point.name}", index)


async def test_every_reference_is_there_from_both_ends(tree: Tree) -> None:
    """Of the hierarchical ones; and none leads to a node that is not there."""
    checked = 0
    for node_id, seen in tree.items():
        above = [r for r in seen.references if not r.IsForward and _is_down(r)]
        assert above, f"{seen.at} hangs on nothing"
        for reference in seen.references:
            if not _is_down(reference) or reference.NodeId not in tree:
                continue
            back = tree[reference.NodeId].targets(
                reference.ReferenceTypeId, not reference.IsForward
            )
            assert node_id in back, seen.at
            checked += 1
    assert checked > 2 * len(CATALOGUE)


def _is_down(reference: ua.ReferenceDescription) -> bool:
    return reference.ReferenceTypeId in HIERARCHICAL


async def test_every_instance_has_a_type_that_is_there(tree: Tree, client: Client) -> None:
    """HasTypeDefinition: exactly one, and it leads to a type of the right node class."""
    classes = {
        ua.NodeClass.Object: ua.NodeClass.ObjectType,
        ua.NodeClass.Variable: ua.NodeClass.VariableType,
    }
    for seen in tree.values():
        wanted = classes.get(seen.kind)
        types = seen.targets(HAS_TYPE)
        assert len(types) == (0 if wanted is None else 1), seen.at
        for one in types:
            assert await client.get_node(one).read_node_class() is wanted, seen.at


async def test_browse_names_are_unique_below_each_node(tree: Tree) -> None:
    """Else a path means two nodes."""
    for seen in tree.values():
        names = [
            (r.BrowseName.NamespaceIndex, r.BrowseName.Name)
            for r in seen.references
            if r.IsForward and _is_down(r)
        ]
        assert len(names) == len(set(names)), seen.at


async def test_every_instance_has_what_its_types_demand(tree: Tree, client: Client) -> None:
    """Each member with ModellingRule Mandatory, of its type and of all types above, ours and the
    standard's, with the same node class."""
    demands: dict[ua.NodeId, list[ua.ReferenceDescription]] = {}
    checked = 0
    for seen in _instances(tree):
        if seen.kind not in (ua.NodeClass.Object, ua.NodeClass.Variable):
            continue  # a method has no type
        own = {(r.BrowseName.NamespaceIndex, r.BrowseName.Name): r for r in seen.references}
        (kind,) = seen.targets(HAS_TYPE)
        for wanted in await _demanded(client, kind, demands):
            name = (wanted.BrowseName.NamespaceIndex, wanted.BrowseName.Name)
            assert name in own, (seen.at, name)
            assert own[name].NodeClass == wanted.NodeClass
            assert own[name].ReferenceTypeId == wanted.ReferenceTypeId
            checked += 1
    assert checked > 4 * len(CATALOGUE)


def _instances(tree: Tree) -> Iterator[Seen]:
    """The objects and variables that are no parts of types."""
    return (seen for seen in tree.values() if seen.at[0] == "Objects")


async def _demanded(
    client: Client, kind: ua.NodeId, known: dict[ua.NodeId, list[ua.ReferenceDescription]]
) -> list[ua.ReferenceDescription]:
    if kind in known:
        return known[kind]
    references = await client.get_node(kind).get_references()
    known[kind] = []
    for reference in references:
        if reference.IsForward and reference.ReferenceTypeId in (HAS_COMPONENT, HAS_PROPERTY):
            rules = await client.get_node(reference.NodeId).get_references(HAS_RULE)
            if MANDATORY in [rule.NodeId for rule in rules]:
                known[kind].append(reference)
        if not reference.IsForward and reference.ReferenceTypeId == HAS_SUBTYPE:
            known[kind] += await _demanded(client, reference.NodeId, known)
    return known[kind]


async def test_data_types_fit_the_variable_types(tree: Tree, client: Client) -> None:
    """Each variable's DataType is its type's or a subtype of it (OPC 10000-3, 5.6.4)."""
    checked = 0
    for seen in tree.values():
        if seen.kind is not ua.NodeClass.Variable:
            continue
        (kind,) = seen.targets(HAS_TYPE)
        demanded = await client.get_node(kind).read_data_type()
        if demanded == ua.NodeId(ua.ObjectIds.String):
            continue  # what asyncua has where the node set says nothing, which means any
        assert await _is_subtype(client, await seen.node.read_data_type(), demanded), seen.at
        checked += 1
    assert checked > 2 * len(CATALOGUE)


async def _is_subtype(client: Client, one: ua.NodeId, other: ua.NodeId) -> bool:
    while one != other:
        above = await client.get_node(one).get_references(
            HAS_SUBTYPE, direction=ua.BrowseDirection.Inverse
        )
        if not above:
            return False
        one = above[0].NodeId
    return True


async def test_values_are_of_their_data_types(tree: Tree) -> None:
    """Every value that is there has the built-in type and the rank that its node says."""
    built_in = {n.value: n for n in ua.VariantType if n.value <= 21}
    for seen in tree.values():
        if seen.kind is not ua.NodeClass.Variable:
            continue
        read = await seen.node.read_data_value(raise_on_bad_status=False)
        if read.Value is None or read.Value.VariantType is ua.VariantType.Null:
            continue
        data_type = await seen.node.read_data_type()
        if data_type.NamespaceIndex == 0 and data_type.Identifier in built_in:
            assert read.Value.VariantType is built_in[data_type.Identifier], seen.at
        rank = (await seen.node.read_attribute(ua.AttributeIds.ValueRank)).Value.Value
        assert (rank == 1) is bool(read.Value.is_array), seen.at


async def test_only_declared_inputs_may_be_written(tree: Tree, client: Client) -> None:
    """By the access level, and by trying."""
    index = await client.get_namespace_index(NAMESPACE_URI)
    declared = {
        ua.NodeId(f"inputs.{one.id}", index) for one in builders.INPUTS if one.value is None
    }
    writable = set()
    for node_id, seen in tree.items():
        assert (await seen.node.read_attribute(ua.AttributeIds.WriteMask)).Value.Value == 0
        if seen.kind is not ua.NodeClass.Variable:
            continue
        access = (await seen.node.read_attribute(ua.AttributeIds.UserAccessLevel)).Value.Value
        if access & ua.AccessLevel.CurrentWrite.mask:
            writable.add(node_id)
            continue
        value = await seen.node.read_data_value(raise_on_bad_status=False)
        with pytest.raises(ua.UaStatusCodeError) as refusal:
            await seen.node.write_attribute(ua.AttributeIds.Value, ua.DataValue(value.Value))
        assert refusal.value.code == ua.StatusCodes.BadUserAccessDenied, seen.at
    assert writable == declared


async def _read(client: Client, identifier: str) -> ua.DataValue:
    index = await client.get_namespace_index(NAMESPACE_URI)
    node = client.get_node(ua.NodeId(identifier, index))
    return await node.read_data_value(raise_on_bad_status=False)


async def _value(client: Client, identifier: str) -> Any:
    read = await _read(client, identifier)
    return None if read.Value is None else read.Value.Value


async def test_codes_with_gaps_say_their_text(outlet: OpcUaOutlet, client: Client) -> None:
    """ValueAsText is the name that EnumValues has for the value (OPC 10000-8, 5.3.3.4), with the
    value's status and time."""
    await outlet.publish([builders.accepted_view()])
    assert (await _value(client, "fp-101.reason_code.ValueAsText")).Text == "none"
    assert (await _value(client, "fp-101.quality.ValueAsText")).Text == "Good"
    await outlet.publish([builders.rejected_view(held=True)])
    assert await _value(client, "fp-101.quality") == 1
    assert (await _value(client, "fp-101.quality.ValueAsText")).Text == "UncertainLastUsableValue"
    meanings = await _value(client, "fp-101.quality.EnumValues")
    named = {m.Value: m.DisplayName.Text for m in meanings}
    assert named[1] == "UncertainLastUsableValue"
    of_value = await _read(client, "fp-101.quality")
    of_text = await _read(client, "fp-101.quality.ValueAsText")
    assert of_text.StatusCode.value == of_value.StatusCode.value == 0
    assert of_text.SourceTimestamp == of_value.SourceTimestamp


async def test_the_low_limit_follows_the_product(outlet: OpcUaOutlet, client: Client) -> None:
    """Fixed for one product; where a stream chooses it, that of the latest cycle, and none before
    any (BadWaitingForInitialData 80320000, from the code list of OPC 10000-4)."""
    assert await _value(client, "fp-101.flash_point_c.LowLimit") == 38.0
    assert (await _read(client, "fp-102.flash_point_c.LowLimit")).StatusCode.value == 0x80320000
    for minimum_c in (38.0, 55.0):
        cycle = builders.result("fp-102", int(minimum_c))
        judged = replace(cycle, assessment=Assessment(minimum_c=minimum_c))
        await outlet.publish([builders.view_of(builders.standing_of(judged, name="fp-102"))])
        assert await _value(client, "fp-102.flash_point_c.LowLimit") == minimum_c


async def test_the_configuration_in_force(client: Client) -> None:
    """As texts, figures with units and enumerations whose texts a client can read."""
    assert await _value(client, "Edgeflash.Configuration.SiteFileDigest") == "cd" * 32
    assert await _value(client, "Edgeflash.Configuration.TakenOverAt") == STARTED
    assert await _value(client, "fp-101.Configuration.HoldTime") == 900.0
    unit = await _value(client, "fp-101.Configuration.HoldTime.EngineeringUnits")
    assert unit.UnitId == int.from_bytes(b"SEC", "big")
    index = await client.get_namespace_index(NAMESPACE_URI)
    basis = client.get_node(ua.NodeId("fp-101.Configuration.Basis", index))
    data_type = client.get_node(await basis.read_data_type())
    texts = await (await data_type.get_child("0:EnumStrings")).read_value()
    assert texts[await basis.read_value()].Text == "reported"
    definition = await data_type.read_data_type_definition()
    assert [f.Name for f in definition.Fields] == [t.Text for t in texts]


async def test_diagnostics_are_shown_and_follow(
    outlet: OpcUaOutlet, client: Client, plant: Plant
) -> None:
    """A fault is there within the second, and what nobody knows is BadNoData (809B0000)."""
    plant.now_s += 2.0
    await outlet.publish([builders.accepted_view()])
    assert await _value(client, "Edgeflash.Diagnostics.StartedAt") == STARTED
    assert await _value(client, "Edgeflash.Diagnostics.HistoryFault") == ""
    assert await _value(client, "Edgeflash.Diagnostics.FreeRoomBytes") == 5_000_000
    assert await _value(client, "fp-101.Diagnostics.LastReadAt") == builders.START
    assert await _value(client, "Edgeflash.Diagnostics.MqttFault") == ""
    mqtt = MqttFigures("panel", "mqtts://10.20.0.40:8883", waiting=7, fault="no TLS")
    plant.facts = GatewayFacts(STARTED, "no room", {"fp-101": "disk is full"}, None, (mqtt,))
    await outlet.publish([builders.accepted_view()])
    assert await _value(client, "Edgeflash.Diagnostics.HistoryFault") == ""  # not twice a second
    plant.now_s += 2.0
    await outlet.publish([builders.accepted_view()])
    assert await _value(client, "Edgeflash.Diagnostics.HistoryFault") == "no room"
    assert await _value(client, "Edgeflash.Diagnostics.JournalFault") == "fp-101: disk is full"
    assert await _value(client, "fp-101.Diagnostics.JournalFault") == "disk is full"
    assert await _value(client, "Edgeflash.Diagnostics.MqttFault") == "panel: no TLS"
    assert await _value(client, "Edgeflash.Diagnostics.MqttWaiting") == 7
    unknown = await _read(client, "Edgeflash.Diagnostics.FreeRoomBytes")
    assert unknown.StatusCode.value == 0x809B0000
    await outlet.publish([builders.accepted_view()])


async def test_a_links_figures_are_diagnostics(
    outlet: OpcUaOutlet, client: Client, plant: Plant
) -> None:
    """Counts, and round trips in ms (UNECE C26), bad while there are none (BadNoData 809B0000)."""
    figures = LinkFigures(
        requests=40, answers=37, refusals=((2, 3), (6, 4)), timeouts=2, round_trip_p95_ms=12.5
    )
    standing = replace(builders.standing_of(builders.result()), link_figures=figures)
    plant.now_s += 2.0
    await outlet.publish([builders.view_of(standing)])
    at = "fp-101.Diagnostics."
    for name, wanted in (("Requests", 40), ("Answers", 37), ("Refusals", 7), ("Timeouts", 2)):
        assert await _value(client, at + name) == wanted
    assert await _value(client, at + "RoundTripP95") == 12.5
    unit = await _value(client, at + "RoundTripP95.EngineeringUnits")
    assert unit.UnitId == int.from_bytes(b"C26", "big")
    assert (await _read(client, at + "RoundTripMax")).StatusCode.value == 0x809B0000


async def test_the_types_namespace_says_its_version(client: Client) -> None:
    """Server/Namespaces (OPC 10000-5, 6.3.13) tells a client which types it finds."""
    index = await client.get_namespace_index(TYPES_NAMESPACE_URI)
    namespaces = client.get_node(ua.ObjectIds.Server_Namespaces)
    own = await namespaces.get_child(ua.QualifiedName(TYPES_NAMESPACE_URI, index))
    assert await (await own.get_child("0:NamespaceUri")).read_value() == TYPES_NAMESPACE_URI
    assert await (await own.get_child("0:NamespaceVersion")).read_value()
    published = await (await own.get_child("0:NamespacePublicationDate")).read_value()
    assert published - datetime(2026, 1, 1, tzinfo=UTC) > timedelta(0)
