"""Alarms as conditions over the wire: asyncua's client sees, refreshes and acknowledges them.

Meaning of states and methods: OPC 10000-9, 5.5 to 5.8 (from memory). Codes by the names of the
published list, OPC 10000-6, A.2.
"""

from __future__ import annotations

import logging
from collections.abc import AsyncIterator
from dataclasses import replace
from typing import Any

import pytest
import pytest_asyncio
from asyncua import Client, ua
from asyncua.ua.object_ids import ObjectIds

from edgeflash.model import AlarmState
from edgeflash.trust import Quality
from tests.integration.outlets.desk import ENGINEER, OBSERVER, Events, Plant, running_plant
from tests.waiting import until

pytestmark = pytest.mark.asyncio(loop_scope="module")
ACKNOWLEDGE = ObjectIds.AcknowledgeableConditionType_Acknowledge
COMMENT = ObjectIds.ConditionType_AddComment
REFRESH, REFRESH2 = (
    ObjectIds.ConditionType_ConditionRefresh,
    ObjectIds.ConditionType_ConditionRefresh2,
)
CONDITION_TYPE = ua.NodeId(ObjectIds.ConditionType)
LOW = "fp-101.condition.below_limit"
LATE = 30.0


@pytest.fixture(autouse=True)
def quiet(caplog: pytest.LogCaptureFixture) -> None:
    """The library logs every refusal; here they are expected."""
    caplog.set_level(logging.CRITICAL, logger="asyncua")


@pytest_asyncio.fixture(loop_scope="module", scope="module")
async def outlet_plant() -> AsyncIterator[Plant]:
    """One outlet for the module."""
    async with running_plant() as made:
        yield made


@pytest_asyncio.fixture(loop_scope="module")
async def plant(outlet_plant: Plant) -> AsyncIterator[Plant]:
    """Without an alarm, with an engineer at the client."""
    outlet_plant.desk.kept.clear()
    await outlet_plant.desk.publish()
    outlet_plant.desk.who = ENGINEER
    yield outlet_plant


async def alarms_of(client: Client, *types: int, on: ua.NodeId | None = None) -> tuple[Any, Events]:
    """A subscription to alarms, and what it sees."""
    events = Events()
    subscription = await client.create_subscription(60, events)
    kinds = types or (ObjectIds.AlarmConditionType, ObjectIds.NonExclusiveLevelAlarmType)
    node = client.get_node(on or ua.NodeId(ObjectIds.Server))
    await subscription.subscribe_events(node, list(kinds), queuesize=0)
    return subscription, events


def event_id(value: bytes) -> ua.Variant:
    """An EventId argument."""
    return ua.Variant(value, ua.VariantType.ByteString)


def words(value: str) -> ua.Variant:
    """A comment argument."""
    return ua.Variant(ua.LocalizedText(value), ua.VariantType.LocalizedText)


def uint(value: int) -> ua.Variant:
    """A UInt32 argument."""
    return ua.Variant(value, ua.VariantType.UInt32)


async def test_the_life_of_an_alarm(plant: Plant) -> None:
    """Raised, acknowledged by the client, returned: one event each, and the nodes agree."""
    subscription, events = await alarms_of(plant.client)
    await plant.desk.condition("fp-101", "below_limit", True, "36.2 °C is below 38 °C")
    await until(lambda: len(events.seen) == 1, LATE)
    raised = events.seen[0]
    assert raised["NodeId"] == plant.id(LOW)
    assert raised["SourceNode"] == plant.id("fp-101")
    assert raised["EventType"] == ua.NodeId(ObjectIds.NonExclusiveLevelAlarmType)
    assert raised["Message"].Text == "36.2 °C is below 38 °C"
    assert (raised["ActiveState/Id"], raised["AckedState/Id"], raised["Retain"]) == (
        True,
        False,
        True,
    )
    assert raised["Time"] == plant.desk.kept["fp-101", "below_limit"].since
    assert await plant.value(f"{LOW}.EventId") == raised["EventId"]

    answer = await plant.call(LOW, ACKNOWLEDGE, event_id(raised["EventId"]), words("I saw it"))
    assert answer.StatusCode.name == "Good"
    assert plant.desk.kept["fp-101", "below_limit"].state is AlarmState.ACKNOWLEDGED
    await until(lambda: len(events.seen) == 2, LATE)
    acked = events.seen[1]
    assert (acked["ActiveState/Id"], acked["AckedState/Id"], acked["Retain"]) == (True, True, True)
    assert acked["Comment"].Text == "I saw it"
    assert acked["ClientUserId"] == "invented engineer"
    assert acked["EventId"] != raised["EventId"]
    assert await plant.value(f"{LOW}.AckedState.Id") is True

    await plant.desk.condition("fp-101", "below_limit", False)
    await until(lambda: len(events.seen) == 3, LATE)
    over = events.seen[2]
    assert (over["ActiveState/Id"], over["AckedState/Id"], over["Retain"]) == (False, True, False)
    assert await plant.value(f"{LOW}.Retain") is False
    await subscription.delete()


async def test_a_returned_alarm_waits_for_somebody(plant: Plant) -> None:
    """Inactive and unacknowledged is retained; either of its events may be acknowledged."""
    subscription, events = await alarms_of(plant.client)
    await plant.desk.condition("fp-101", "below_limit", True, "too low")
    await plant.desk.condition("fp-101", "below_limit", False)
    await until(lambda: len(events.seen) == 2, LATE)
    returned = events.seen[1]
    assert (returned["ActiveState/Id"], returned["AckedState/Id"], returned["Retain"]) == (
        False,
        False,
        True,
    )
    first = events.seen[0]["EventId"]
    answer = await plant.call(LOW, ACKNOWLEDGE, event_id(first), words(""))
    assert answer.StatusCode.name == "Good"
    assert plant.desk.kept["fp-101", "below_limit"].state is AlarmState.NORMAL
    await until(lambda: len(events.of(Retain=False)) == 1, LATE)
    again = await plant.call(LOW, ACKNOWLEDGE, event_id(first), words(""))
    assert again.StatusCode.name == "BadConditionBranchAlreadyAcked"
    await subscription.delete()


async def test_what_was_seen_of_an_earlier_occurrence_acknowledges_nothing(plant: Plant) -> None:
    """Nor does an id that nobody gave."""
    subscription, events = await alarms_of(plant.client)
    await plant.desk.condition("fp-101", "below_limit", True, "too low")
    await plant.desk.condition("fp-101", "below_limit", False)
    await plant.desk.condition("fp-101", "below_limit", True, "too low again")
    await until(lambda: len(events.seen) == 3, LATE)
    for stale in (events.seen[0]["EventId"], b"invented", None):
        answer = await plant.call(LOW, ACKNOWLEDGE, event_id(stale), words(""))
        assert answer.StatusCode.name == "BadEventIdUnknown"
    other = "fp-101.condition.possible_low_flash"
    answer = await plant.call(other, ACKNOWLEDGE, event_id(events.seen[2]["EventId"]), words(""))
    assert answer.StatusCode.name == "BadEventIdUnknown"
    assert plant.desk.kept["fp-101", "below_limit"].state is AlarmState.ACTIVE
    await subscription.delete()


async def test_an_observer_acknowledges_and_comments_nothing(plant: Plant) -> None:
    """By the role of the session's user."""
    await plant.desk.condition("fp-101", "below_limit", True, "too low")
    known = await plant.value(f"{LOW}.EventId")
    plant.desk.who = OBSERVER
    for method in (ACKNOWLEDGE, COMMENT):
        answer = await plant.call(LOW, method, event_id(known), words("no"))
        assert answer.StatusCode.name == "BadUserAccessDenied"
    assert plant.desk.kept["fp-101", "below_limit"].state is AlarmState.ACTIVE
    assert await plant.value(f"{LOW}.Comment") != ua.LocalizedText("no", "en")


async def test_a_comment_is_told_and_kept_while_the_state_stays(plant: Plant) -> None:
    """It acknowledges nothing."""
    subscription, events = await alarms_of(plant.client)
    await plant.desk.condition("fp-101", "below_limit", True, "too low")
    known = await plant.value(f"{LOW}.EventId")
    answer = await plant.call(LOW, COMMENT, event_id(known), words("sample taken"))
    assert answer.StatusCode.name == "Good"
    await until(lambda: len(events.seen) == 2, LATE)
    assert events.seen[1]["Comment"].Text == "sample taken"
    assert events.seen[1]["AckedState/Id"] is False
    await plant.desk.publish()
    assert (await plant.value(f"{LOW}.Comment")).Text == "sample taken"
    assert [one for one in plant.desk.done if one[0] == "comment"] == [
        ("comment", "fp-101", "below_limit", "sample taken")
    ]
    await plant.desk.condition("fp-101", "below_limit", False)
    await until(lambda: len(events.seen) == 3, LATE)
    assert events.seen[2]["Comment"].Text == ""
    await subscription.delete()


async def test_a_refresh_reaches_the_asking_subscription_only(plant: Plant) -> None:
    """Start, every retained condition with its newest event, end; nothing for another client."""
    await plant.desk.condition("fp-101", "below_limit", True, "too low")
    await plant.desk.condition("fp-102", "unavailable", True, "no result")
    await plant.desk.condition("fp-101", "clock", True, "moved")
    await plant.desk.condition("fp-101", "clock", False)
    mine, events = await alarms_of(plant.client)
    async with Client(plant.outlet.endpoint, timeout=30) as other_client:
        other, others = await alarms_of(other_client)
        answer = await plant.call(CONDITION_TYPE, REFRESH, uint(mine.subscription_id))
        assert answer.StatusCode.name == "Good"
        end = ua.NodeId(ObjectIds.RefreshEndEventType)
        await until(lambda: events.of(EventType=end), LATE)
        types = [one["EventType"] for one in events.seen]
        assert types[0] == ua.NodeId(ObjectIds.RefreshStartEventType)
        assert types[-1] == end
        conditions = {one["NodeId"]: one["EventId"] for one in events.seen[1:-1]}
        assert conditions == {
            plant.id(one): await plant.value(f"{one}.EventId")
            for one in (LOW, "fp-102.condition.unavailable")
        }
        # A stranger's subscription is not refreshed for us.
        answer = await plant.call(CONDITION_TYPE, REFRESH, uint(other.subscription_id))
        assert answer.StatusCode.name == "BadSubscriptionIdInvalid"
        await plant.desk.condition("fp-101", "below_limit", False)
        await until(lambda: others.seen, LATE)
        assert [one["NodeId"] for one in others.seen] == [plant.id(LOW)]
    await mine.delete()


async def test_a_refresh_of_one_item(plant: Plant) -> None:
    """ConditionRefresh2 names the item; an item that is none is refused."""
    await plant.desk.condition("fp-101", "below_limit", True, "too low")
    events = Events()
    subscription = await plant.client.create_subscription(60, events)
    kind = ObjectIds.NonExclusiveLevelAlarmType
    server = plant.client.nodes.server
    first = await subscription.subscribe_events(server, kind)
    await subscription.subscribe_events(plant.node("fp-101"), kind)
    number = uint(subscription.subscription_id)
    answer = await plant.call(CONDITION_TYPE, REFRESH2, number, uint(first))
    assert answer.StatusCode.name == "Good"
    await until(lambda: events.of(EventType=ua.NodeId(ObjectIds.RefreshEndEventType)), LATE)
    assert len(events.seen) == 3
    answer = await plant.call(CONDITION_TYPE, REFRESH2, number, uint(99_999))
    assert answer.StatusCode.name == "BadMonitoredItemIdInvalid"
    await subscription.delete()


async def test_conditions_are_neither_enabled_nor_disabled(plant: Plant) -> None:
    """The site file alone turns an alarm off."""
    answer = await plant.call(LOW, ObjectIds.ConditionType_Enable)
    assert answer.StatusCode.name == "BadConditionAlreadyEnabled"
    answer = await plant.call(LOW, ObjectIds.ConditionType_Disable)
    assert answer.StatusCode.name == "BadNotSupported"


async def test_an_analyzer_sends_its_own_alarms_only(plant: Plant) -> None:
    """Subscribed at its object; the Server object sends all."""
    mine, events = await alarms_of(plant.client, on=plant.id("fp-102"))
    await plant.desk.condition("fp-101", "unavailable", True, "no result")
    await plant.desk.condition("fp-102", "unavailable", True, "no result")
    await until(lambda: events.seen, LATE)
    assert [one["SourceName"] for one in events.seen] == ["fp-102"]
    await mine.delete()


async def test_worse_evidence_is_told(plant: Plant) -> None:
    """An alarm that stands on a value that has gone bad is itself of bad quality."""
    subscription, events = await alarms_of(plant.client)
    await plant.desk.condition("fp-101", "below_limit", True, "too low")
    view = plant.desk.view("fp-101")
    await plant.outlet.publish([replace(view, quality=Quality.NO_DATA, value_c=None)])
    await until(lambda: len(events.seen) == 2, LATE)
    assert events.seen[1]["Quality"].value == 0x809B0000  # BadNoData
    assert events.seen[1]["AckedState/Id"] is False
    await subscription.delete()


async def test_nodes_have_what_the_standard_demands(plant: Plant) -> None:
    """Every mandatory variable of the condition's type and of those above it, and its methods."""
    mandatory = ua.NodeId(ObjectIds.ModellingRule_Mandatory)
    for identifier in (LOW, "fp-102.condition.clock"):
        node = plant.node(identifier)
        own = {(await child.read_browse_name()).Name for child in await node.get_children()}
        kind = plant.client.get_node(await node.read_type_definition())
        while kind.nodeid != ua.NodeId(ObjectIds.BaseObjectType):
            for wanted in await kind.get_children():
                rules = await wanted.get_referenced_nodes(refs=ObjectIds.HasModellingRule)
                if mandatory in [rule.nodeid for rule in rules]:
                    assert (await wanted.read_browse_name()).Name in own, wanted
            (kind,) = await kind.get_referenced_nodes(
                refs=ObjectIds.HasSubtype, direction=ua.BrowseDirection.Inverse
            )


async def test_where_events_come_from(plant: Plant) -> None:
    """Server notifies of the analyzers, which have the conditions and say what they send."""
    server = plant.client.nodes.server
    assert await server.read_event_notifier() == {ua.EventNotifier.SubscribeToEvents}
    below = await server.get_referenced_nodes(refs=ObjectIds.HasNotifier)
    assert [one.nodeid for one in below] == [plant.id("fp-101"), plant.id("fp-102")]
    analyzer = plant.node("fp-101")
    assert await analyzer.read_event_notifier() == {ua.EventNotifier.SubscribeToEvents}
    conditions = await analyzer.get_referenced_nodes(refs=ObjectIds.HasCondition)
    assert plant.id(LOW) in [one.nodeid for one in conditions]
    kind = plant.client.get_node(await analyzer.read_type_definition())
    sent = await kind.get_referenced_nodes(refs=ObjectIds.GeneratesEvent)
    wanted = {plant.type_id("CycleEventType"), ua.NodeId(ObjectIds.AlarmConditionType)}
    assert wanted <= {one.nodeid for one in sent}
