"""Events and their filters over the wire, with asyncua's client and with requests made by hand.

Codes by the names of the published list (OPC 10000-6, A.2); filters: OPC 10000-4, 7.22.3 (from
memory).
"""

from __future__ import annotations

import logging
from collections.abc import AsyncIterator
from dataclasses import replace
from typing import Any

import pytest
import pytest_asyncio
from asyncua import ua
from asyncua.ua.object_ids import ObjectIds

from edgeflash.model import Verdict
from edgeflash.publication import LinkState
from tests.integration.outlets.desk import Events, Plant, running_plant
from tests.unit.outlets.builders import result, standing_of
from tests.unit.outlets.test_opcua_event_filter import OP, element, field, filter_of, literal
from tests.waiting import until

pytestmark = pytest.mark.asyncio(loop_scope="module")
SERVER = ua.NodeId(ObjectIds.Server)
LATE = 30.0


@pytest.fixture(autouse=True)
def quiet(caplog: pytest.LogCaptureFixture) -> None:
    """The library logs every refusal; here they are expected."""
    caplog.set_level(logging.CRITICAL, logger="asyncua")


@pytest_asyncio.fixture(loop_scope="module", scope="module")
async def plant() -> AsyncIterator[Plant]:
    """One outlet for the module, in °F: 62.5 °C is 144.5 °F."""
    async with running_plant(temperature_unit="degF") as made:
        yield made


async def judge(plant: Plant, number: int, **more: Any) -> None:
    """The next cycle of fp-101 is judged; low_flash and verdict as given."""
    low = more.pop("low_flash", False)
    judged = replace(result(cycle_number=number, **more), low_flash=low)
    plant.desk.standings["fp-101"] = standing_of(result(cycle_number=number - 1), judged)
    await plant.desk.publish()


def own(plant: Plant, name: str, of: str = "CycleEventType") -> ua.SimpleAttributeOperand:
    """The operand of a field of our own."""
    operand = field(of=plant.type_id(of))
    operand.BrowsePath = [ua.QualifiedName(name, plant.types_index)]
    return operand


async def items(
    subscription: Any, asked: ua.EventFilter | None, queue: int = 0, oldest: bool = True
) -> ua.MonitoredItemCreateResult:
    """The answer to the creation of one event item at the Server object."""
    request = ua.MonitoredItemCreateRequest()
    request.ItemToMonitor.NodeId = SERVER
    request.ItemToMonitor.AttributeId = ua.AttributeIds.EventNotifier
    request.MonitoringMode = ua.MonitoringMode.Reporting
    request.RequestedParameters.ClientHandle = 7
    request.RequestedParameters.QueueSize = queue
    request.RequestedParameters.DiscardOldest = oldest
    request.RequestedParameters.Filter = asked
    parameters = ua.CreateMonitoredItemsParameters()
    parameters.SubscriptionId = subscription.subscription_id
    parameters.ItemsToCreate = [request]
    (answer,) = await subscription.server.create_monitored_items(parameters)
    return answer


async def test_a_judged_cycle_is_an_event(plant: Plant) -> None:
    """With its verdict and value; evidence of a low flash point has an event beside it."""
    events = Events()
    subscription = await plant.client.create_subscription(60, events)
    kinds = [plant.type_id("CycleEventType"), plant.type_id("LowFlashEventType")]
    await subscription.subscribe_events(SERVER, kinds)
    await judge(plant, 20)
    await until(lambda: len(events.seen) == 1, LATE)
    assert events.seen[0]["Verdict"] == "accepted"
    assert events.seen[0]["FlashPoint"] == pytest.approx(144.5)
    assert events.seen[0]["CycleNumber"] == 20
    assert events.seen[0]["Message"].Text == "cycle 20 accepted: 144.5 °F"
    await judge(plant, 21, verdict=Verdict.REJECTED, low_flash=True)
    await until(lambda: len(events.seen) == 3, LATE)
    rejected, low = events.seen[1:]
    assert (rejected["Verdict"], rejected["FlashPoint"]) == ("rejected", None)
    assert (low["EventType"], low["LowFlash"], low["Severity"]) == (kinds[1], True, 800)
    await subscription.delete()


async def test_a_where_clause_lets_through_what_it_says(plant: Plant) -> None:
    """Severe cycle events, by type and severity; the subtype is one of them."""
    events = Events()
    subscription = await plant.client.create_subscription(60, events)
    wanted = filter_of(
        element(OP.And, ua.ElementOperand(Index=1), ua.ElementOperand(Index=2)),
        element(OP.OfType, literal(plant.type_id("CycleEventType"))),
        element(OP.GreaterThanOrEqual, field("Severity"), literal(500, ua.VariantType.UInt16)),
        select=[field("EventType"), field("Severity"), own(plant, "CycleNumber")],
    )
    await subscription.subscribe_events(SERVER, evfilter=wanted)
    await judge(plant, 30)
    await plant.desk.condition("fp-102", "unavailable", True, "no result")
    await judge(plant, 31, verdict=Verdict.REJECTED, low_flash=True)
    await until(lambda: len(events.seen) == 2, LATE)
    assert [one["CycleNumber"] for one in events.seen] == [31, 31]
    assert [one["Severity"] for one in events.seen] == [500, 800]
    await subscription.delete()


async def test_a_link_lost_and_returned(plant: Plant) -> None:
    """As system events of the analyzer."""
    events = Events()
    subscription = await plant.client.create_subscription(60, events)
    await subscription.subscribe_events(plant.id("fp-102"), plant.type_id("LinkEventType"))
    standing = plant.desk.standings["fp-102"]
    for link in (LinkState.DOWN, LinkState.CONNECTING, LinkState.UP):
        plant.desk.standings["fp-102"] = replace(standing, link=link)
        await plant.desk.publish()
    await until(lambda: len(events.seen) == 2, LATE)
    assert [one["LinkState"] for one in events.seen] == ["down", "up"]
    await subscription.delete()


async def test_faulty_filters_are_refused_with_their_faults(plant: Plant) -> None:
    """The result tells the clause; no item is made."""
    subscription = await plant.client.create_subscription(60, Events())
    answer = await items(subscription, filter_of(select=[field("Nonsense"), field("Severity")]))
    assert answer.StatusCode.name == "Good"
    told = [one.name for one in answer.FilterResult.SelectClauseResults]
    assert told == ["BadNodeIdUnknown", "Good"]
    bad_where = filter_of(element(OP.Like, field("Message"), literal("%")))
    answer = await items(subscription, bad_where)
    assert answer.StatusCode.name == "BadEventFilterInvalid"
    (element_result,) = answer.FilterResult.WhereClauseResult.ElementResults
    assert element_result.StatusCode.name == "BadFilterOperatorUnsupported"
    answer = await items(subscription, None)
    assert answer.StatusCode.name == "BadEventFilterInvalid"
    answer = await items(subscription, ua.DataChangeFilter())
    assert answer.StatusCode.name == "BadFilterNotAllowed"
    await subscription.delete()


async def test_a_filter_is_changed_while_it_runs(plant: Plant) -> None:
    """A faulty change is refused and the filter before stays."""
    events = Events()
    subscription = await plant.client.create_subscription(60, events)
    cycles = element(OP.OfType, literal(plant.type_id("CycleEventType")))
    select = [field("Severity"), own(plant, "CycleNumber")]
    item = await subscription.subscribe_events(SERVER, evfilter=filter_of(cycles, select=select))
    number = ua.Variant(subscription.subscription_id, ua.VariantType.UInt32)
    handles = await plant.call(SERVER, ObjectIds.Server_GetMonitoredItems, number)
    (handle,) = handles.OutputArguments[1].Value

    async def modified(*where: ua.ContentFilterElement) -> str:
        request = ua.MonitoredItemModifyRequest()
        request.MonitoredItemId = item
        request.RequestedParameters.ClientHandle = handle
        request.RequestedParameters.Filter = filter_of(*where, select=select)
        parameters = ua.ModifyMonitoredItemsParameters()
        parameters.SubscriptionId = subscription.subscription_id
        parameters.ItemsToModify = [request]
        (answer,) = await subscription.server.modify_monitored_items(parameters)
        return str(answer.StatusCode.name)

    assert await modified(element(OP.Not)) == "BadEventFilterInvalid"
    await judge(plant, 150)
    await until(lambda: len(events.seen) == 1, LATE)
    severe = element(OP.GreaterThan, field("Severity"), literal(400, ua.VariantType.UInt16))
    assert await modified(severe) == "Good"
    await judge(plant, 151)
    await judge(plant, 152, verdict=Verdict.REJECTED)
    await until(lambda: len(events.seen) == 2, LATE)
    assert [one["CycleNumber"] for one in events.seen] == [150, 152]
    await subscription.delete()


@pytest.mark.parametrize(
    ("node", "code"),
    [
        (ua.NodeId("fp-999", 2), "BadNodeIdUnknown"),
        (ua.NodeId("fp-101.flash_point_c", 2), "BadAttributeIdInvalid"),
        (ua.NodeId("fp-101.condition.clock", 2), "BadNotSupported"),
    ],
)
async def test_nodes_that_send_no_events(plant: Plant, node: ua.NodeId, code: str) -> None:
    """Unknown, a variable, an object that is no notifier."""
    subscription = await plant.client.create_subscription(60, Events())
    with pytest.raises(ua.UaStatusCodeError) as refusal:
        await subscription.subscribe_events(node, ObjectIds.BaseEventType)
    assert ua.StatusCode(refusal.value.code).name == code
    await subscription.delete()


@pytest.mark.parametrize(("oldest", "places"), [(True, [0, 3, 4]), (False, [1, 2, 0])])
async def test_a_full_queue_tells_what_it_lost(
    plant: Plant, oldest: bool, places: list[int]
) -> None:
    """One notice beside the queue's own room: first where the oldest are lost, else last.

    Numbers: cycles 1 to 4 in a queue of 2; 0 stands for the notice.
    """
    service = plant.outlet._server
    assert service is not None
    subscription = await plant.client.create_subscription(600_000, Events())
    # The interval is long: only what this test asks to be published is.
    inner = service.iserver.subscription_service.subscriptions[subscription.subscription_id]
    wanted = filter_of(
        element(OP.OfType, literal(plant.type_id("CycleEventType"))),
        select=[field("EventType"), own(plant, "CycleNumber")],
    )
    answer = await items(subscription, wanted, queue=2, oldest=oldest)
    assert answer.RevisedQueueSize == 2
    for number in (101, 102, 103, 104):
        await judge(plant, number)
    queued = inner._triggered_events[answer.MonitoredItemId]
    notice = ua.NodeId(ObjectIds.EventQueueOverflowEventType)

    def found() -> list[int]:
        return [
            0 if one.EventFields[0].Value == notice else one.EventFields[1].Value - 100
            for one in queued
        ]

    assert found() == places
    # A message takes the first two: the notice goes or stays, and there is one in the end.
    del queued[:2]
    for number in (105, 106):
        await judge(plant, number)
    assert found() == [0, 5, 6]
    await subscription.delete()


async def test_the_end_of_the_gateway_is_told() -> None:
    """SystemStatusChangeEvent with the state Shutdown (4 in OPC 10000-5, 12.6), before the end."""
    async with running_plant() as plant:
        events = Events()
        subscription = await plant.client.create_subscription(60, events)
        kind = ObjectIds.SystemStatusChangeEventType
        await subscription.subscribe_events(SERVER, kind)
        await plant.outlet.stop()
        await until(lambda: events.seen, LATE)
        assert events.seen[0]["SystemState"] == 4


async def test_lost_items_and_modes(plant: Plant) -> None:
    """A disabled item gets nothing, one put back gets what comes then, a deleted one is gone."""
    events = Events()
    subscription = await plant.client.create_subscription(60, events)
    item = await subscription.subscribe_events(SERVER, plant.type_id("CycleEventType"))
    await subscription.set_monitoring_mode(ua.MonitoringMode.Disabled)
    await judge(plant, 200)
    await subscription.set_monitoring_mode(ua.MonitoringMode.Reporting)
    await judge(plant, 201)
    await until(lambda: events.seen, LATE)
    assert [one["CycleNumber"] for one in events.seen] == [201]
    await subscription.unsubscribe(item)
    await judge(plant, 202)
    await subscription.delete()
    assert [one["CycleNumber"] for one in events.seen] == [201]
