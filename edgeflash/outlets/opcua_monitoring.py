"""The subscription service: whose the subscriptions are, and how much of them one client may have.

A subscription belongs to a session; to any other it does not exist. What it takes up counts for
the client's address, whatever session it is of: see opcua_limits.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial
from typing import Any

from asyncua import ua
from asyncua.common.utils import ServiceError
from asyncua.server.address_space import AddressSpace
from asyncua.server.internal_session import InternalSession
from asyncua.server.subscription_service import SubscriptionService
from asyncua.ua.status_codes import StatusCodes

from edgeflash.outlets.opcua_limits import Limits
from edgeflash.outlets.opcua_monitored_items import MonitoredItems, Room
from edgeflash.outlets.opcua_subscriber import ItemsMaker, Subscriber
from edgeflash.outlets.publishing import revised_counts, revised_interval

LEAST_PUBLISHING_MS = 50.0
MOST_PUBLISHING_MS = 3_600_000.0


class Monitoring(SubscriptionService):
    """Makes and keeps subscriptions. share: what one client address may have."""

    subscriptions: dict[int, Subscriber]  # type: ignore[assignment]
    make_items: ItemsMaker = MonitoredItems

    def __init__(self, aspace: AddressSpace, iserver: Any, share: Limits) -> None:
        super().__init__(aspace, iserver=iserver)
        self.share = share

    def of_client(self, session_id: ua.NodeId) -> list[Subscriber]:
        """The subscriptions of every session from this session's client address."""
        assert self.iserver is not None
        sessions: Any = self.iserver._external_sessions.values()
        client = next((s.client for s in sessions if s.session_id == session_id), None)
        ids = {session_id, *(s.session_id for s in sessions if s.client == client)}
        return [s for s in self.subscriptions.values() if s.session_id in ids]

    def find(self, session_id: ua.NodeId, subscription_id: int) -> Subscriber | None:
        """A living subscription of this session."""
        found = self.subscriptions.get(subscription_id)
        if found is None or found.expired or found.session_id != session_id:
            return None
        return found

    def demand(self, session_id: ua.NodeId, subscription_id: int) -> Subscriber:
        """As find. Raises ServiceError when this session has no such living subscription."""
        found = self.find(session_id, subscription_id)
        if found is None:
            raise ServiceError(StatusCodes.BadSubscriptionIdInvalid)
        return found

    def room(self, session_id: ua.NodeId) -> Room:
        """What the monitored items of this session's client may still take up."""
        items = [s.monitored_item_srv for s in self.of_client(session_id)]
        return Room(
            self.share.places - sum(one.places for one in items),
            self.share.event_items - sum(one.event_items for one in items),
        )

    async def create_subscription(
        self,
        params: ua.CreateSubscriptionParameters,
        callback: Callable[..., Any],
        session_id: ua.NodeId,
        request_callback: Callable[..., Any] | None = None,
    ) -> ua.CreateSubscriptionResult:
        assert self.iserver is not None
        self._bury(session_id)
        if len(self.subscriptions) >= self.iserver.max_subscriptions:
            raise ServiceError(StatusCodes.BadTooManySubscriptions)
        result = ua.CreateSubscriptionResult()
        result.RevisedPublishingInterval = _publishing(params.RequestedPublishingInterval)
        result.RevisedMaxKeepAliveCount, result.RevisedLifetimeCount = self._counts(params)
        self._sub_id_counter += 1
        result.SubscriptionId = self._sub_id_counter
        made = Subscriber(
            result,
            self.aspace,
            callback,
            session_id,
            room=lambda: self.room(made.session_id),
            items=self.make_items,
            max_notifications=params.MaxNotificationsPerPublish,
            request_callback=request_callback,
            delete_callback=partial(self.subscriptions.pop, result.SubscriptionId, None),
            no_acks_limit=self.iserver.max_unacked_messages_per_subscription,
            max_queue_size=self.iserver.max_monitored_item_queue_size,
            publishing_enabled=params.PublishingEnabled,
        )
        await made.start()
        self.subscriptions[result.SubscriptionId] = made
        return result

    def _bury(self, session_id: ua.NodeId) -> None:
        """Forgets the session's expired subscriptions whose end it never came to hear."""
        for key, one in list(self.subscriptions.items()):
            if one.expired and one.session_id == session_id:
                del self.subscriptions[key]

    def _counts(
        self, params: ua.CreateSubscriptionParameters | ua.ModifySubscriptionParameters
    ) -> tuple[int, int]:
        assert self.iserver is not None
        return revised_counts(
            params.RequestedMaxKeepAliveCount,
            params.RequestedLifetimeCount,
            self.iserver.max_keep_alive_count,
            self.iserver.max_lifetime_count,
        )

    def revise(
        self, subscriber: Subscriber, params: ua.ModifySubscriptionParameters
    ) -> ua.ModifySubscriptionResult:
        """Gives a subscription other times."""
        keep_alive, lifetime = self._counts(params)
        subscriber.revise(_publishing(params.RequestedPublishingInterval), keep_alive, lifetime)
        subscriber.limit_notifications(params.MaxNotificationsPerPublish)
        result = ua.ModifySubscriptionResult()
        result.RevisedPublishingInterval = subscriber.data.RevisedPublishingInterval
        result.RevisedMaxKeepAliveCount = keep_alive
        result.RevisedLifetimeCount = lifetime
        return result


class MonitoringSession(InternalSession):
    """A client's session, whose requests reach its own subscriptions only."""

    subscription_service: Monitoring

    def _found(self, subscription_id: int) -> Subscriber:
        found = self.subscription_service.demand(self.session_id, subscription_id)
        found.heard()
        return found

    async def create_monitored_items(
        self, params: ua.CreateMonitoredItemsParameters
    ) -> list[ua.MonitoredItemCreateResult]:
        self._found(params.SubscriptionId)
        return await super().create_monitored_items(params)

    async def modify_monitored_items(
        self, params: ua.ModifyMonitoredItemsParameters
    ) -> list[ua.MonitoredItemModifyResult]:
        self._found(params.SubscriptionId)
        return await super().modify_monitored_items(params)

    async def delete_monitored_items(
        self, params: ua.DeleteMonitoredItemsParameters
    ) -> list[ua.StatusCode]:
        self._found(params.SubscriptionId)
        return await super().delete_monitored_items(params)

    async def set_monitoring_mode(
        self, params: ua.SetMonitoringModeParameters
    ) -> list[ua.StatusCode]:
        self._found(params.SubscriptionId)
        return await super().set_monitoring_mode(params)

    def modify_subscription(
        self, params: ua.ModifySubscriptionParameters
    ) -> ua.ModifySubscriptionResult:
        return self.subscription_service.revise(self._found(params.SubscriptionId), params)

    async def set_publishing_mode(
        self, params: ua.SetPublishingModeParameters
    ) -> list[ua.StatusCode]:
        results = []
        for one in params.SubscriptionIds:
            found = self.subscription_service.find(self.session_id, one)
            if found is None:
                results.append(_status(StatusCodes.BadSubscriptionIdInvalid))
                continue
            found.heard()
            await found.set_publishing_mode(params.PublishingEnabled)
            results.append(ua.StatusCode())
        return results

    async def delete_subscriptions(self, ids: list[int]) -> list[ua.StatusCode]:
        results = []
        for one in ids:
            if self._owns(one):
                results += await super().delete_subscriptions([one])
            else:
                results.append(_status(StatusCodes.BadSubscriptionIdInvalid))
        return results

    def _owns(self, subscription_id: int) -> bool:
        found = self.subscription_service.subscriptions.get(subscription_id)
        return found is not None and found.session_id == self.session_id

    def publish(
        self, acks: Iterable[ua.SubscriptionAcknowledgement] | None = None
    ) -> tuple[int, list[ua.StatusCode]]:
        service = self.subscription_service
        count = sum(s.session_id == self.session_id for s in service.subscriptions.values())
        if not count:
            raise ServiceError(StatusCodes.BadNoSubscription)
        results = []
        for ack in acks or ():
            found = service.find(self.session_id, ack.SubscriptionId)
            results.append(
                _status(StatusCodes.BadSubscriptionIdInvalid)
                if found is None
                else found.acknowledge(ack.SequenceNumber)
            )
        return count, results

    def republish(self, params: ua.RepublishParameters) -> ua.NotificationMessage:
        return self._found(params.SubscriptionId).republish(params.RetransmitSequenceNumber)


def _publishing(asked_ms: float) -> float:
    return revised_interval(asked_ms, LEAST_PUBLISHING_MS, MOST_PUBLISHING_MS)


def _status(code: int) -> ua.StatusCode:
    return ua.StatusCode(ua.UInt32(code))
