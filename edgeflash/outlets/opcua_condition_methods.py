"""The methods of the conditions: acknowledge, comment, refresh; enabling is refused.

Source: OPC 10000-9 (from memory): 5.5.4 Enable, 5.5.5 Disable, 5.5.6 AddComment, 5.5.7
ConditionRefresh, 5.5.8 ConditionRefresh2, 5.7.3 Acknowledge.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from typing import Any
from uuid import uuid4

import structlog
from asyncua import ua
from asyncua.server.server import Server
from asyncua.ua.object_ids import ObjectIds
from asyncua.ua.status_codes import StatusCodes

from edgeflash.access import Operation, demand
from edgeflash.operations import Operations
from edgeflash.outlets.opcua_calls import (
    Argument,
    Caller,
    CallRefusedError,
    Calls,
    Method,
    one_line,
)
from edgeflash.outlets.opcua_conditions import Conditions, Shown
from edgeflash.outlets.opcua_event import Event, base_fields
from edgeflash.outlets.opcua_event_items import EventItems
from edgeflash.outlets.opcua_nodes import standard_node

REFRESH_SEVERITY = 100

_EVENT_ID = Argument("EventId", ua.VariantType.ByteString, "Names an event of the condition.")
_COMMENT = Argument("Comment", ua.VariantType.LocalizedText, "One line of text.", one_line)
_SUBSCRIPTION = Argument("SubscriptionId", ua.VariantType.UInt32, "A subscription of the session.")
_ITEM = Argument("MonitoredItemId", ua.VariantType.UInt32, "An event item of the subscription.")

log = structlog.get_logger("edgeflash.opcua.alarms")


class ConditionMethods:
    """What clients may do with the conditions of one server. send: hands an event to everybody."""

    def __init__(
        self,
        server: Server,
        conditions: Conditions,
        operations: Operations | None,
        send: Callable[[Event], None],
    ) -> None:
        self._server = server
        self._conditions = conditions
        self._operations = operations
        self._send = send

    def register(self, calls: Calls) -> None:
        """Lets the methods be called: on each condition its own, on ConditionType the refresh."""
        for shown in self._conditions.all():
            for method_id, method in self._own(shown):
                calls.add(shown.node, standard_node(method_id), method)
        condition_type = standard_node(ObjectIds.ConditionType)
        refresh = Method("ConditionRefresh", (_SUBSCRIPTION,), self._refresh)
        calls.add(condition_type, standard_node(ObjectIds.ConditionType_ConditionRefresh), refresh)
        again = Method("ConditionRefresh2", (_SUBSCRIPTION, _ITEM), self._refresh)
        calls.add(condition_type, standard_node(ObjectIds.ConditionType_ConditionRefresh2), again)

    def _own(self, shown: Shown) -> tuple[tuple[int, Method], ...]:
        needs, words = Operation.ACKNOWLEDGE, (_EVENT_ID, _COMMENT)
        return (
            (
                ObjectIds.AcknowledgeableConditionType_Acknowledge,
                Method("Acknowledge", words, partial(self._acknowledge, shown), needs),
            ),
            (
                ObjectIds.ConditionType_AddComment,
                Method("AddComment", words, partial(self._comment, shown), needs),
            ),
            (ObjectIds.ConditionType_Enable, Method("Enable", (), self._enable)),
            (ObjectIds.ConditionType_Disable, Method("Disable", (), self._disable)),
        )

    async def _acknowledge(
        self, shown: Shown, values: list[Any], caller: Caller
    ) -> list[ua.Variant]:
        event_id, comment = values
        self._demand_event(shown, event_id)
        if self._operations is None:
            raise CallRefusedError(
                StatusCodes.BadNotSupported, "this server passes nothing on to the gateway"
            )
        if shown.condition.is_acked:
            demand(caller.who, Operation.ACKNOWLEDGE)
            raise CallRefusedError(
                StatusCodes.BadConditionBranchAlreadyAcked,
                f"{shown.identifier}: there is nothing to acknowledge",
            )
        await self._operations.acknowledge(
            shown.analyzer, shown.alarm.name, caller.who, _words(comment)
        )
        return []

    async def _comment(self, shown: Shown, values: list[Any], caller: Caller) -> list[ua.Variant]:
        event_id, comment = values
        self._demand_event(shown, event_id)
        demand(caller.who, Operation.ACKNOWLEDGE)
        words = _words(comment)
        if self._operations is not None:
            await self._operations.comment(shown.analyzer, shown.alarm.name, caller.who, words)
        log.info(
            "comment on an alarm",
            analyzer=shown.analyzer,
            alarm=shown.alarm.name,
            by=caller.who.name,
            via=caller.who.via,
            comment=words,
        )
        self._send(await self._conditions.comment(shown, caller.who.name, words))
        return []

    def _demand_event(self, shown: Shown, event_id: bytes | None) -> None:
        if event_id not in shown.event_ids:
            raise CallRefusedError(
                StatusCodes.BadEventIdUnknown,
                f"{shown.identifier}: no event of this occurrence has that EventId",
            )

    async def _enable(self, values: list[Any], caller: Caller) -> list[ua.Variant]:
        raise CallRefusedError(
            StatusCodes.BadConditionAlreadyEnabled, "every alarm in force is enabled"
        )

    async def _disable(self, values: list[Any], caller: Caller) -> list[ua.Variant]:
        raise CallRefusedError(
            StatusCodes.BadNotSupported,
            "an alarm is turned off in the site file, with the reason in words",
        )

    async def _refresh(self, values: list[Any], caller: Caller) -> list[ua.Variant]:
        """Sends every retained condition to one subscription, or to one item of it."""
        number, *items = values
        subscriptions = self._server.iserver.subscription_service.subscriptions
        subscription = subscriptions.get(number)
        if subscription is None or subscription.session_id != caller.session:
            raise CallRefusedError(
                StatusCodes.BadSubscriptionIdInvalid, f"no subscription {number} in this session"
            )
        service = subscription.monitored_item_srv
        item = items[0] if items else None
        if not isinstance(service, EventItems) or (
            item is not None and not service.is_event_item(item)
        ):
            raise CallRefusedError(
                StatusCodes.BadMonitoredItemIdInvalid, f"no event item {item} in the subscription"
            )
        service.offer(_about_refresh(ObjectIds.RefreshStartEventType, "start"), item, False)
        for shown in self._conditions.all():
            if shown.condition.is_retained:
                service.offer(shown.event, item)
                # Many alarms and many items: the other clients have their turn in between.
                await asyncio.sleep(0)
        service.offer(_about_refresh(ObjectIds.RefreshEndEventType, "end"), item, False)
        return []


def _about_refresh(type_number: int, what: str) -> Event:
    """The event at the start or the end of a refresh, which every item of the subscription gets,
    whatever node it watches and whatever it filters."""
    now = datetime.now(UTC)
    type_id = standard_node(type_number)
    fields = base_fields(
        event_id=uuid4().bytes,
        type_id=type_id,
        source=standard_node(ObjectIds.Server),
        source_name="Server",
        at=now,
        received_at=now,
        message=f"{what} of the refresh",
        severity=REFRESH_SEVERITY,
    )
    return Event(type_id, fields, notifiers=None)


def _words(comment: ua.LocalizedText | None) -> str:
    return "" if comment is None else comment.Text or ""
