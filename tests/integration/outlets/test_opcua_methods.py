"""The methods over the wire: found, described, called, refused. Codes by name: OPC 10000-6, A.2."""

from __future__ import annotations

import logging
from collections.abc import AsyncIterator
from typing import Any

import pytest
import pytest_asyncio
from asyncua import Client, ua
from asyncua.ua.object_ids import ObjectIds
from asyncua.ua.uaerrors import BadNothingToDo, BadTooManyOperations
from structlog.testing import capture_logs

from edgeflash.access import UserRole, Who
from edgeflash.outlets import OpcUaOutlet
from edgeflash.outlets.opcua_calls import BURST
from edgeflash.outlets.opcua_methods import METHODS
from edgeflash.publication import TestSignal
from edgeflash.trust import Quality
from tests.integration.outlets.desk import ANALYZERS, ENGINEER, OBSERVER, Plant, running_plant
from tests.integration.outlets.test_opcua import Seen
from tests.unit.outlets.builders import accepted_view, opcua
from tests.waiting import until

pytestmark = pytest.mark.asyncio(loop_scope="module")
OPERATOR = Who("invented operator", UserRole.OPERATOR, "test")
SERVER = ua.NodeId(ObjectIds.Server)
LATE = 30.0


@pytest.fixture(autouse=True)
def quiet(caplog: pytest.LogCaptureFixture) -> None:
    """The library logs every refusal; here they are expected."""
    caplog.set_level(logging.CRITICAL, logger="asyncua")


@pytest_asyncio.fixture(loop_scope="module", scope="module")
async def outlet_plant() -> AsyncIterator[Plant]:
    """One outlet for the module, in °F."""
    async with running_plant(temperature_unit="degF") as made:
        yield made


@pytest_asyncio.fixture(loop_scope="module")
async def plant(outlet_plant: Plant) -> AsyncIterator[Plant]:
    """With an engineer at the client, and nothing done yet."""
    outlet_plant.desk.who = ENGINEER
    outlet_plant.desk.done.clear()
    yield outlet_plant


def double(value: float) -> ua.Variant:
    """A Double argument."""
    return ua.Variant(value, ua.VariantType.Double)


def string(value: str) -> ua.Variant:
    """A String argument."""
    return ua.Variant(value, ua.VariantType.String)


def uint16(value: int) -> ua.Variant:
    """A UInt16 argument."""
    return ua.Variant(value, ua.VariantType.UInt16)


async def called(plant: Plant, name: str, *given: ua.Variant) -> str:
    """The name of the code that answers a call at fp-101."""
    answer = await plant.call("fp-101", f"fp-101.method.{name}", *given)
    return str(answer.StatusCode.name)


async def test_every_method_reaches_the_gateway(plant: Plant) -> None:
    """With its arguments; a temperature in °F arrives in °C (140 °F is 60 °C)."""
    assert (
        await called(plant, "start_maintenance", double(30.0), string("new electrodes")) == "Good"
    )
    assert await called(plant, "end_maintenance") == "Good"
    assert await called(plant, "start_check_sample", double(5.0), string("")) == "Good"
    assert await called(plant, "end_check_sample") == "Good"
    test = (string("flash_point_c"), double(140.0), uint16(1), double(60.0))
    assert await called(plant, "start_test_signal", *test) == "Good"
    assert await called(plant, "end_test_signal", string("flash_point_c")) == "Good"
    assert await called(plant, "end_test_signal", string("")) == "Good"
    (shown,) = (one for one in plant.desk.done if one[0] == "test_signal")
    assert [one for one in plant.desk.done if one is not shown] == [
        ("maintenance", "fp-101", 30.0, "new electrodes"),
        ("maintenance", "fp-101", None, ""),
        ("check_sample", "fp-101", 5.0, ""),
        ("check_sample", "fp-101", None, ""),
        ("end_test", "fp-101", "flash_point_c"),
        ("end_test", "fp-101", None),
    ]
    assert shown[2:4] == ("flash_point_c", TestSignal(pytest.approx(60.0), Quality.LAST_USABLE))
    assert shown[4] == 60.0


async def test_an_alarm_is_acknowledged_by_name(plant: Plant) -> None:
    """And again: the gateway refuses, which is no matter of rights."""
    await plant.desk.condition("fp-101", "unavailable", True, "no result")
    assert await called(plant, "acknowledge_alarm", string("unavailable"), string("seen")) == "Good"
    kept = plant.desk.kept["fp-101", "unavailable"]
    assert (kept.by, kept.because) == ("invented engineer", "seen")
    again = await called(plant, "acknowledge_alarm", string("unavailable"), string("seen"))
    assert again == "BadInvalidState"


async def test_roles(plant: Plant) -> None:
    """An operator declares, an engineer tests, an observer does nothing; and UserExecutable
    tells each before it calls. Executable is the same for all."""
    test = (string("flash_point_c"), double(140.0), uint16(0), double(60.0))
    for who, may_declare, may_test in (
        (OBSERVER, False, False),
        (OPERATOR, True, False),
        (ENGINEER, True, True),
    ):
        plant.desk.who = who
        for name, given, may in (
            ("start_maintenance", (double(30.0), string("")), may_declare),
            ("start_test_signal", test, may_test),
        ):
            plant.desk.done.clear()
            answer = await called(plant, name, *given)
            assert answer == ("Good" if may else "BadUserAccessDenied"), (who, name)
            assert bool(plant.desk.done) is may
            node = plant.node(f"fp-101.method.{name}")
            shown = await node.read_attribute(ua.AttributeIds.UserExecutable)
            assert shown.Value.Value is may, (who, name)
            shown = await node.read_attribute(ua.AttributeIds.Executable)
            assert shown.Value.Value is True


async def test_each_argument_has_its_own_status(plant: Plant) -> None:
    """A time out of range beside a sound text; nothing is done."""
    answer = await plant.call(
        "fp-101", "fp-101.method.start_maintenance", double(-1.0), string("x")
    )
    assert answer.StatusCode.name == "BadInvalidArgument"
    assert [one.name for one in answer.InputArgumentResults] == ["BadOutOfRange", "Good"]
    warm = (string("flash_point_c"), string("warm"), uint16(0), double(60.0))
    answer = await plant.call("fp-101", "fp-101.method.start_test_signal", *warm)
    assert answer.StatusCode.name == "BadInvalidArgument"
    assert [one.name for one in answer.InputArgumentResults] == [
        "Good",
        "BadTypeMismatch",
        "Good",
        "Good",
    ]
    assert plant.desk.done == []


async def test_methods_are_described(plant: Plant) -> None:
    """Name, type and description of each argument, as declared."""
    for declared in METHODS:
        node = plant.node(f"fp-101.method.{declared.name}")
        assert (await node.read_browse_name()).Name == declared.title
        assert (await node.read_description()).Text == declared.description
        properties = await node.get_properties()
        assert len(properties) == (1 if declared.arguments else 0)
        for property_ in properties:
            described = await property_.read_value()
            assert [(one.Name, one.Description.Text) for one in described] == [
                (one.name, one.description) for one in declared.arguments
            ]
    minutes = (await plant.value("fp-101.method.start_maintenance.InputArguments"))[0]
    assert minutes.DataType == ua.NodeId(ObjectIds.Double)


@pytest.mark.parametrize(
    ("on", "method", "code"),
    [
        ("fp-102", "fp-101.method.end_maintenance", "BadMethodInvalid"),
        ("fp-999", "fp-101.method.end_maintenance", "BadNodeIdUnknown"),
        ("fp-101", "fp-101.method.nonsense", "BadNodeIdUnknown"),
        ("fp-101", "fp-101.flash_point_c", "BadMethodInvalid"),
        (SERVER, ObjectIds.Server_SetSubscriptionDurable, "BadUserAccessDenied"),
        (SERVER, ObjectIds.Server_RequestServerStateChange, "BadUserAccessDenied"),
    ],
)
async def test_nothing_else_can_be_called(plant: Plant, on: Any, method: Any, code: str) -> None:
    """Not another analyzer's method, not the standard's that are not served, for an engineer."""
    assert (await plant.call(on, method)).StatusCode.name == code


async def test_the_standards_other_methods_look_as_they_are(plant: Plant) -> None:
    """UserExecutable is false for what is not served, and true for a refresh."""
    for method, may in (
        (ObjectIds.Server_RequestServerStateChange, False),
        (ObjectIds.ConditionType_ConditionRefresh, True),
        (ObjectIds.AcknowledgeableConditionType_Acknowledge, True),
        (ObjectIds.AcknowledgeableConditionType_Confirm, False),
    ):
        node = plant.client.get_node(ua.NodeId(method))
        shown = await node.read_attribute(ua.AttributeIds.UserExecutable)
        assert shown.Value.Value is may, method


async def test_requests_are_bounded(plant: Plant) -> None:
    """None and too many are refused as a whole."""
    request = ua.CallMethodRequest()
    request.ObjectId = plant.id("fp-101")
    request.MethodId = plant.id("fp-101.method.end_maintenance")
    with pytest.raises(BadTooManyOperations):
        await plant.client.uaclient.call([request] * 33)
    with pytest.raises(BadNothingToDo):
        await plant.client.uaclient.call([])
    assert len(await plant.client.uaclient.call([request] * 32)) == 32


async def test_a_client_finds_its_items_and_gets_them_again(plant: Plant) -> None:
    """GetMonitoredItems and ResendData, of one's own subscription only."""
    seen = Seen()
    subscription = await plant.client.create_subscription(60, seen)
    node = plant.node("fp-101.flash_point_c")
    handle = await subscription.subscribe_data_change(node)
    await until(lambda: len(seen.values) == 1, LATE)
    number = ua.Variant(subscription.subscription_id, ua.VariantType.UInt32)
    answer = await plant.call(SERVER, ObjectIds.Server_GetMonitoredItems, number)
    server_handles, client_handles = (one.Value for one in answer.OutputArguments)
    assert server_handles == [handle]
    assert len(client_handles) == 1
    assert (await plant.call(SERVER, ObjectIds.Server_ResendData, number)).StatusCode.is_good()
    await until(lambda: len(seen.values) == 2, LATE)
    assert seen.values[0].Value == seen.values[1].Value
    async with Client(plant.outlet.endpoint, timeout=30) as other:
        theirs = await other.create_subscription(60, Seen())
        number = ua.Variant(theirs.subscription_id, ua.VariantType.UInt32)
        for method in (ObjectIds.Server_GetMonitoredItems, ObjectIds.Server_ResendData):
            answer = await plant.call(SERVER, method, number)
            assert answer.StatusCode.name == "BadUserAccessDenied"
    none = ua.Variant(99_999, ua.VariantType.UInt32)
    answer = await plant.call(SERVER, ObjectIds.Server_ResendData, none)
    assert answer.StatusCode.name == "BadSubscriptionIdInvalid"
    await subscription.delete()


async def test_without_operations_nothing_can_be_called() -> None:
    """The methods are shown as not executable, and an anonymous client is an observer."""
    outlet = OpcUaOutlet(opcua(), ANALYZERS, "Invented Bend")
    await outlet.start()
    await outlet.publish([accepted_view()])
    async with Client(outlet.endpoint, timeout=30) as client:
        node = client.get_node("ns=2;s=fp-101.method.end_maintenance")
        assert (await node.read_attribute(ua.AttributeIds.Executable)).Value.Value is False
        with pytest.raises(ua.uaerrors.BadUserAccessDenied):
            await client.get_node("ns=2;s=fp-101").call_method(node.nodeid)
    await outlet.stop()


async def test_a_method_may_be_named_by_the_type(plant: Plant) -> None:
    """A client that goes by the type calls its method on the object (OPC 10000-4, 5.12.2; from
    memory); of another object it is none."""
    index = await plant.client.get_namespace_index("urn:edgeflash:types")
    method = ua.NodeId("FlashPointAnalyzerType.method.end_maintenance", index)
    answer = await plant.call("fp-101", method)
    assert (str(answer.StatusCode.name), len(plant.desk.done)) == ("Good", 1)
    answer = await plant.call("Edgeflash", method)
    assert not answer.StatusCode.is_good()


async def test_who_is_refused_again_and_again_does_not_fill_the_log(plant: Plant) -> None:
    """Anybody who can connect can be refused. What was not told is counted in the next line."""
    plant.desk.who = OBSERVER
    with capture_logs() as told:
        for _ in range(3 * BURST):
            assert await called(plant, "end_maintenance") == "BadUserAccessDenied"
    lines = [line for line in told if line["event"] == "method refused"]
    assert len(lines) < 2 * BURST
    assert len(lines) + lines[-1]["untold_before"] <= 3 * BURST
