"""Monitored items for events: the base library's, with filters that are checked and queues that
tell what they lost.

asyncua 2.1 takes any filter, evaluates it with Python's comparisons (a null makes an error, OfType
knows no subtypes), and drops events from a full queue without a word. The queue here: OPC 10000-4,
7.22.3 and OPC 10000-5, 6.4.32 (EventQueueOverflowEventType), from memory.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Any

from asyncua import ua
from asyncua.server.monitored_item_service import MonitoredItemData, MonitoredItemService
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.object_ids import ObjectIds
from asyncua.ua.status_codes import StatusCodes

from edgeflash.outlets.opcua_event import Event
from edgeflash.outlets.opcua_event_filter import Checked, EventTypes, check, passes, selected

MAX_QUEUED_EVENTS = 1000
"""Events that wait for one client; more push out the oldest, and the client is told."""

_SUBSCRIBE = 1 << ua.EventNotifier.SubscribeToEvents.value
_log = logging.getLogger(__name__)


class EventItem:
    """What one event item wants, and what its queue has lost."""

    def __init__(self, data: MonitoredItemData, checked: Checked, discard_oldest: bool) -> None:
        self.data = data
        self.checked = checked
        self.discard_oldest = discard_oldest
        self.overflow: ua.EventFieldList | None = None
        """The notice of lost events in the queue, once there is one."""


class EventItems(MonitoredItemService):
    """The monitored items of one subscription; those for data are as the base class has them.

    It stands before any other class that replaces those, and takes what that one takes. Until
    `serve_events` every event item is refused.
    """

    def __init__(self, *arguments: Any, **more: Any) -> None:
        super().__init__(*arguments, **more)
        self._types: EventTypes | None = None
        self._overflow: Callable[[], Event] | None = None
        self._event_items: dict[int, EventItem] = {}

    def serve_events(
        self, types: EventTypes | None, overflow: Callable[[], Event] | None = None
    ) -> None:
        """Takes event items from now on. overflow: makes the event that tells of lost ones."""
        self._types = types
        self._overflow = overflow

    def is_event_item(self, item: int) -> bool:
        """True when the subscription has such an event item."""
        return item in self._event_items

    def offer(self, event: Event, item: int | None = None, is_filtered: bool = True) -> None:
        """Queues the event for every item that wants it, or for one item only.

        is_filtered: False for what every subscriber must get (start and end of a refresh).
        """
        for key, one in self._event_items.items():
            if item is not None and key != item:
                continue
            if not _hears(one, event):
                continue
            if one.data.mode != ua.MonitoringMode.Reporting or self._types is None:
                continue
            if not is_filtered or passes(one.checked, event, self._types):
                self._put(key, one, event)

    def _put(self, key: int, item: EventItem, event: Event) -> None:
        queue = self.isub._triggered_events.setdefault(key, [])
        # Messages take from the front, so the notice can have gone while events still wait.
        if item.overflow is not None and not any(one is item.overflow for one in queue):
            item.overflow = None
        lost = len(queue) - (item.overflow is not None) >= item.data.queue_size
        if lost and item.overflow is None:
            self._put_overflow(item, queue)
        if not lost:
            queue.append(self._fields(item, event))
        elif item.discard_oldest:
            # The notice stands first and is never pushed out itself.
            del queue[1 if item.overflow is not None else 0]
            queue.append(self._fields(item, event))

    def _put_overflow(self, item: EventItem, queue: list[ua.EventFieldList]) -> None:
        if self._overflow is None:
            return
        item.overflow = self._fields(item, self._overflow())
        queue.insert(0 if item.discard_oldest else len(queue), item.overflow)

    def _fields(self, item: EventItem, event: Event) -> ua.EventFieldList:
        assert self._types is not None
        fields = ua.EventFieldList()
        fields.ClientHandle = item.data.client_handle
        fields.EventFields = selected(item.checked, event, self._types)
        return fields

    def _create_events_monitored_item(
        self, params: ua.MonitoredItemCreateRequest
    ) -> ua.MonitoredItemCreateResult:
        asked = params.RequestedParameters
        asked.QueueSize = _queue_size(asked.QueueSize)
        result, data = self._make_monitored_item_common(params)
        result.RevisedSamplingInterval = 0.0
        code = self._node_status(params.ItemToMonitor.NodeId)
        checked = None if code else self._checked(asked.Filter)
        if isinstance(checked, Checked):
            result.FilterResult = checked.result
            code = checked.status
        elif checked is not None:
            code = checked
        result.StatusCode = ua.StatusCode(ua.UInt32(code))
        if code or not isinstance(checked, Checked):
            result.MonitoredItemId = ua.UInt32(0)
            return result
        self._commit_monitored_item(result, data)
        discard_oldest = bool(asked.DiscardOldest)
        self._event_items[result.MonitoredItemId] = EventItem(data, checked, discard_oldest)
        return result

    def _node_status(self, node: ua.NodeId) -> int:
        notifier = self.aspace.read_attribute_value(node, AttributeIds.EventNotifier)
        if node not in self.aspace:
            return StatusCodes.BadNodeIdUnknown
        if self._types is None or notifier.Value is None or notifier.Value.Value is None:
            return StatusCodes.BadAttributeIdInvalid
        return (
            StatusCodes.Good if notifier.Value.Value & _SUBSCRIBE else StatusCodes.BadNotSupported
        )

    def _checked(self, asked: Any) -> Checked | int:
        """The filter as taken, or why there is none."""
        if self._types is None or asked is None or isinstance(asked, ua.ExtensionObject):
            # No filter comes as an extension object without a type.
            return StatusCodes.BadEventFilterInvalid
        if not isinstance(asked, ua.EventFilter):
            return StatusCodes.BadFilterNotAllowed
        return check(asked, self._types)

    def _modify_monitored_item(
        self, params: ua.MonitoredItemModifyRequest
    ) -> ua.MonitoredItemModifyResult:
        item = self._event_items.get(params.MonitoredItemId)
        if item is None:
            return super()._modify_monitored_item(params)
        asked, result = params.RequestedParameters, ua.MonitoredItemModifyResult()
        checked = self._checked(asked.Filter)
        if not isinstance(checked, Checked):
            result.StatusCode = ua.StatusCode(ua.UInt32(checked))
            return result
        result.FilterResult = checked.result
        result.StatusCode = ua.StatusCode(ua.UInt32(checked.status))
        if checked.status:
            return result
        item.checked = checked
        item.discard_oldest = bool(asked.DiscardOldest)
        item.data.client_handle = asked.ClientHandle
        result.RevisedQueueSize = self._granted(_queue_size(asked.QueueSize), item)
        item.data.queue_size = result.RevisedQueueSize
        return result

    def _granted(self, asked: int, item: EventItem) -> int:
        """The queue size that a change gives."""
        return self._revise_queue_size(asked)

    async def _set_monitoring_mode(self, mode: ua.MonitoringMode, mid: int) -> ua.StatusCode:
        status = await super()._set_monitoring_mode(mode, mid)
        if mode == ua.MonitoringMode.Disabled and mid in self._event_items:
            self.isub._triggered_events.pop(mid, None)
        return status

    def _delete_monitored_items(self, mid: int) -> ua.StatusCode:
        if self._event_items.pop(mid, None) is not None:
            self.isub._triggered_events.pop(mid, None)
        return super()._delete_monitored_items(mid)


_SERVER = ua.NodeId(ua.Int32(ObjectIds.Server))


def _hears(item: EventItem, event: Event) -> bool:
    """Whether events of this origin reach the node that the item watches."""
    if event.notifiers is None or item.data.read_value_id is None:
        return True
    watched = item.data.read_value_id.NodeId
    return watched == _SERVER or watched in event.notifiers


def _queue_size(asked: int) -> int:
    """0 and 1 ask for the server's own size for events (OPC 10000-4, 7.21, from memory)."""
    return MAX_QUEUED_EVENTS if asked <= 1 else min(int(asked), MAX_QUEUED_EVENTS)
