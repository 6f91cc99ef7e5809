"""The two methods of the Server object that help a client after it has lost its way.

Source: OPC 10000-5, 9.1 GetMonitoredItems and 9.2 ResendData (from memory).
"""

from __future__ import annotations

from typing import Any

from asyncua import ua
from asyncua.server.internal_subscription import InternalSubscription
from asyncua.server.server import Server
from asyncua.ua.object_ids import ObjectIds
from asyncua.ua.status_codes import StatusCodes

from edgeflash.outlets.opcua_all_items import AllItems
from edgeflash.outlets.opcua_calls import Argument, Caller, CallRefusedError, Calls, Method
from edgeflash.outlets.opcua_nodes import standard_node

_SUBSCRIPTION = Argument("SubscriptionId", ua.VariantType.UInt32, "A subscription of the session.")


class ServerMethods:
    """GetMonitoredItems and ResendData of one server, for a session's own subscriptions."""

    def __init__(self, server: Server) -> None:
        self._server = server

    def register(self, calls: Calls) -> None:
        """Lets both be called on the Server object."""
        node = standard_node(ObjectIds.Server)
        arguments = (_SUBSCRIPTION,)
        for number, name, run in (
            (ObjectIds.Server_GetMonitoredItems, "GetMonitoredItems", self._items),
            (ObjectIds.Server_ResendData, "ResendData", self._resend),
        ):
            calls.add(node, standard_node(number), Method(name, arguments, run))

    def _subscription(self, number: int, caller: Caller) -> InternalSubscription:
        found = self._server.iserver.subscription_service.subscriptions.get(number)
        if found is None:
            raise CallRefusedError(
                StatusCodes.BadSubscriptionIdInvalid, f"there is no subscription {number}"
            )
        if found.session_id != caller.session:
            raise CallRefusedError(
                StatusCodes.BadUserAccessDenied, f"subscription {number} is another session's"
            )
        return found

    async def _items(self, values: list[Any], caller: Caller) -> list[ua.Variant]:
        """Server handles and client handles of a subscription's items."""
        service = self._subscription(values[0], caller).monitored_item_srv
        items = list(service._monitored_items.items())
        handles = ([key for key, _ in items], [one.client_handle or 0 for _, one in items])
        return [ua.Variant(one, ua.VariantType.UInt32, is_array=True) for one in handles]

    async def _resend(self, values: list[Any], caller: Caller) -> list[ua.Variant]:
        """Sends the present value of every data item again, changed or not."""
        service = self._subscription(values[0], caller).monitored_item_srv
        if isinstance(service, AllItems):
            service.resend()
        return []
