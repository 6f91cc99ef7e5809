"""The monitored items of one subscription: made, changed, sampled, queued, taken for sending.

In place of the library's for values. Events go the library's own way, through its queue of them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from asyncua import ua
from asyncua.common.utils import ServiceError
from asyncua.server.address_space import AddressSpace
from asyncua.server.monitored_item_service import MonitoredItemData, MonitoredItemService
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.status_codes import StatusCodes

from edgeflash.outlets.data_change import Queue, Sampler
from edgeflash.outlets.opcua_item import (
    Item,
    check_event_filter,
    check_what_is_read,
    checked_filter,
)
from edgeflash.outlets.publishing import revised_sampling

if TYPE_CHECKING:
    from edgeflash.outlets.opcua_subscriber import Subscriber

MAX_QUEUED_VALUES = 1000
"""Of one item, whatever its client asks."""
LEAST_SAMPLING_MS = 50.0
MOST_SAMPLING_MS = 86_400_000.0

_DISABLED, _REPORTING = ua.MonitoringMode.Disabled, ua.MonitoringMode.Reporting


@dataclass(frozen=True, slots=True)
class Room:
    """What a client may still take up: places in queues, and items of events."""

    places: int
    event_items: int


class MonitoredItems(MonitoredItemService):
    """The items of one subscription. room: what they may still take up.

    A place for events: `_create_events_monitored_item`, and the library's own queue of them.
    """

    isub: Subscriber
    _monitored_items: dict[int, Item]  # type: ignore[assignment]

    def __init__(
        self,
        isub: Subscriber,
        aspace: AddressSpace,
        room: Callable[[], Room],
        mono_s: Callable[[], float],
    ) -> None:
        super().__init__(isub, aspace)
        self._room = room
        self._mono_s = mono_s
        self._timestamps = ua.TimestampsToReturn.Both
        self.places = 0
        """How many notifications their queues may hold together."""
        self._to_look_at: set[int] = set()
        self._to_send: dict[int, None] = {}  # in the order in which they have something to send

    @property
    def event_items(self) -> int:
        """How many items are of events."""
        return 0

    @property
    def has_changes(self) -> bool:
        """Whether a changed value waits to be sent."""
        return bool(self._to_send)

    async def create_monitored_items(
        self, params: ua.CreateMonitoredItemsParameters
    ) -> list[ua.MonitoredItemCreateResult]:
        self._timestamps = _checked(params.TimestampsToReturn)
        return [await self._created(item) for item in params.ItemsToCreate]

    async def _created(self, asked: ua.MonitoredItemCreateRequest) -> ua.MonitoredItemCreateResult:
        try:
            check_what_is_read(asked.ItemToMonitor)
            if asked.ItemToMonitor.AttributeId == AttributeIds.EventNotifier:
                if self._room().event_items <= 0:
                    raise ServiceError(StatusCodes.BadTooManyMonitoredItems)
                check_event_filter(asked.RequestedParameters.Filter)
                return self._create_events_monitored_item(asked)
            return await self._create_data_change_monitored_item(asked)
        except ServiceError as refusal:
            return ua.MonitoredItemCreateResult(StatusCode=_status(refusal.code))

    def _make_monitored_item_common(
        self, params: ua.MonitoredItemCreateRequest
    ) -> tuple[ua.MonitoredItemCreateResult, Item]:
        asked, read = params.RequestedParameters, params.ItemToMonitor
        for_events = read.AttributeId == AttributeIds.EventNotifier
        result = ua.MonitoredItemCreateResult()
        result.RevisedSamplingInterval = 0.0 if for_events else self._sampling(asked)
        result.RevisedQueueSize = self._queue_size(asked.QueueSize, for_events)
        self._monitored_item_counter += 1
        result.MonitoredItemId = self._monitored_item_counter
        item = Item(
            Queue(result.RevisedQueueSize, asked.DiscardOldest),
            Sampler(result.RevisedSamplingInterval / 1000.0, self._mono_s()),
        )
        item.mode = params.MonitoringMode
        item.read_value_id = read
        item.client_handle = asked.ClientHandle
        item.monitored_item_id = result.MonitoredItemId
        item.queue_size = result.RevisedQueueSize
        item.filter = asked.Filter
        item.timestamps = self._timestamps
        return result, item

    def _sampling(self, asked: ua.MonitoringParameters) -> float:
        return revised_sampling(
            asked.SamplingInterval,
            self.isub.data.RevisedPublishingInterval,
            LEAST_SAMPLING_MS,
            MOST_SAMPLING_MS,
        )

    def _queue_size(self, asked: int, for_events: bool) -> int:
        """The granted size. 0 asks for the default: 1 for values, the most for events (7.21)."""
        wanted = min(asked, MAX_QUEUED_VALUES) or (MAX_QUEUED_VALUES if for_events else 1)
        return max(1, min(wanted, self._room().places))

    async def _create_data_change_monitored_item(
        self, params: ua.MonitoredItemCreateRequest
    ) -> ua.MonitoredItemCreateResult:
        read = params.ItemToMonitor
        wanted = checked_filter(self.aspace, read, params.RequestedParameters.Filter)
        status, handle = self.aspace.add_datachange_callback(
            read.NodeId, read.AttributeId, self.datachange_callback
        )
        if not status.is_good():
            return ua.MonitoredItemCreateResult(StatusCode=status)
        result, item = self._make_monitored_item_common(params)
        item.wanted = wanted
        item.callback_handle = handle
        self._commit_monitored_item(result, item)
        self._monitored_datachange[handle] = result.MonitoredItemId
        self._sample_now(result.MonitoredItemId, item)
        return result

    def _commit_monitored_item(
        self, result: ua.MonitoredItemCreateResult, mdata: MonitoredItemData
    ) -> None:
        super()._commit_monitored_item(result, mdata)
        self.places += mdata.queue_size

    def _sample_now(self, mid: int, item: Item) -> None:
        """Takes the value that stands, as the first of an item that is watched from now on."""
        if item.mode == _DISABLED or item.read_value_id is None or item.callback_handle is None:
            return
        read = item.read_value_id
        self._took(mid, item, self.aspace.read_attribute_value(read.NodeId, read.AttributeId))

    async def datachange_callback(
        self, handle: int, value: ua.DataValue, error: ua.StatusCode | None = None
    ) -> None:
        """A watched attribute was written; with an error, it is no more."""
        mid = self._monitored_datachange.get(handle)
        item = None if mid is None else self._monitored_items.get(mid)
        if mid is None or item is None or item.mode == _DISABLED:
            return
        told = value if error is None else ua.DataValue(StatusCode=error)
        for sampled in item.sampler.changed(told, self._mono_s()):
            self._took(mid, item, sampled)
        if item.sampler.is_waiting:
            self._to_look_at.add(mid)

    def look(self, now_s: float | None) -> None:
        """Takes what a sampling instant has seen since the last look; None: all that waits."""
        for mid in list(self._to_look_at):
            item = self._monitored_items.get(mid)
            if item is not None:
                due = item.sampler.at_once() if now_s is None else item.sampler.due(now_s)
                for sampled in due:
                    self._took(mid, item, sampled)
            if item is None or not item.sampler.is_waiting:
                self._to_look_at.discard(mid)

    def _took(self, mid: int, item: Item, value: ua.DataValue) -> None:
        if item.take_sample(value) and item.mode == _REPORTING:
            self._to_send[mid] = None

    def take(self, count: int) -> list[ua.MonitoredItemNotification]:
        """Up to `count` changed values, item by item."""
        changes: list[ua.MonitoredItemNotification] = []
        while self._to_send and len(changes) < count:
            mid = next(iter(self._to_send))
            item = self._monitored_items[mid]
            changes += map(item.notification, item.queue.take(count - len(changes)))
            if not len(item.queue):
                del self._to_send[mid]
        return changes

    def modify_monitored_items(
        self, params: ua.ModifyMonitoredItemsParameters
    ) -> list[ua.MonitoredItemModifyResult]:
        self._timestamps = _checked(params.TimestampsToReturn)
        return [self._modify_monitored_item(item) for item in params.ItemsToModify]

    def _modify_monitored_item(
        self, params: ua.MonitoredItemModifyRequest
    ) -> ua.MonitoredItemModifyResult:
        item = self._monitored_items.get(params.MonitoredItemId)
        asked, result = params.RequestedParameters, ua.MonitoredItemModifyResult()
        if item is None or item.read_value_id is None:
            result.StatusCode = _status(StatusCodes.BadMonitoredItemIdInvalid)
            return result
        if item.callback_handle is None:  # of events: see opcua_event_items
            return super()._modify_monitored_item(params)
        try:
            item.wanted = checked_filter(self.aspace, item.read_value_id, asked.Filter)
        except ServiceError as refusal:
            result.StatusCode = _status(refusal.code)
            return result
        item.filter = asked.Filter
        item.client_handle = asked.ClientHandle
        item.timestamps = self._timestamps
        self.places -= item.queue_size
        item.queue_size = self._queue_size(asked.QueueSize, False)
        self.places += item.queue_size
        item.queue.resize(item.queue_size, bool(asked.DiscardOldest))
        result.RevisedQueueSize = item.queue_size
        result.RevisedSamplingInterval = self._sampling(asked)
        seconds = result.RevisedSamplingInterval / 1000.0
        for sampled in item.sampler.paced(seconds, self._mono_s()):
            self._took(params.MonitoredItemId, item, sampled)
        if item.sampler.is_waiting:
            self._to_look_at.add(params.MonitoredItemId)
        return result

    async def _set_monitoring_mode(self, mode: ua.MonitoringMode, mid: int) -> ua.StatusCode:
        item = self._monitored_items.get(mid)
        if item is None:
            return _status(StatusCodes.BadMonitoredItemIdInvalid)
        was, item.mode = item.mode, mode
        if mode == _DISABLED:
            item.queue.clear()
            item.sampler.at_once()
            item.before = None
        elif was == _DISABLED:
            self._sample_now(mid, item)
        if mode == _REPORTING and len(item.queue):
            self._to_send[mid] = None
        elif mode != _REPORTING:
            self._to_send.pop(mid, None)
        return ua.StatusCode()

    def _delete_monitored_items(self, mid: int) -> ua.StatusCode:
        self._to_send.pop(mid, None)
        self._to_look_at.discard(mid)
        item = self._monitored_items.get(mid)
        if item is not None:
            self.places -= item.queue_size
        if item is not None and item.callback_handle is not None:
            # Not by the library's search through all items, which takes their number squared.
            self._monitored_datachange.pop(item.callback_handle, None)
            self.aspace.delete_datachange_callback(item.callback_handle)
            del self._monitored_items[mid]
            return ua.StatusCode()
        return super()._delete_monitored_items(mid)


def _checked(timestamps: ua.TimestampsToReturn) -> ua.TimestampsToReturn:
    if timestamps == ua.TimestampsToReturn.Invalid:
        raise ServiceError(StatusCodes.BadTimestampsToReturnInvalid)
    return timestamps


def _status(code: int) -> ua.StatusCode:
    return ua.StatusCode(ua.UInt32(code))
