"""The inputs as OPC UA clients see and write them: asyncua's client over the wire.

Codes: BadTypeMismatch 80740000, BadIndexRangeInvalid 80360000, BadUserAccessDenied 801F0000,
BadTooManyOperations 80100000, BadWaitingForInitialData 80320000 (OPC 10000-6, A.2; from memory).
UnitId: the UNECE code as big-endian ASCII (OPC 10000-8, 5.6.4).
"""

from __future__ import annotations

import logging
import math
from collections.abc import AsyncIterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import pytest
import pytest_asyncio
from asyncua import Client, ua
from asyncua.common.node import Node

from edgeflash.inputs import InputStore
from edgeflash.outlets import OpcUaOutlet, rows
from edgeflash.outlets.opcua_names import NAMESPACE_URI
from edgeflash.trust import Trust
from tests.integration.outlets.test_opcua import Seen
from tests.unit.outlets.builders import INPUTS, accepted_view, analyzer, opcua, site
from tests.waiting import until

pytestmark = pytest.mark.asyncio(loop_scope="module")
MODULE = {"scope": "module", "loop_scope": "module"}
ANALYZERS = (analyzer("fp-101", 1),)
GIVEN = datetime(2031, 4, 5, 6, 7, 8, tzinfo=UTC)


@pytest.fixture(autouse=True)
def quiet(caplog: pytest.LogCaptureFixture) -> None:
    """The library logs every refusal; here they are expected."""
    caplog.set_level(logging.CRITICAL, logger="asyncua")


@dataclass
class Plant:
    """An outlet that accepts inputs, its store, a client, and a clock to be set."""

    store: InputStore
    outlet: OpcUaOutlet
    client: Client
    now_s: float = 0.0

    async def node(self, identifier: str) -> Node:
        """The node of an identifier."""
        index = await self.client.get_namespace_index(NAMESPACE_URI)
        return self.client.get_node(f"ns={index};s={identifier}")

    async def read(self, identifier: str) -> ua.DataValue:
        """Value, status and times."""
        return await (await self.node(identifier)).read_data_value(raise_on_bad_status=False)

    async def write(self, identifier: str, value: Any, **item: Any) -> int:
        """The status code that answers a write of one value."""
        node = await self.node(identifier)
        given = value if isinstance(value, ua.DataValue) else ua.DataValue(value)
        wanted = {"AttributeId": ua.AttributeIds.Value} | item
        parameters = ua.WriteParameters(
            NodesToWrite=[ua.WriteValue(NodeId=node.nodeid, Value=given, **wanted)]
        )
        (status,) = await self.client.uaclient.write(parameters)
        return int(status.value)

    async def pass_time(self, seconds: float) -> None:
        """Moves the clock of the ages, and lets the outlet look."""
        self.now_s += seconds
        await self.outlet.publish([])


def double(value: float) -> ua.Variant:
    """A Double."""
    return ua.Variant(value, ua.VariantType.Double)


@pytest_asyncio.fixture(**MODULE)
async def plant() -> AsyncIterator[Plant]:
    """One for the module; its inputs go on from test to test."""
    store = InputStore(INPUTS)
    outlet = OpcUaOutlet(
        opcua(accept_inputs=True), ANALYZERS, "Invented Bend", store, lambda: made.now_s
    )
    made = Plant(store, outlet, Client("opc.tcp://127.0.0.1"))
    await outlet.start()
    await outlet.publish([accepted_view()])
    async with Client(outlet.endpoint, timeout=5) as client:
        made.client = client
        yield made
    await outlet.stop()


async def test_before_any_write(plant: Plant) -> None:
    """Waiting for its first value, not good, no age; a constant is there."""
    assert (await plant.read("inputs.grade")).StatusCode.value == 0x80320000
    assert (await plant.read("inputs.grade.is_good")).Value.Value is False
    assert (await plant.read("inputs.grade.age_s")).StatusCode.value == 0x80320000
    assert (await plant.read("inputs.share-b")).Value.Value == 40.0
    assert (await plant.read("inputs.share-b.is_good")).Value.Value is True


async def test_a_write_is_kept_and_shown_at_once(plant: Plant) -> None:
    """With the client's own source time; the server stamps its own beside it."""
    given = ua.DataValue(double(212.75), SourceTimestamp=GIVEN)
    assert await plant.write("inputs.t10", given) == 0
    read = await plant.read("inputs.t10")
    assert (read.Value.Value, read.StatusCode.value) == (212.75, 0)
    assert read.SourceTimestamp == GIVEN
    assert read.ServerTimestamp > datetime(2020, 1, 1, tzinfo=UTC)
    assert (await plant.read("inputs.t10.is_good")).Value.Value is True
    assert (await plant.read("inputs.t10.age_s")).Value.Value == 0.0
    written = plant.store.written("t10")
    assert written is not None
    assert (written.value, written.trust, written.source) == (
        212.75,
        Trust.GOOD,
        "opcua 127.0.0.1",
    )
    assert plant.store.readings(plant.now_s)[0].value == 212.75


async def test_age_grows_until_it_is_stale(plant: Plant) -> None:
    """Whole seconds, by our clock and not by the client's time; above stale_s (60 s) not good."""
    await plant.write("inputs.share-a", ua.DataValue(double(25.0), SourceTimestamp=GIVEN))
    await plant.pass_time(59.5)
    assert (await plant.read("inputs.share-a.age_s")).Value.Value == 59.0
    assert (await plant.read("inputs.share-a.is_good")).Value.Value is True
    await plant.pass_time(1.0)
    assert (await plant.read("inputs.share-a.age_s")).Value.Value == 60.0
    assert (await plant.read("inputs.share-a.is_good")).Value.Value is False
    assert (await plant.read("inputs.share-a")).Value.Value == 25.0


@pytest.mark.parametrize(
    ("status", "trust", "shown"),
    [
        (0x00000000, Trust.GOOD, 150.0),
        (0x40900000, Trust.UNCERTAIN, 150.0),
        (0x80000000, Trust.BAD, None),
        (0x808C0000, Trust.BAD, None),
    ],
)
async def test_the_status_is_the_writers(
    plant: Plant, status: int, trust: Trust, shown: float | None
) -> None:
    """Kept and shown to the bit; a bad one takes the value away (OPC 10000-4, 7.7)."""
    assert await plant.write("inputs.t10", double(160.0)) == 0
    given = ua.DataValue(double(150.0), StatusCode=ua.StatusCode(status))
    assert await plant.write("inputs.t10", given) == 0
    read = await plant.read("inputs.t10")
    assert read.StatusCode.value == status
    assert (read.Value.Value if read.Value else None) == shown
    written = plant.store.written("t10")
    assert written is not None and written.trust is trust
    assert (await plant.read("inputs.t10.is_good")).Value.Value is (trust is Trust.GOOD)


async def test_a_bad_status_needs_no_value(plant: Plant) -> None:
    """A client that has none says so."""
    nothing = ua.DataValue(
        ua.Variant(None, ua.VariantType.Null), StatusCode=ua.StatusCode(0x80000000)
    )
    assert await plant.write("inputs.t10", nothing) == 0
    (read,) = [r for r in plant.store.readings(plant.now_s) if r.name == "t10"]
    assert not read.is_good
    assert math.isnan(read.value)


@pytest.mark.parametrize("value", [99.9, 300.1, math.nan, math.inf, -1e308])
async def test_a_number_beyond_the_range_is_taken_and_not_good(plant: Plant, value: float) -> None:
    """So no older value goes on looking good."""
    assert await plant.write("inputs.t10", double(150.0)) == 0
    assert await plant.write("inputs.t10", double(value)) == 0
    assert (await plant.read("inputs.t10.is_good")).Value.Value is False
    shown = (await plant.read("inputs.t10")).Value.Value
    assert shown == value or (math.isnan(shown) and math.isnan(value))


@pytest.mark.parametrize(
    "value",
    [
        ua.Variant(150.0, ua.VariantType.Float),
        ua.Variant(150, ua.VariantType.Int32),
        ua.Variant("150", ua.VariantType.String),
        ua.Variant(True, ua.VariantType.Boolean),
        ua.Variant([150.0, 151.0], ua.VariantType.Double),
        ua.Variant([], ua.VariantType.Double, is_array=True),
        ua.Variant(None, ua.VariantType.Null),
    ],
    ids=["float", "int32", "text", "boolean", "array", "empty", "null"],
)
async def test_other_types_are_refused(plant: Plant, value: ua.Variant) -> None:
    """BadTypeMismatch, and nothing changes."""
    assert await plant.write("inputs.t10", double(150.0)) == 0
    before = plant.store.written("t10")
    assert await plant.write("inputs.t10", value) == 0x80740000
    assert plant.store.written("t10") is before
    assert (await plant.read("inputs.t10")).Value.Value == 150.0


async def test_a_part_of_a_value_is_refused(plant: Plant) -> None:
    """A Double has no parts."""
    assert await plant.write("inputs.t10", double(1.0), IndexRange="0:1") == 0x80360000


async def test_everything_else_stays_read_only(plant: Plant) -> None:
    """Every variable below Objects but the three inputs, and every attribute but the value."""
    writable = {"inputs.t10", "inputs.share-a", "inputs.grade"}
    tried: set[str] = set()
    waiting, known = [plant.client.nodes.objects], set()
    while waiting:
        node = waiting.pop()
        if node.nodeid in known:
            continue
        known.add(node.nodeid)
        waiting += await node.get_children()
        if await node.read_node_class() is not ua.NodeClass.Variable:
            continue
        identifier = str(node.nodeid.Identifier)
        access = (await node.read_attribute(ua.AttributeIds.UserAccessLevel)).Value.Value
        assert bool(access & 0b10) is (identifier in writable), identifier
        if identifier in writable:
            continue
        tried.add(identifier)
        value = await node.read_data_value(raise_on_bad_status=False)
        item = ua.WriteValue(node.nodeid, ua.AttributeIds.Value, Value=ua.DataValue(value.Value))
        (status,) = await plant.client.uaclient.write(ua.WriteParameters(NodesToWrite=[item]))
        assert status.value == 0x801F0000, identifier
    assert {"inputs.share-b", "inputs.t10.age_s", "inputs.t10.is_good"} <= tried
    assert {"inputs.t10.EURange", "fp-101.flash_point_c", "fp-101.product"} <= tried
    name = ua.Variant(ua.LocalizedText("x"))
    for attribute in (ua.AttributeIds.Description, ua.AttributeIds.DisplayName):
        assert await plant.write("inputs.t10", name, AttributeId=attribute) == 0x801F0000


async def test_one_request_may_write_several_and_is_bounded(plant: Plant) -> None:
    """Each value has its own answer; more than 1000 are refused together."""
    nodes = [await plant.node(i) for i in ("inputs.t10", "fp-101.product", "inputs.grade")]
    items = [
        ua.WriteValue(n.nodeid, ua.AttributeIds.Value, Value=ua.DataValue(double(120.0)))
        for n in nodes
    ]
    answers = await plant.client.uaclient.write(ua.WriteParameters(NodesToWrite=items))
    assert [a.value for a in answers] == [0, 0x801F0000, 0]
    with pytest.raises(ua.UaStatusCodeError) as refusal:
        await plant.client.uaclient.write(ua.WriteParameters(NodesToWrite=[items[0]] * 1001))
    assert refusal.value.code == 0x80100000


async def test_types_units_and_ranges(plant: Plant) -> None:
    """CEL and P1 as UNECE has them; each type, a subtype of the standard's, has the properties
    that one demands, and no more."""
    for identifier, kind, properties in [
        ("inputs.t10", "AnalogUnitRangeType", {"EURange", "EngineeringUnits"}),
        ("inputs.share-a", "AnalogUnitType", {"EngineeringUnits"}),
        ("inputs.grade", "AnalogItemType", {"EURange"}),
    ]:
        node = await plant.node(identifier)
        type_node = plant.client.get_node(await node.read_type_definition())
        above = await type_node.get_referenced_nodes(
            refs=ua.ObjectIds.HasSubtype, direction=ua.BrowseDirection.Inverse
        )
        assert [(await base.read_browse_name()).Name for base in above] == [kind]
        found = {(await p.read_browse_name()).Name for p in await node.get_properties()}
        assert found == properties
    limits = (await plant.read("inputs.t10.EURange")).Value.Value
    assert (limits.Low, limits.High) == (100.0, 300.0)
    units = (await plant.read("inputs.t10.EngineeringUnits")).Value.Value
    assert units.UnitId == int.from_bytes(b"CEL", "big")
    share = (await plant.read("inputs.share-a.EngineeringUnits")).Value.Value
    assert share.UnitId == int.from_bytes(b"P1", "big")
    assert (await (await plant.node("inputs.t10")).read_description()).Text == "10 % recovered"


async def test_what_another_outlet_wrote_is_shown(plant: Plant) -> None:
    """Within the second; its status is the plain one of its trust."""
    plant.store.write("grade", 7.0, Trust.UNCERTAIN, plant.now_s, "modbus 192.0.2.7")
    await plant.pass_time(1.0)
    read = await plant.read("inputs.grade")
    assert (read.Value.Value, read.StatusCode.value) == (7.0, 0x40000000)
    assert (await plant.read("inputs.grade.is_good")).Value.Value is False


async def test_a_subscriber_sees_the_write(plant: Plant) -> None:
    """And what became of it."""
    seen, good = Seen(), Seen()
    subscription = await plant.client.create_subscription(60, seen)
    await subscription.subscribe_data_change(await plant.node("inputs.t10"))
    other = await plant.client.create_subscription(60, good)
    await other.subscribe_data_change(await plant.node("inputs.t10.is_good"))
    await plant.write("inputs.t10", double(133.0))
    await until(lambda: seen.has(133.0, 0) and good.has(True, 0))
    await plant.write("inputs.t10", double(13.0))
    await until(lambda: seen.has(13.0, 0) and good.has(False, 0))
    await subscription.delete()
    await other.delete()


async def test_the_point_list_leads_to_the_nodes(plant: Plant) -> None:
    """Every NodeId and path of the inputs' rows, and its direction as the server has it."""
    server = opcua(accept_inputs=True)
    listed = [r for r in rows(site(*ANALYZERS, opcua_server=server, inputs=INPUTS)) if r.opcua]
    index = await plant.client.get_namespace_index(NAMESPACE_URI)
    found = 0
    for row in listed:
        if row.analyzer != "inputs":
            continue
        node = plant.client.get_node(
            row.opcua_node_id.replace(f"nsu={NAMESPACE_URI}", f"ns={index}")
        )
        steps = [f"{index}:{step}" for step in row.opcua_path.split("/")[1:]]
        assert (await plant.client.nodes.objects.get_child(steps)).nodeid == node.nodeid
        kind = plant.client.get_node(await node.read_type_definition())
        assert (await kind.read_browse_name()).Name == row.opcua_type
        data_type = plant.client.get_node(await node.read_data_type())
        assert (await data_type.read_browse_name()).Name == row.opcua_data_type
        access = (await node.read_attribute(ua.AttributeIds.UserAccessLevel)).Value.Value
        assert ("write" if access & 0b10 else "read") == row.direction
        found += 1
    assert found == 3 * 3 + 2


async def test_an_outlet_that_does_not_accept_inputs_shows_them() -> None:
    """And refuses the service of writing as a whole."""
    store = InputStore(INPUTS)
    store.write("t10", 150.0, Trust.GOOD, 0.0, "modbus 192.0.2.7")
    outlet = OpcUaOutlet(opcua(), ANALYZERS, "Invented Bend", store, lambda: 3.0)
    await outlet.start()
    await outlet.publish([])
    try:
        async with Client(outlet.endpoint, timeout=5) as client:
            index = await client.get_namespace_index(NAMESPACE_URI)
            node = client.get_node(f"ns={index};s=inputs.t10")
            assert await node.read_value() == 150.0
            age = client.get_node(f"ns={index};s=inputs.t10.age_s")
            assert await age.read_value() == 3.0
            item = ua.WriteValue(
                node.nodeid, ua.AttributeIds.Value, Value=ua.DataValue(double(160.0))
            )
            with pytest.raises(ua.uaerrors.BadUserAccessDenied):  # no answer for each value
                await client.uaclient.write(ua.WriteParameters(NodesToWrite=[item]))
    finally:
        await outlet.stop()
    written = store.written("t10")
    assert written is not None and written.value == 150.0


async def test_after_a_new_start_the_inputs_are_shown_again() -> None:
    """The outlet is started anew after a failure; the store has outlived it."""
    store = InputStore(INPUTS)
    outlet = OpcUaOutlet(opcua(accept_inputs=True), ANALYZERS, "Bend", store, lambda: 0.0)
    for value in (150.0, 151.0):
        await outlet.start()
        try:
            async with Client(outlet.endpoint, timeout=5) as client:
                index = await client.get_namespace_index(NAMESPACE_URI)
                node = client.get_node(f"ns={index};s=inputs.t10")
                await outlet.publish([])
                if value == 151.0:
                    assert await node.read_value() == 150.0
                await node.write_value(double(value))
                assert await node.read_value() == value
        finally:
            await outlet.stop()
