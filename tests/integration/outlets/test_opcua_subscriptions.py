"""Subscriptions as a client agrees upon them: what is granted is what is done.

Every request is made of the services themselves, so that nothing of the client library's own
helps or hides. Sources, from memory: OPC 10000-4, 5.12 (monitored items), 5.13 (subscriptions),
7.21, 7.22 and 7.39; OPC 10000-8, 7.2 (percent deadband).
"""

from __future__ import annotations

import logging
from collections.abc import AsyncIterator, Sequence
from typing import Any

import pytest
import pytest_asyncio
from asyncua import Client, ua
from structlog.testing import capture_logs

from edgeflash.outlets import OpcUaOutlet
from edgeflash.outlets.opcua_limits import Limits
from edgeflash.outlets.opcua_subscriber import Subscriber
from tests.unit.outlets.builders import START, accepted_view, analyzer, opcua, rejected_view
from tests.waiting import until

pytestmark = pytest.mark.asyncio(loop_scope="module")
MODULE = {"scope": "module", "loop_scope": "module"}
OVERFLOW = 0x480
HANDLE = 7001
FLASH = "fp-101.flash_point_c"


@pytest.fixture(autouse=True)
def quiet(caplog: pytest.LogCaptureFixture) -> None:
    """The library logs every refusal; here they are expected."""
    caplog.set_level(logging.CRITICAL, logger="asyncua")


@pytest_asyncio.fixture(**MODULE)
async def outlet() -> AsyncIterator[OpcUaOutlet]:
    """One running outlet for the tests of this module."""
    one = OpcUaOutlet(opcua(), (analyzer("fp-101", 1),), "Invented Bend")
    await one.start()
    yield one
    await one.stop()


@pytest_asyncio.fixture(loop_scope="module")
async def client(outlet: OpcUaOutlet) -> AsyncIterator[Client]:
    """A client of its own for each test."""
    async with Client(outlet.endpoint, timeout=30) as one:
        yield one


class Subscribed:
    """One subscription, made and heard by bare services."""

    def __init__(self, client: Client) -> None:
        self.session = client.uaclient.session
        self.heard: list[ua.PublishResult] = []
        self.id = 0
        self.granted = ua.CreateSubscriptionResult()

    async def make(self, interval_ms: float = 50.0, **more: Any) -> Subscribed:
        fields = {"RequestedLifetimeCount": 3000, "RequestedMaxKeepAliveCount": 1000, **more}
        params = ua.CreateSubscriptionParameters(
            RequestedPublishingInterval=interval_ms, PublishingEnabled=True, **fields
        )
        self.granted = await self.session.create_subscription(params, self._hear)
        self.id = self.granted.SubscriptionId
        return self

    async def _hear(self, result: ua.PublishResult) -> None:
        self.heard.append(result)

    async def watch(
        self,
        name: str = FLASH,
        *,
        sampling_ms: float = 0.0,
        queue: int = 10,
        discard_oldest: bool = True,
        wanted: Any = None,
        mode: ua.MonitoringMode = ua.MonitoringMode.Reporting,
        attribute: ua.AttributeIds = ua.AttributeIds.Value,
        timestamps: ua.TimestampsToReturn = ua.TimestampsToReturn.Both,
        index_range: str | None = None,
    ) -> ua.MonitoredItemCreateResult:
        parameters = ua.MonitoringParameters(
            ClientHandle=HANDLE,
            SamplingInterval=sampling_ms,
            QueueSize=queue,
            DiscardOldest=discard_oldest,
        )
        if wanted is not None:
            parameters.Filter = wanted
        read = ua.ReadValueId(
            NodeId=ua.NodeId(name, 2), AttributeId=attribute, IndexRange=index_range
        )
        params = ua.CreateMonitoredItemsParameters(
            SubscriptionId=self.id,
            TimestampsToReturn=timestamps,
            ItemsToCreate=[ua.MonitoredItemCreateRequest(read, mode, parameters)],
        )
        (result,) = await self.session.create_monitored_items(params)
        return result

    @property
    def values(self) -> list[ua.DataValue]:
        """All that was told of values, in order."""
        return [
            item.Value
            for result in self.heard
            for part in result.NotificationMessage.NotificationData
            for item in getattr(part, "MonitoredItems", ())
        ]

    @property
    def numbers(self) -> list[float | None]:
        return [None if v.Value is None else v.Value.Value for v in self.values]

    async def end(self) -> None:
        await self.session.delete_subscriptions([self.id])


def band(deadband: float, kind: int = ua.DeadbandType.Absolute, trigger: int = 1) -> Any:
    return ua.DataChangeFilter(ua.DataChangeTrigger(trigger), ua.UInt32(kind), deadband)


async def show(outlet: OpcUaOutlet, *values_c: float) -> None:
    for value_c in values_c:
        await outlet.publish([accepted_view(value_c=value_c)])


async def test_every_change_is_queued_and_sent_in_order(
    outlet: OpcUaOutlet, client: Client
) -> None:
    """Faster than the publishing, none is lost, and each is stamped by sample and server."""
    await show(outlet, 60.0)
    one = await Subscribed(client).make(100.0)
    await one.watch()
    await show(outlet, 61.0, 62.0, 63.0)
    await until(lambda: len(one.values) == 4, 30.0)
    assert one.numbers == [60.0, 61.0, 62.0, 63.0]
    assert all(v.SourceTimestamp == START and v.ServerTimestamp is not None for v in one.values)
    assert all(v.StatusCode.value == 0 for v in one.values)
    await one.end()


@pytest.mark.parametrize(
    ("discard_oldest", "numbers", "marked"),
    [(True, [62.0, 63.0, 64.0], 0), (False, [60.0, 61.0, 64.0], 2)],
)
async def test_overflow(
    outlet: OpcUaOutlet,
    client: Client,
    discard_oldest: bool,
    numbers: list[float],
    marked: int,
) -> None:
    """Five values for a queue of three: the loss is marked where it is."""
    await show(outlet, 60.0)
    one = await Subscribed(client).make(1000.0)
    result = await one.watch(queue=3, discard_oldest=discard_oldest)
    assert result.RevisedQueueSize == 3
    await show(outlet, 61.0, 62.0, 63.0, 64.0)
    await until(lambda: len(one.values) == 3, 30.0)
    assert one.numbers == numbers
    assert [v.StatusCode.value for v in one.values] == [
        OVERFLOW if place == marked else 0 for place in range(3)
    ]
    await one.end()


async def test_no_queue_holds_the_newest_unmarked(outlet: OpcUaOutlet, client: Client) -> None:
    """Queue size 0 asks for the default, which is 1 for values."""
    await show(outlet, 60.0)
    one = await Subscribed(client).make(1000.0)
    assert (await one.watch(queue=0)).RevisedQueueSize == 1
    await show(outlet, 61.0, 62.0)
    await until(lambda: one.values, 30.0)
    assert (one.numbers, one.values[0].StatusCode.value) == ([62.0], 0)
    await one.end()


async def test_an_absolute_deadband_is_of_the_last_sent_value(
    outlet: OpcUaOutlet, client: Client
) -> None:
    """A drift adds up; no value, and the next one, come whatever the deadband."""
    await show(outlet, 60.0)
    one = await Subscribed(client).make()
    assert (await one.watch(wanted=band(1.0))).StatusCode.is_good()
    await show(outlet, 60.4, 60.8, 61.2, 61.6, 62.2)
    await outlet.publish([rejected_view(held=False)])
    await show(outlet, 62.3)
    await until(lambda: len(one.values) == 4 and one.numbers[-1] == 62.3, 30.0)
    assert one.numbers == [60.0, 61.2, None, 62.3]
    assert one.values[2].StatusCode.value == 0x809B0000
    await one.end()


async def test_a_percent_deadband_is_of_the_range(outlet: OpcUaOutlet, client: Client) -> None:
    """2 % of -50 to 400 °C is 9 °C. Without EURange: BadDeadbandFilterInvalid."""
    await show(outlet, 60.0)
    one = await Subscribed(client).make()
    await one.watch(wanted=band(2.0, ua.DeadbandType.Percent))
    await show(outlet, 68.9, 69.1, 62.0, 60.0)
    await until(lambda: len(one.values) == 3, 30.0)
    assert one.numbers == [60.0, 69.1, 60.0]
    await one.end()


@pytest.mark.parametrize(
    ("name", "wanted", "status"),
    [
        ("cycle_number", band(2.0, ua.DeadbandType.Percent), "BadDeadbandFilterInvalid"),
        ("flash_point_c", band(101.0, ua.DeadbandType.Percent), "BadDeadbandFilterInvalid"),
        ("flash_point_c", band(-1.0), "BadDeadbandFilterInvalid"),
        ("flash_point_c", band(float("nan")), "BadDeadbandFilterInvalid"),
        ("flash_point_c", band(1.0, 9), "BadMonitoredItemFilterInvalid"),
        ("reason_text", band(1.0), "BadFilterNotAllowed"),
        ("sampled_at", band(1.0), "BadFilterNotAllowed"),
        ("flash_point_c", ua.EventFilter(), "BadFilterNotAllowed"),
        ("flash_point_c", ua.AggregateFilter(), "BadMonitoredItemFilterUnsupported"),
        ("nothing", None, "BadNodeIdUnknown"),
    ],
)
async def test_refused_items(client: Client, name: str, wanted: Any, status: str) -> None:
    """Each with its own status; the subscription stays as it was."""
    one = await Subscribed(client).make()
    result = await one.watch(f"fp-101.{name}", wanted=wanted)
    assert result.StatusCode.name == status
    assert result.MonitoredItemId == 0
    await one.end()


async def test_more_refused_items(client: Client) -> None:
    one = await Subscribed(client).make()
    result = await one.watch(wanted=band(1.0), attribute=ua.AttributeIds.DisplayName)
    assert result.StatusCode.name == "BadFilterNotAllowed"
    result = await one.watch(attribute=ua.AttributeIds.Executable)
    assert result.StatusCode.name == "BadAttributeIdInvalid"
    result = await one.watch(index_range="0:1")
    assert result.StatusCode.name == "BadIndexRangeNoData"
    with pytest.raises(ua.UaStatusCodeError) as refusal:
        await one.watch(timestamps=ua.TimestampsToReturn.Invalid)
    assert refusal.value.code == ua.StatusCodes.BadTimestampsToReturnInvalid
    await one.end()


@pytest.mark.parametrize(("trigger", "count"), [(0, 1), (1, 2), (2, 3)])
async def test_triggers(outlet: OpcUaOutlet, client: Client, trigger: int, count: int) -> None:
    """Status only; and value; and source time. The first is sent in any case."""
    node = ua.NodeId("fp-101.reported_c", 2)
    server = outlet._server
    assert server is not None

    async def write(number: float, second: int) -> None:
        value = ua.DataValue(
            ua.Variant(number, ua.VariantType.Double), SourceTimestamp=START.replace(second=second)
        )
        await server.write_attribute_value(node, value)

    await write(50.0, 0)
    one = await Subscribed(client).make()
    await one.watch("fp-101.reported_c", wanted=band(0.0, ua.DeadbandType.None_, trigger))
    await write(50.0, 1)
    await write(51.0, 1)
    bad = ua.DataValue(StatusCode=ua.StatusCode(ua.UInt32(ua.StatusCodes.BadSensorFailure)))
    await server.write_attribute_value(node, bad)
    await until(lambda: one.values and one.numbers[-1] is None, 30.0)
    assert len(one.values) == count + 1
    await one.end()


async def test_sampling_slower_than_publishing(outlet: OpcUaOutlet, client: Client) -> None:
    """Of many changes within one sampling interval only the last is sent, once it has passed."""
    await show(outlet, 60.0)
    one = await Subscribed(client).make(50.0)
    result = await one.watch(sampling_ms=2000.0)
    assert result.RevisedSamplingInterval == 2000.0
    await until(lambda: one.values, 30.0)
    await show(outlet, *(61.0 + n / 10 for n in range(10)))
    await until(lambda: one.numbers[-1] == 61.9, 30.0)
    # At most one sampling instant fell among the ten changes, made without a pause.
    assert len(one.values) <= 3
    await one.end()


@pytest.mark.parametrize(
    ("asked", "granted"), [(0.0, 0.0), (-1.0, 200.0), (1.0, 50.0), (1e15, 86_400_000.0)]
)
async def test_the_granted_sampling_interval(client: Client, asked: float, granted: float) -> None:
    one = await Subscribed(client).make(200.0)
    assert (await one.watch(sampling_ms=asked)).RevisedSamplingInterval == granted
    await one.end()


async def test_modes(outlet: OpcUaOutlet, client: Client) -> None:
    """Disabled sees nothing; sampling fills the queue, and reporting sends it."""
    await show(outlet, 60.0)
    one = await Subscribed(client).make()
    item = await one.watch(mode=ua.MonitoringMode.Disabled)

    async def turn(mode: ua.MonitoringMode) -> None:
        params = ua.SetMonitoringModeParameters(
            SubscriptionId=one.id, MonitoringMode=mode, MonitoredItemIds=[item.MonitoredItemId, 9]
        )
        results = await one.session.set_monitoring_mode(params)
        assert [s.name for s in results] == ["Good", "BadMonitoredItemIdInvalid"]

    await show(outlet, 61.0)
    await turn(ua.MonitoringMode.Sampling)
    await show(outlet, 62.0)
    await turn(ua.MonitoringMode.Reporting)
    await until(lambda: len(one.values) == 2, 30.0)
    assert one.numbers == [61.0, 62.0]
    await turn(ua.MonitoringMode.Disabled)
    await show(outlet, 63.0)
    await turn(ua.MonitoringMode.Reporting)
    await until(lambda: len(one.values) == 3, 30.0)
    assert one.numbers[-1] == 63.0
    await one.end()


async def test_a_message_holds_no_more_than_agreed(outlet: OpcUaOutlet, client: Client) -> None:
    """MaxNotificationsPerPublish 2: five values come in three messages, more being announced."""
    await show(outlet, 60.0)
    one = await Subscribed(client).make(1000.0, MaxNotificationsPerPublish=2)
    await one.watch()
    await show(outlet, 61.0, 62.0, 63.0, 64.0)
    await until(lambda: len(one.values) == 5, 30.0)
    assert one.numbers == [60.0, 61.0, 62.0, 63.0, 64.0]
    full = [r for r in one.heard if r.NotificationMessage.NotificationData]
    sizes = [len(r.NotificationMessage.NotificationData[0].MonitoredItems) for r in full]
    assert sizes == [2, 2, 1]
    assert [r.MoreNotifications for r in full] == [True, True, False]
    numbers = [r.NotificationMessage.SequenceNumber for r in full]
    assert numbers == list(range(numbers[0], numbers[0] + 3))
    await one.end()


async def test_items_can_be_changed(outlet: OpcUaOutlet, client: Client) -> None:
    """A deadband, another handle and a smaller queue, from now on."""
    await show(outlet, 60.0)
    one = await Subscribed(client).make()
    item = await one.watch()
    await until(lambda: one.values, 30.0)

    async def change(item_id: int, wanted: Any) -> ua.MonitoredItemModifyResult:
        parameters = ua.MonitoringParameters(ClientHandle=8, QueueSize=5000, Filter=wanted)
        asked = ua.MonitoredItemModifyRequest(item_id, parameters)
        params = ua.ModifyMonitoredItemsParameters(one.id, ua.TimestampsToReturn.Neither, [asked])
        (result,) = await one.session.modify_monitored_items(params)
        return result

    result = await change(item.MonitoredItemId, band(5.0))
    assert (result.StatusCode.name, result.RevisedQueueSize) == ("Good", 1000)
    assert (await change(9, None)).StatusCode.name == "BadMonitoredItemIdInvalid"
    refused = await change(item.MonitoredItemId, band(-5.0))
    assert refused.StatusCode.name == "BadDeadbandFilterInvalid"
    await show(outlet, 64.0, 66.0)
    await until(lambda: len(one.values) == 2, 30.0)
    assert one.numbers == [60.0, 66.0]
    assert one.values[1].SourceTimestamp is None
    assert one.values[1].ServerTimestamp is None
    (told,) = one.heard[-1].NotificationMessage.NotificationData[0].MonitoredItems
    assert told.ClientHandle == 8
    await one.end()


class Bare:
    """A session that asks for publishing by hand: the client library does it by itself."""

    def __init__(self, client: Client) -> None:
        self.client = client
        self.session = client.uaclient.session

    async def make(self, **more: Any) -> int:
        fields = {
            "RequestedPublishingInterval": 50.0,
            "RequestedLifetimeCount": 3000,
            "RequestedMaxKeepAliveCount": 1000,
            **more,
        }
        request = ua.CreateSubscriptionRequest()
        request.Parameters = ua.CreateSubscriptionParameters(PublishingEnabled=True, **fields)
        answer = await self._ask(request, ua.CreateSubscriptionResponse)
        return int(answer.Parameters.SubscriptionId)

    async def publish(self, *acks: tuple[int, int]) -> ua.PublishResult:
        request = ua.PublishRequest()
        request.Parameters.SubscriptionAcknowledgements = [
            ua.SubscriptionAcknowledgement(*ack) for ack in acks
        ]
        answer = await self._ask(request, ua.PublishResponse)
        return answer.Parameters

    async def _ask(self, request: Any, kind: Any) -> Any:
        data = await self.session._send_request(request, 60.0)
        answer = ua.ua_binary.struct_from_binary(kind, data)
        answer.ResponseHeader.ServiceResult.check()
        return answer


async def test_messages_are_kept_until_acknowledged(outlet: OpcUaOutlet, client: Client) -> None:
    """Republish gives the same message again and again, and not once it is acknowledged."""
    await show(outlet, 60.0)
    bare = Bare(client)
    one = Subscribed(client)
    one.id = await bare.make()
    await one.watch()
    result = await bare.publish()
    while not result.NotificationMessage.NotificationData:
        result = await bare.publish()
    number = result.NotificationMessage.SequenceNumber
    assert result.AvailableSequenceNumbers == [number]
    again = [await _republish(bare, one.id, number) for _ in range(2)]
    assert again[0] == again[1]
    (part,) = again[0].NotificationData
    assert part.MonitoredItems[0].Value.Value.Value == 60.0
    await show(outlet, 61.0)
    result = await bare.publish((one.id, number), (one.id, number), (one.id + 999, 1))
    assert [s.name for s in result.Results] == [
        "Good",
        "BadSequenceNumberUnknown",
        "BadSubscriptionIdInvalid",
    ]
    with pytest.raises(ua.UaStatusCodeError) as refusal:
        await _republish(bare, one.id, number)
    assert refusal.value.code == ua.StatusCodes.BadMessageNotAvailable
    with pytest.raises(ua.UaStatusCodeError) as refusal:
        await _republish(bare, one.id + 999, number)
    assert refusal.value.code == ua.StatusCodes.BadSubscriptionIdInvalid
    await one.end()


async def _republish(bare: Bare, subscription: int, number: int) -> ua.NotificationMessage:
    request = ua.RepublishRequest()
    request.Parameters = ua.RepublishParameters(subscription, number)
    answer = await bare._ask(request, ua.RepublishResponse)
    return answer.NotificationMessage  # type: ignore[no-any-return]


async def test_keep_alives_come_without_news(client: Client) -> None:
    """Without items: an empty message at first, and after each silence, with the number to come."""
    bare = Bare(client)
    one = Subscribed(client)
    one.id = await bare.make(RequestedMaxKeepAliveCount=2)
    for _ in range(3):
        result = await bare.publish()
        assert result.NotificationMessage.NotificationData == []
        assert result.NotificationMessage.SequenceNumber == 1
        assert not result.MoreNotifications
        assert result.AvailableSequenceNumbers == []
    await one.end()


async def test_an_abandoned_subscription_ends_and_says_so(
    outlet: OpcUaOutlet, client: Client
) -> None:
    """After its lifetime without a publish request: StatusChange BadTimeout, and then none."""
    bare = Bare(client)
    number = await bare.make(RequestedMaxKeepAliveCount=1, RequestedLifetimeCount=3)
    await until(lambda: _is_gone(outlet, number), 30.0)
    with pytest.raises(ua.UaStatusCodeError) as refusal:
        await Subscribed.watch(_named(client, number))
    assert refusal.value.code == ua.StatusCodes.BadSubscriptionIdInvalid
    result = await bare.publish()
    (part,) = result.NotificationMessage.NotificationData
    assert part.Status.value == ua.StatusCodes.BadTimeout
    with pytest.raises(ua.UaStatusCodeError) as refusal:
        await bare.publish()
    assert refusal.value.code == ua.StatusCodes.BadNoSubscription


def _service(outlet: OpcUaOutlet) -> Any:
    assert outlet._server is not None
    return outlet._server.iserver.subscription_service


def _is_gone(outlet: OpcUaOutlet, number: int) -> bool:
    """What only the server knows."""
    found = _service(outlet).subscriptions.get(number)
    return found is None or bool(found.expired)


def _named(client: Client, number: int) -> Subscribed:
    one = Subscribed(client)
    one.id = number
    return one


async def test_a_subscription_can_be_changed(outlet: OpcUaOutlet, client: Client) -> None:
    """An hour, then 50 ms: the value comes; granted is what can be."""
    await show(outlet, 60.0)
    one = await Subscribed(client).make(1e12)
    assert one.granted.RevisedPublishingInterval == 3_600_000.0
    await one.watch()
    request = ua.ModifySubscriptionRequest()
    request.Parameters = ua.ModifySubscriptionParameters(
        SubscriptionId=one.id,
        RequestedPublishingInterval=1.0,
        RequestedLifetimeCount=1,
        RequestedMaxKeepAliveCount=20,
    )
    answer = await Bare(client)._ask(request, ua.ModifySubscriptionResponse)
    assert answer.Parameters.RevisedPublishingInterval == 50.0
    assert answer.Parameters.RevisedMaxKeepAliveCount == 20
    assert answer.Parameters.RevisedLifetimeCount == 60
    await until(lambda: one.numbers == [60.0], 30.0)
    await one.end()


async def test_a_silenced_subscription_keeps_its_values(
    outlet: OpcUaOutlet, client: Client
) -> None:
    """Publishing disabled: values wait in their queues, and come when it is enabled."""
    await show(outlet, 60.0)
    one = await Subscribed(client).make()
    params = ua.SetPublishingModeParameters(False, [one.id, one.id + 999])
    results = await one.session.set_publishing_mode(params)
    assert [s.name for s in results] == ["Good", "BadSubscriptionIdInvalid"]
    await one.watch()
    await show(outlet, 61.0)
    await until(lambda: one.heard, 30.0)
    assert one.values == []
    params = ua.SetPublishingModeParameters(True, [one.id])
    await one.session.set_publishing_mode(params)
    await until(lambda: one.numbers == [60.0, 61.0], 30.0)
    await one.end()


async def test_another_session_cannot_reach_a_subscription(
    outlet: OpcUaOutlet, client: Client
) -> None:
    """To anyone else it does not exist. Who may take it over: test_opcua_sessions."""
    one = await Subscribed(client).make()
    item = await one.watch()
    async with Client(outlet.endpoint, timeout=30) as other:
        theirs = _named(other, one.id)
        session = other.uaclient.session
        requests: Sequence[Any] = (
            theirs.watch,
            lambda: session.delete_monitored_items(
                ua.DeleteMonitoredItemsParameters(one.id, [item.MonitoredItemId])
            ),
            lambda: session.set_monitoring_mode(
                ua.SetMonitoringModeParameters(
                    one.id, ua.MonitoringMode.Disabled, [item.MonitoredItemId]
                )
            ),
            lambda: _republish(Bare(other), one.id, 1),
        )
        for request in requests:
            with pytest.raises(ua.UaStatusCodeError) as refusal:
                await request()
            assert refusal.value.code == ua.StatusCodes.BadSubscriptionIdInvalid
        (status,) = await session.delete_subscriptions([one.id])
        assert status.name == "BadSubscriptionIdInvalid"
    await show(outlet, 60.0, 61.0)
    await until(lambda: one.numbers[-1:] == [61.0], 30.0)
    await one.end()


async def test_one_client_has_its_share_only(client: Client) -> None:
    """Subscriptions of one address, and places in their queues, have their limits."""
    made, share = [], Limits.of_each(opcua())
    with pytest.raises(ua.UaStatusCodeError) as refusal:
        for _ in range(share.subscriptions + 1):
            made.append(await Subscribed(client).make(60_000.0))
    assert refusal.value.code == ua.StatusCodes.BadTooManySubscriptions
    assert len(made) == share.subscriptions
    granted = [(await made[0].watch(queue=1000)).RevisedQueueSize for _ in range(60)]
    whole = share.places // 1000
    assert granted[:whole] == [1000] * whole
    assert granted[whole:] == [1] * (60 - whole)
    for one in made:
        await one.end()


async def test_events_still_reach_their_subscribers(outlet: OpcUaOutlet, client: Client) -> None:
    """Events go through the same subscriptions, with the same limit of a message."""
    await outlet.publish([accepted_view(cycle_number=900)])
    one = await Subscribed(client).make(500.0, MaxNotificationsPerPublish=2)
    message = ua.SimpleAttributeOperand(
        TypeDefinitionId=ua.NodeId(ua.ObjectIds.BaseEventType),
        BrowsePath=[ua.QualifiedName("Message", 0)],
        AttributeId=ua.AttributeIds.Value,
    )
    parameters = ua.MonitoringParameters(
        ClientHandle=HANDLE, QueueSize=10, Filter=ua.EventFilter(SelectClauses=[message])
    )
    read = ua.ReadValueId(
        NodeId=ua.NodeId(ua.ObjectIds.Server), AttributeId=ua.AttributeIds.EventNotifier
    )
    asked = ua.MonitoredItemCreateRequest(read, ua.MonitoringMode.Reporting, parameters)
    params = ua.CreateMonitoredItemsParameters(one.id, ua.TimestampsToReturn.Both, [asked])
    (result,) = await one.session.create_monitored_items(params)
    assert result.StatusCode.is_good()
    numbers = range(901, 906)
    for number in numbers:
        await outlet.publish([accepted_view(cycle_number=number)])

    def told() -> list[str]:
        return [
            fields.EventFields[0].Value.Text
            for answer in one.heard
            for part in answer.NotificationMessage.NotificationData
            for fields in getattr(part, "Events", ())
        ]

    await until(lambda: len(told()) == 5, 30.0)
    assert [words.split()[1] for words in told()] == [str(number) for number in numbers]
    full = [r for r in one.heard if r.NotificationMessage.NotificationData]
    assert all(len(r.NotificationMessage.NotificationData[0].Events) <= 2 for r in full)
    await one.end()


async def test_nothing_is_left_of_a_client_that_is_gone(outlet: OpcUaOutlet) -> None:
    service = _service(outlet)
    before = len(service.subscriptions)
    async with Client(outlet.endpoint, timeout=30) as gone:
        one = await Subscribed(gone).make()
        await one.watch()
        assert len(service.subscriptions) == before + 1
    await until(lambda: len(service.subscriptions) == before, 30.0)


async def test_a_fault_in_publishing_does_not_fill_the_log(
    outlet: OpcUaOutlet, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It can come back with every cycle, twenty times a second."""
    cycles: list[Subscriber] = []

    async def fails(self: Subscriber) -> None:
        cycles.append(self)
        raise RuntimeError("a fault of ours")

    one = await Subscribed(client).make(50.0)
    with capture_logs() as lines, monkeypatch.context() as patched:
        patched.setattr(Subscriber, "_cycle", fails)
        await until(lambda: len(cycles) >= 5, 30.0)
    assert [line["event"] for line in lines] == ["opcua_publishing_failed"]
    await show(outlet, 61.0, 60.0)
    await one.watch()
    await until(lambda: one.numbers[-1:] == [60.0], 30.0)
    await one.end()
