"""One client's subscription: its publishing cycles and what it sends.

In place of the library's, which sends all at once whatever was agreed, forgets a message that is
asked for again, and ends without a word to the client.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from typing import Any

import structlog
from asyncua import ua
from asyncua.common.utils import ServiceError
from asyncua.server.address_space import AddressSpace
from asyncua.server.internal_subscription import InternalSubscription
from asyncua.ua.status_codes import StatusCodes

from edgeflash.outlets.opcua_monitored_items import MonitoredItems, Room
from edgeflash.outlets.publishing import Cadence, Step
from edgeflash.outlets.refusals import Refusals
from edgeflash.service import SYSTEM_CLOCK

MAX_NOTIFICATIONS = 5000
"""In one publish answer, whatever the client allows; the rest follows in the next."""
MAX_KEPT_NOTIFICATIONS = 20_000
"""In messages that are kept to be sent again, for each subscription."""

ItemsMaker = Callable[
    ["Subscriber", AddressSpace, Callable[[], Room], Callable[[], float]], MonitoredItems
]

_log = structlog.get_logger(__name__)


class Subscriber(InternalSubscription):
    """A subscription. room: what its monitored items may still take up; items: makes them."""

    monitored_item_srv: MonitoredItems

    def __init__(
        self,
        data: ua.CreateSubscriptionResult,
        aspace: AddressSpace,
        callback: Callable[..., Any],
        session_id: ua.NodeId,
        *,
        room: Callable[[], Room],
        max_notifications: int,
        items: ItemsMaker = MonitoredItems,
        mono_s: Callable[[], float] = SYSTEM_CLOCK.mono_s,
        **more: Any,
    ) -> None:
        super().__init__(data, aspace, callback, session_id, **more)
        self.monitored_item_srv = items(self, aspace, room, mono_s)
        self.limit_notifications(max_notifications)
        self._mono_s = mono_s
        self._cadence = Cadence(data.RevisedMaxKeepAliveCount, data.RevisedLifetimeCount)
        self._failures = Refusals()
        self.expired = False
        """True once nobody took its answers for its lifetime; only that is still to be told."""

    def limit_notifications(self, asked: int) -> None:
        """Takes the client's MaxNotificationsPerPublish; 0 is none of its own."""
        self._most = min(asked, MAX_NOTIFICATIONS) or MAX_NOTIFICATIONS

    def revise(self, publishing_ms: float, keep_alive_count: int, lifetime_count: int) -> None:
        """Other times from now on."""
        changed = publishing_ms != self.data.RevisedPublishingInterval
        self.data.RevisedPublishingInterval = publishing_ms
        self.data.RevisedMaxKeepAliveCount = keep_alive_count
        self.data.RevisedLifetimeCount = lifetime_count
        self._cadence.revise(keep_alive_count, lifetime_count)
        if changed and self._task is not None:
            self._task.cancel()
            self._task = asyncio.create_task(self._subscription_loop())

    def heard(self) -> None:
        """The client used the subscription."""
        self._cadence.heard()

    async def _subscription_loop(self) -> None:
        loop = asyncio.get_running_loop()
        next_s = loop.time()
        while not self.expired:
            # A cycle that was missed is not made up for.
            next_s = max(next_s + self.data.RevisedPublishingInterval / 1000.0, loop.time())
            await asyncio.sleep(next_s - loop.time())
            try:
                await self._cycle()
            except Exception:
                # Once, and then once an hour: it may come back twenty times a second.
                if (times := self._failures.note("")) is not None:
                    number = self.data.SubscriptionId
                    _log.exception("opcua_publishing_failed", subscription=number, times=times)

    async def _cycle(self) -> None:
        self.monitored_item_srv.look(self._mono_s())
        match self._cadence.cycle(self._has_news()):
            case Step.SEND:
                await self._publish(None)
            case Step.EXPIRE:
                self._expire()
                await self._publish(None)

    def _has_news(self) -> bool:
        waiting = self.monitored_item_srv.has_changes or any(self._triggered_events.values())
        return (self._publishing_enabled and waiting) or bool(self._triggered_statuschanges)

    def _expire(self) -> None:
        _log.info("opcua_subscription_expired", subscription=self.data.SubscriptionId)
        self.expired = True
        self.monitored_item_srv.delete_all_monitored_items()
        self._not_acknowledged_results.clear()
        self._triggered_statuschanges = [_status(StatusCodes.BadTimeout)]

    async def publish_results(self, requestdata: Any = None) -> bool:
        """Answers a publish request; without one, sends all there is, as at the server's end."""
        if requestdata is None:
            self.monitored_item_srv.look(None)
            if not self._has_news():
                return False
        return await self._publish(requestdata)

    async def _publish(self, requestdata: Any) -> bool:
        """Sends until nothing waits or no request does; True when a request was used.

        Where none waits, the connection is told by asking, and calls back with the next one.
        """
        used = False
        while True:
            if requestdata is None and self.pub_request_callback is not None:
                requestdata = self.pub_request_callback(self.data.SubscriptionId)
                if requestdata is None:
                    return used
            result = self._pop_publish_result()
            self._cadence.sent()
            used = True
            if self.pub_request_callback is None:
                await self.pub_result_callback(result)
            else:
                await self.pub_result_callback(result, requestdata)
            if self.expired and self.delete_callback is not None:
                self.delete_callback()
            if not result.MoreNotifications:
                return used
            requestdata = None

    def _pop_publish_result(self) -> ua.PublishResult:
        """The next message, of at most the allowed number of notifications, or a keep-alive."""
        result = ua.PublishResult()
        result.SubscriptionId = self.data.SubscriptionId
        message = result.NotificationMessage
        count = 0
        if self._triggered_statuschanges:
            change = ua.StatusChangeNotification()
            change.Status = self._triggered_statuschanges.pop(0)
            message.NotificationData.append(change)
        if self._publishing_enabled:
            changes = self.monitored_item_srv.take(self._most)
            events = self._take_events(self._most - len(changes))
            count = len(changes) + len(events)
            if changes:
                message.NotificationData.append(ua.DataChangeNotification(MonitoredItems=changes))
            if events:
                message.NotificationData.append(ua.EventNotificationList(Events=events))
        result.MoreNotifications = self._has_news()
        message.SequenceNumber = self._notification_seq
        if message.NotificationData and self.pub_request_callback is not None:
            # A keep-alive tells the number to come, and does not take it (7.21).
            self._notification_seq = self._notification_seq % 0xFFFFFFFF + 1
            if not self.expired:
                self._keep(result, count)
        result.AvailableSequenceNumbers = list(self._not_acknowledged_results)
        return result

    def _take_events(self, count: int) -> list[ua.EventFieldList]:
        """Up to `count` events, item by item."""
        events: list[ua.EventFieldList] = []
        for mid, queue in list(self._triggered_events.items()):
            left = count - len(events)
            events += queue[:left]
            if len(queue) <= left:
                del self._triggered_events[mid]
            else:
                # In place: whoever queues may hold it.
                del queue[:left]
        return events

    def _keep(self, result: ua.PublishResult, count: int) -> None:
        """Keeps a message until it is acknowledged, and the oldest ones go beyond the limits."""
        kept = self._not_acknowledged_results
        kept[result.NotificationMessage.SequenceNumber] = result
        total = sum(map(_notifications, kept.values()))
        while len(kept) > self._no_acks_limit or (total > MAX_KEPT_NOTIFICATIONS and len(kept) > 1):
            total -= _notifications(kept.pop(next(iter(kept))))

    def acknowledge(self, number: int) -> ua.StatusCode:
        """Takes the acknowledgement of one message."""
        self.heard()
        if self._not_acknowledged_results.pop(number, None) is None:
            return _status(StatusCodes.BadSequenceNumberUnknown)
        return ua.StatusCode()

    def publish(self, acks: Iterable[int]) -> None:
        for number in acks:
            self.acknowledge(number)

    def republish(self, nb: int) -> ua.NotificationMessage:
        """A message again. Raises ServiceError when it is not kept."""
        kept = self._not_acknowledged_results.get(nb)
        if kept is None:
            raise ServiceError(StatusCodes.BadMessageNotAvailable)
        message: ua.NotificationMessage = kept.NotificationMessage
        return message


def _notifications(result: ua.PublishResult) -> int:
    return sum(
        len(getattr(part, "MonitoredItems", None) or getattr(part, "Events", None) or ())
        for part in result.NotificationMessage.NotificationData
    )


def _status(code: int) -> ua.StatusCode:
    return ua.StatusCode(ua.UInt32(code))
