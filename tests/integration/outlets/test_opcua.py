"""The OPC UA outlet as clients see it: values, qualities, units, changes, and no way to write."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import struct
from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import pytest_asyncio
from asyncua import Client, ua
from asyncua.common.node import Node
from asyncua.crypto.permission_rules import User, UserRole

from edgeflash.outlets import ModbusOutlet, OpcUaOutlet, rows
from edgeflash.outlets.opcua_names import NAMESPACE_URI
from edgeflash.points import CATALOGUE, PointType
from tests.unit.outlets.builders import (
    START,
    accepted_view,
    analyzer,
    modbus,
    opcua,
    rejected_view,
    site,
    with_heartbeat,
)
from tests.waiting import until

pytestmark = pytest.mark.asyncio(loop_scope="module")

ANALYZERS = (
    analyzer("fp-101", 1, range_low_c=30.0, range_high_c=90.0, description="Kerosene rundown"),
    analyzer("fp-102", 3),
)
MODULE = {"scope": "module", "loop_scope": "module"}


@pytest.fixture(autouse=True)
def quiet(caplog: pytest.LogCaptureFixture) -> None:
    """The library logs every refusal; here they are expected."""
    caplog.set_level(logging.CRITICAL, logger="asyncua")


@pytest_asyncio.fixture(**MODULE)
async def outlet() -> AsyncIterator[OpcUaOutlet]:
    """One running outlet in °F and psi for the tests of this module that do not stop it."""
    one = OpcUaOutlet(
        opcua(temperature_unit="degF", pressure_unit="psi"), ANALYZERS, "Invented Bend"
    )
    await one.start()
    yield one
    await one.stop()


@pytest_asyncio.fixture(**MODULE)
async def client(outlet: OpcUaOutlet) -> AsyncIterator[Client]:
    """A client connected anonymously."""
    async with Client(outlet.endpoint, timeout=5) as one:
        yield one


async def _node(client: Client, identifier: str) -> Node:
    index = await client.get_namespace_index(NAMESPACE_URI)
    return client.get_node(f"ns={index};s={identifier}")


async def _read(client: Client, identifier: str) -> ua.DataValue:
    node = await _node(client, identifier)
    return await node.read_data_value(raise_on_bad_status=False)


async def _property(client: Client, identifier: str) -> Any:
    return await (await _node(client, identifier)).read_value()


class Seen:
    """A subscription handler that keeps every notification."""

    def __init__(self) -> None:
        self.values: list[ua.DataValue] = []

    def datachange_notification(self, node: Node, val: Any, data: Any) -> None:
        self.values.append(data.monitored_item.Value)

    def has(self, value: Any, status: int) -> bool:
        """True once a notification had this value and status code."""
        return any(
            (v.Value.Value if v.Value else None) == value and v.StatusCode.value == status
            for v in self.values
        )


async def test_value_status_and_times(outlet: OpcUaOutlet, client: Client) -> None:
    """62.5 °C is shown as 144.5 °F, good, at the sample's own time, stamped by the server."""
    before = datetime.now(UTC)
    await outlet.publish([accepted_view(value_c=62.5, cycle_number=40)])
    read = await _read(client, "fp-101.flash_point_c")
    assert read.Value.VariantType is ua.VariantType.Double
    assert read.Value.Value == pytest.approx(144.5, abs=1e-12)
    assert read.StatusCode.value == 0
    assert read.SourceTimestamp == START
    assert before - timedelta(seconds=1) <= read.ServerTimestamp <= datetime.now(UTC)
    assert (await _read(client, "fp-101.cycle_number")).Value.Value == 40
    assert (await _read(client, "fp-101.sampled_at")).Value.Value == START
    assert (await _read(client, "fp-101.phase")).Value.Value == 3


async def test_uncertain_keeps_the_value_and_bad_has_none(
    outlet: OpcUaOutlet, client: Client
) -> None:
    """Held: UncertainLastUsableValue (40900000 in OPC 10000-6, A.2) with the value. Over: none."""
    await outlet.publish([rejected_view(held=True)])
    held = await _read(client, "fp-101.flash_point_c")
    assert held.StatusCode.value == 0x40900000
    assert held.Value.Value == pytest.approx(144.5, abs=1e-12)
    await outlet.publish([rejected_view(held=False)])
    over = await _read(client, "fp-101.flash_point_c")
    assert over.StatusCode.value == 0x809B0000  # BadNoData
    assert over.Value is None or over.Value.Value is None
    assert (await _read(client, "fp-101.reason_code")).Value.Value == 4203
    text = (await _read(client, "fp-101.reason_text")).Value.Value
    assert text.startswith("the ramp was not steady, Δ 3 °C/min; ")


async def test_an_analyzer_without_a_view_waits_for_data(client: Client) -> None:
    """BadWaitingForInitialData (80320000), for every point."""
    for point in CATALOGUE:
        read = await _read(client, f"fp-102.{point.name}")
        assert read.StatusCode.value == 0x80320000, point.name


async def test_units_and_ranges(client: Client) -> None:
    """UNECE codes packed as OPC 10000-8, 5.6.4 says: FAH is 4604232, PS is 0x5053."""
    units = await _property(client, "fp-101.flash_point_c.EngineeringUnits")
    assert units.NamespaceUri == "http://www.opcfoundation.org/UA/units/un/cefact"
    assert units.UnitId == 4604232
    assert units.DisplayName.Text == "°F"
    limits = await _property(client, "fp-101.flash_point_c.EURange")
    assert (limits.Low, limits.High) == pytest.approx((-58.0, 752.0))
    instrument = await _property(client, "fp-101.flash_point_c.InstrumentRange")
    assert (instrument.Low, instrument.High) == pytest.approx((86.0, 194.0))
    assert (await _property(client, "fp-101.peak_kpa.EngineeringUnits")).UnitId == 0x5053
    rate = await _property(client, "fp-101.heating_rate_c_per_min.EngineeringUnits")
    assert (rate.NamespaceUri, rate.UnitId) == ("urn:edgeflash:units", -1)
    assert rate.DisplayName.Text == "°F/min"
    names = [child.Name for child in await _children(client, "fp-101.live_sample_temperature_c")]
    assert "InstrumentRange" not in names


async def _children(client: Client, identifier: str) -> list[ua.QualifiedName]:
    children = await (await _node(client, identifier)).get_children()
    return [await child.read_browse_name() for child in children]


async def test_texts_of_codes_and_flags(client: Client) -> None:
    """A multi-state point's value is the index of its text."""
    texts = await _property(client, "fp-101.verdict.EnumStrings")
    assert [t.Text for t in texts] == ["none", "accepted", "doubtful", "rejected"]
    assert (await _property(client, "fp-101.possible_low_flash.TrueState")).Text == "yes"
    assert (await _property(client, "fp-101.possible_low_flash.FalseState")).Text == "no"


# OPC 10000-8, 5.3.2 and 5.3.3 (from memory): the DataType each VariableType demands.
VALUE_TYPES = {
    "AnalogUnitRangeType": ua.ObjectIds.Number,
    "MultiStateDiscreteType": ua.ObjectIds.UInteger,
    "TwoStateDiscreteType": ua.ObjectIds.Boolean,
}


async def test_every_node_has_what_its_standard_type_demands(client: Client) -> None:
    """Mandatory properties and a fitting DataType, by the standard's own type nodes."""
    mandatory = ua.NodeId(ua.ObjectIds.ModellingRule_Mandatory)
    for point in CATALOGUE:
        node = await _node(client, f"fp-101.{point.name}")
        own = {name.Name for name in await _children(client, f"fp-101.{point.name}")}
        kind = client.get_node(await node.read_type_definition())
        allowed = VALUE_TYPES.get((await kind.read_browse_name()).Name)
        if allowed is not None:
            data_type = await node.read_data_type()
            assert await _is_subtype(client, data_type, ua.NodeId(allowed)), point.name
        while kind is not None:
            for wanted in await kind.get_properties():
                rules = await wanted.get_referenced_nodes(refs=ua.ObjectIds.HasModellingRule)
                if mandatory in [rule.nodeid for rule in rules]:
                    assert (await wanted.read_browse_name()).Name in own, point.name
            above = await kind.get_referenced_nodes(
                refs=ua.ObjectIds.HasSubtype, direction=ua.BrowseDirection.Inverse
            )
            kind = above[0] if above else None
        assert (await node.read_description()).Text == point.description
        assert (await node.read_display_name()).Text == point.title


async def _is_subtype(client: Client, one: ua.NodeId, other: ua.NodeId) -> bool:
    while one != other:
        above = await client.get_node(one).get_referenced_nodes(
            refs=ua.ObjectIds.HasSubtype, direction=ua.BrowseDirection.Inverse
        )
        if not above:
            return False
        one = above[0].nodeid
    return True


async def test_both_outlets_show_the_same(outlet: OpcUaOutlet, client: Client) -> None:
    """Every float of OPC UA, rounded to single precision, is the Modbus float to the bit."""
    server = modbus(temperature_unit="degF", pressure_unit="psi")
    other = ModbusOutlet(server, ANALYZERS)
    view = accepted_view(value_c=61.37, cycle_number=41)
    await other.publish([view])
    await outlet.publish([view])
    compared = 0
    for point in CATALOGUE:
        raw = other.image.registers(point.register, point.registers)
        assert raw is not None
        read = await _read(client, f"fp-101.{point.name}")
        if read.StatusCode.is_bad():
            empty = (b"\x00\x00",) if point.type is PointType.TEXT else (b"\x7f\xc0", b"\xff\xff")
            if point.bits:  # each bit as the catalogue says, so that no alarm looks clear
                unknown = sum(1 << bit.place for bit in point.bits if bit.unknown)
                empty = (unknown.to_bytes(2, "big"),)
            assert raw[:2] in empty, point.name
        elif point.type is PointType.FLOAT:
            assert raw == struct.pack(">f", read.Value.Value), point.name
            compared += 1
        elif point.type in (PointType.INT, PointType.CODE, PointType.FLAG):
            assert int.from_bytes(raw, "big") == int(read.Value.Value), point.name
    assert compared >= 12


async def test_a_subscription_sees_each_change(outlet: OpcUaOutlet, client: Client) -> None:
    """Good value, held value, no value, and good again."""
    await outlet.publish([accepted_view(value_c=60.0)])
    seen = Seen()
    subscription = await client.create_subscription(60, seen)
    await subscription.subscribe_data_change(await _node(client, "fp-101.flash_point_c"))
    await until(lambda: seen.has(pytest.approx(140.0), 0))
    await outlet.publish([accepted_view(value_c=61.0)])
    await until(lambda: seen.has(pytest.approx(141.8), 0))
    await outlet.publish([rejected_view(held=True)])
    await until(lambda: seen.has(pytest.approx(144.5), 0x40900000))
    await outlet.publish([rejected_view(held=False)])
    await until(lambda: seen.has(None, 0x809B0000))
    await outlet.publish([accepted_view(value_c=62.0)])
    await until(lambda: seen.has(pytest.approx(143.6), 0))
    await subscription.delete()


async def test_a_deadband_never_hides_a_bad_value(outlet: OpcUaOutlet, client: Client) -> None:
    """The library loses such a notification; a subscriber must learn it, and the recovery."""
    await outlet.publish([accepted_view(value_c=60.0)])
    seen = Seen()
    subscription = await client.create_subscription(60, seen)
    await subscription.deadband_monitor(
        await _node(client, "fp-101.flash_point_c"), deadband_val=5.0
    )
    await until(lambda: seen.has(pytest.approx(140.0), 0))
    await outlet.publish([rejected_view(held=False)])
    await until(lambda: seen.has(None, 0x809B0000))
    await outlet.publish([accepted_view(value_c=60.5)])
    await until(lambda: seen.has(pytest.approx(140.9), 0))
    await subscription.delete()


async def test_the_publishing_interval_has_a_minimum(client: Client) -> None:
    """A client that asks for 0 ms gets 50 ms, not a busy loop."""
    subscription = await client.create_subscription(0, Seen())
    assert subscription.parameters.RequestedPublishingInterval == 50.0
    await subscription.delete()


async def test_only_changes_are_written(outlet: OpcUaOutlet, client: Client) -> None:
    """A heartbeat later only the heartbeat has a new server time; age changes with its value."""
    view = accepted_view(value_c=59.0, cycle_number=43)
    await outlet.publish([view])
    names = [point.name for point in CATALOGUE if point.name != "heartbeat"]
    before = {name: await _read(client, f"fp-101.{name}") for name in names}
    await outlet.publish([with_heartbeat(view, 8)])
    after = {name: await _read(client, f"fp-101.{name}") for name in names}
    assert before == after
    beat = await _read(client, "fp-101.heartbeat")
    assert beat.Value.Value == 8
    assert beat.SourceTimestamp == view.at + timedelta(seconds=1)
    await outlet.publish([replace(with_heartbeat(view, 9), age_s=6.0)])
    assert (await _read(client, "fp-101.age_s")).Value.Value == 6.0


async def test_the_cycle_number_is_written_after_all_else(outlet: OpcUaOutlet) -> None:
    """Whoever sees a new number finds the whole cycle already there."""
    inner = _server(outlet).iserver
    await outlet.publish([accepted_view(cycle_number=50)])
    written: list[str] = []
    handles = []
    for (name, point), node in outlet._nodes.items():
        if name != "fp-101":
            continue

        async def note(_handle: int, _value: ua.DataValue, point: str = point) -> None:
            written.append(point)

        _, handle = inner.aspace.add_datachange_callback(node, ua.AttributeIds.Value, note)
        handles.append(handle)
    await outlet.publish([accepted_view(value_c=51.0, cycle_number=51)])
    for handle in handles:
        inner.aspace.delete_datachange_callback(handle)
    assert {"flash_point_c", "reported_c", "shown_cycle_number"} <= set(written)
    assert written[-1] == "cycle_number"


def _server(outlet: OpcUaOutlet) -> Any:
    assert outlet._server is not None
    return outlet._server


async def test_no_client_can_write_any_node(client: Client) -> None:
    """Walks everything below Objects and tries to write each variable its own value."""
    tried = 0
    waiting = [client.nodes.objects]
    known = set()
    while waiting:
        node = waiting.pop()
        if node.nodeid in known:
            continue
        known.add(node.nodeid)
        waiting += await node.get_children()
        if await node.read_node_class() is not ua.NodeClass.Variable:
            continue
        tried += 1
        value = await node.read_data_value(raise_on_bad_status=False)
        with pytest.raises(ua.UaStatusCodeError) as refusal:
            await node.write_attribute(ua.AttributeIds.Value, ua.DataValue(value.Value))
        assert refusal.value.code == ua.StatusCodes.BadUserAccessDenied, node
    assert tried > 2 * len(CATALOGUE)


async def test_no_node_allows_a_reader_to_write(outlet: OpcUaOutlet) -> None:
    """Behind the refusal of the service: every node of the server refuses a plain user itself."""
    inner = _server(outlet).iserver
    reader = User(role=UserRole.User)
    checked = 0
    for node_id in list(inner.aspace.keys()):
        for attribute in (ua.AttributeIds.Value, ua.AttributeIds.DisplayName):
            item = ua.WriteValue(node_id, attribute, Value=ua.DataValue(ua.Variant(0.0)))
            (status,) = await inner.attribute_service.write(
                ua.WriteParameters(NodesToWrite=[item]), user=reader
            )
            assert status.value == ua.StatusCodes.BadUserAccessDenied, node_id
            checked += 1
    assert checked > 5000


async def test_no_client_can_change_the_address_space(client: Client) -> None:
    """Adding and deleting nodes, and methods of the standard that are not served, are refused."""
    objects = client.nodes.objects
    with pytest.raises(ua.uaerrors.BadUserAccessDenied):
        await objects.add_folder(2, "Invented")
    with pytest.raises(ua.uaerrors.BadUserAccessDenied):
        await client.delete_nodes([await _node(client, "fp-101.flash_point_c")])
    with pytest.raises(ua.uaerrors.BadUserAccessDenied):
        method = ua.NodeId(ua.ObjectIds.Server_RequestServerStateChange)
        await client.nodes.server.call_method(method, ua.ServerState.Shutdown)
    with pytest.raises(ua.uaerrors.BadUserAccessDenied):
        node = await _node(client, "fp-101.flash_point_c")
        await node.write_attribute(ua.AttributeIds.Description, ua.DataValue(ua.LocalizedText("x")))


@pytest.mark.parametrize("name", ["admin", "Admin", "root"])
async def test_nobody_logs_in_by_name(outlet: OpcUaOutlet, name: str) -> None:
    """The library's "admin" is an administrator with any password; here it does not get in."""
    intruder = Client(outlet.endpoint, timeout=5)
    intruder.set_user(name)
    intruder.set_password("anything")
    with pytest.raises(ua.UaStatusCodeError) as refusal:
        await intruder.connect()
    assert refusal.value.code in (
        ua.StatusCodes.BadIdentityTokenRejected,
        ua.StatusCodes.BadUserAccessDenied,
    )


async def test_the_point_list_leads_to_the_nodes(client: Client) -> None:
    """Every NodeId and every browse path of the list is the same, existing node of that type."""
    listed = rows(site(*ANALYZERS, opcua_server=opcua(), modbus_servers=()))
    index = await client.get_namespace_index(NAMESPACE_URI)
    for row in listed:
        node = client.get_node(row.opcua_node_id.replace(f"nsu={NAMESPACE_URI}", f"ns={index}"))
        steps = [f"{index}:{step}" for step in row.opcua_path.split("/")[1:]]
        assert (await client.nodes.objects.get_child(steps)).nodeid == node.nodeid
        kind = await client.get_node(await node.read_type_definition()).read_browse_name()
        assert kind.Name == row.opcua_type
        data_type = await client.get_node(await node.read_data_type()).read_browse_name()
        assert data_type.Name == row.opcua_data_type
    assert len(listed) == 2 * len(CATALOGUE)


async def test_a_chunk_beyond_the_limit_is_not_collected(
    outlet: OpcUaOutlet, client: Client
) -> None:
    """A client that announces 1 GB is closed at once, not after sending it; others go on."""
    port = int(outlet.endpoint.split(":")[2].split("/")[0])
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(b"HELF" + struct.pack("<I", 2**30) + bytes(100))
    async with asyncio.timeout(5.0):
        with contextlib.suppress(ConnectionError):
            assert await reader.read(1) == b""
    writer.close()
    await outlet.publish([accepted_view(value_c=58.0)])
    assert (await _read(client, "fp-101.flash_point_c")).Value.Value == pytest.approx(136.4)
