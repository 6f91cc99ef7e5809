"""A subscription to an analyzer's live values: the latest value of each role, and nothing more.

Bounded by design: one place per role, a queue of one on the server, the newest wins.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from asyncua import ua
from asyncua.ua.attribute_ids import AttributeIds

from edgeflash.links.cancelling import uncancelled
from edgeflash.links.opcua_client import OpcUaClient, node_value
from edgeflash.links.opcua_errors import status_name, told_as_link_errors
from edgeflash.links.opcua_values import NodeValue
from edgeflash.links.silence import SilenceWatch
from edgeflash.model import Role

KEEP_ALIVE_S = 2.0
"""How often the server must say that it has nothing to say."""
LIFETIMES = 10
"""Keep-alives without our asking after which the server may drop the subscription (at least 3:
OPC UA Part 4, 5.14.2)."""
MOST_NOTIFICATIONS = 1000
NOTICE_INTERVALS = 3
"""Intervals after which a change that was seen by reading must have been notified."""


class NodeSubscription:
    """One subscription in one session. open() first; what open() leaves out must be read.

    on_wake: called when a role of `waking` came with a new value. clock: monotonic seconds.
    """

    def __init__(
        self,
        client: OpcUaClient,
        interval_s: float,
        timeout_s: float,
        mono_s: Callable[[], float],
        waking: frozenset[Role] = frozenset(),
        on_wake: Callable[[], None] = lambda: None,
    ) -> None:
        self._client, self._interval_s, self._timeout_s = client, interval_s, timeout_s
        self._mono_s, self._waking, self._on_wake = mono_s, waking, on_wake
        self._id: int | None = None
        self._asked: frozenset[Role] = frozenset()
        self._roles: dict[int, Role] = {}
        self._latest: dict[Role, NodeValue] = {}
        self._ended = ""
        self._watch = SilenceWatch(math.inf, math.inf, mono_s())

    @property
    def latest(self) -> Mapping[Role, NodeValue]:
        """The newest value of each role that has come."""
        return self._latest

    @property
    def refused(self) -> frozenset[Role]:
        """Roles asked for that the server does not watch."""
        return self._asked - frozenset(self._roles.values())

    async def open(self, nodes: Mapping[Role, ua.NodeId], with_time: frozenset[Role]) -> None:
        """Subscribe to these nodes. with_time: where a new source time alone is a change.

        Raises LinkError. A node the server refuses is left out.
        """
        self._asked = frozenset(nodes)
        peer = self._client.peer
        with told_as_link_errors(peer, "creating a subscription"):
            made = await uncancelled(
                self._client.session.create_subscription(self._wanted(), self._take)
            )
        self._id = int(made.SubscriptionId)
        interval_s = made.RevisedPublishingInterval / 1000
        limit_s = interval_s * (made.RevisedMaxKeepAliveCount + 1) + self._timeout_s
        notice_s = NOTICE_INTERVALS * interval_s + self._timeout_s
        self._watch = SilenceWatch(limit_s, notice_s, self._mono_s())
        listed = list(nodes.items())
        # Known before the answer: the first values may come with it.
        self._roles = {handle: role for handle, (role, _) in enumerate(listed)}
        for first in range(0, len(listed), self._client.items_per_call):
            await self._add(first, listed[first : first + self._client.items_per_call], with_time)

    async def _add(
        self,
        first: int,
        nodes: Sequence[tuple[Role, ua.NodeId]],
        with_time: frozenset[Role],
    ) -> None:
        asked: Any = ua.CreateMonitoredItemsParameters()
        asked.SubscriptionId = self._id
        asked.TimestampsToReturn = ua.TimestampsToReturn.Source
        for handle, (role, node) in enumerate(nodes, first):
            asked.ItemsToCreate.append(self._item(handle, node, role in with_time))
        with told_as_link_errors(self._client.peer, f"subscribing to {len(nodes)} nodes"):
            results = await uncancelled(self._client.session.create_monitored_items(asked))
            for handle, result in enumerate(results, first):
                if not result.StatusCode.is_good():
                    self._latest.pop(self._roles.pop(handle), None)
                    continue
                sampled_s = float(result.RevisedSamplingInterval) / 1000
                notice_s = NOTICE_INTERVALS * sampled_s + self._timeout_s
                self._watch.notice_s = max(self._watch.notice_s, notice_s)

    def _wanted(self) -> ua.CreateSubscriptionParameters:
        keep_alives = max(1, math.ceil(KEEP_ALIVE_S / self._interval_s))
        wanted: Any = ua.CreateSubscriptionParameters()
        wanted.RequestedPublishingInterval = 1000 * self._interval_s
        wanted.RequestedMaxKeepAliveCount = keep_alives
        wanted.RequestedLifetimeCount = LIFETIMES * keep_alives
        wanted.MaxNotificationsPerPublish = MOST_NOTIFICATIONS
        wanted.PublishingEnabled = True
        return wanted  # type: ignore[no-any-return]

    def _item(self, handle: int, node: ua.NodeId, with_time: bool) -> ua.MonitoredItemCreateRequest:
        item: Any = ua.MonitoredItemCreateRequest()
        item.ItemToMonitor.NodeId = node
        item.ItemToMonitor.AttributeId = AttributeIds.Value
        item.MonitoringMode = ua.MonitoringMode.Reporting
        item.RequestedParameters.ClientHandle = handle
        item.RequestedParameters.SamplingInterval = 1000 * self._interval_s
        item.RequestedParameters.QueueSize = 1
        item.RequestedParameters.DiscardOldest = True
        change: Any = ua.DataChangeFilter()
        trigger = ua.DataChangeTrigger
        change.Trigger = trigger.StatusValueTimestamp if with_time else trigger.StatusValue
        item.RequestedParameters.Filter = change
        return item  # type: ignore[no-any-return]

    def _take(self, published: ua.PublishResult) -> None:
        """One answer of the server to our waiting; empty for a keep-alive."""
        self._watch.note_heard(self._mono_s())
        for part in published.NotificationMessage.NotificationData or ():
            if isinstance(part, ua.DataChangeNotification):
                self._take_values(part)
            elif isinstance(part, ua.StatusChangeNotification):
                self._ended = f"the server ended it ({status_name(int(part.Status.value))})"

    def _take_values(self, changes: ua.DataChangeNotification) -> None:
        woken = False
        for change in changes.MonitoredItems:
            role = self._roles.get(change.ClientHandle)
            if role is None:
                continue
            value = node_value(change.Value)
            before = self._latest.get(role)
            woken |= role in self._waking and before is not None and before.value != value.value
            self._latest[role] = value
            self._watch.note_notified(role)
        if woken:
            self._on_wake()

    def compare(self, role: Role, read: NodeValue) -> None:
        """Takes note of a value that was read beside the subscription."""
        notified = self._latest.get(role)
        if notified is not None:
            self._watch.note_read(role, read, notified, self._mono_s())

    @property
    def why_lost(self) -> str:
        """Why it counts as lost; empty while it does not."""
        return self._ended or self._watch.why_lost(self._mono_s())

    async def close(self) -> None:
        """Tell the server to drop it, if it still knows it. Raises LinkError."""
        identifier, self._id = self._id, None
        if identifier is None:
            return
        session = self._client.session
        with told_as_link_errors(self._client.peer, "deleting a subscription"):
            await uncancelled(session.delete_subscriptions([identifier]))
        # The library keeps the place of one that the server no longer knew.
        session._subscription_callbacks.pop(identifier, None)
