"""What a client of the OPC UA server may do and use up, within stated limits.

Clients read. A write reaches the nodes that a `WriteTaker` was given for, and nothing else; without
any, the service itself is refused.

asyncua 2.1 has three gaps that this file closes by subclassing; its minor version is pinned.

- A chunk's announced size is only checked once all of it is in memory, and answers that a client
  does not take pile up without end: `_BoundedConnection` closes such a client.
- The publishing interval is taken as asked, down to a busy loop: it is raised to a minimum.
- A deadband filter fails on a bad value (which has no number) and the notification is lost, so
  a subscriber would never learn that the value went bad; and a deadband compares with the last
  written instead of the last sent value, so a slow drift is never sent. Deadbands are therefore
  left out of account: such a client gets every change.
"""

from __future__ import annotations

import asyncio
import logging
import math
from collections.abc import Awaitable, Callable, Mapping
from typing import Any

from asyncua import ua
from asyncua.common.utils import ServiceError
from asyncua.crypto.permission_rules import USER_TYPES, SimpleRoleRuleset, User, UserRole
from asyncua.server.binary_server_asyncio import BinaryServer, OPCUAProtocol
from asyncua.server.internal_server import InternalServer
from asyncua.server.internal_session import InternalSession
from asyncua.server.server import Server
from asyncua.server.subscription_service import SubscriptionService
from asyncua.server.user_managers import UserManager
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.object_ids import ObjectIds
from asyncua.ua.status_codes import StatusCodes

from edgeflash.outlets.opcua_channel import GuardedConnection
from edgeflash.outlets.opcua_security import ServerSecurity
from edgeflash.outlets.opcua_session import GuardedSession
from edgeflash.outlets.refusals import Refusals

MAX_QUEUED_VALUES = 1000
MAX_UNACKNOWLEDGED = 200
MAX_PENDING_REQUESTS = 100
MAX_WRITES = 1000
"""Values in one write request; more are refused with BadTooManyOperations."""
MAX_UNSENT_BYTES = 8 * 1024 * 1024
CHUNK_BYTES = 65_535
MIN_PUBLISHING_MS = 50.0
ACTIVATION_TIMEOUT_S = 10.0
SESSION_TIMEOUT_MS = 120_000.0

_log = logging.getLogger(__name__)

WriteTaker = Callable[[ua.DataValue, str], Awaitable[ua.StatusCode]]
"""Takes a client's value for one node; the text names the client. Gives the answer."""

_WRITE = ObjectIds.WriteRequest_Encoding_DefaultBinary
_NEVER = frozenset({ObjectIds.CallRequest_Encoding_DefaultBinary})


_NOBODY = User(role=UserRole.Anonymous)


class Nobody(UserManager):
    """The library's way to log in lets nobody in, "admin" least of all: see opcua_identity."""

    def get_user(
        self,
        iserver: InternalServer,
        username: str | None = None,
        password: str | None = None,
        certificate: Any = None,
    ) -> User | None:
        return None


class ReadersRuleset(SimpleRoleRuleset):
    """No role may call methods or change the address space over the network.

    writes: whether the service of writing is there at all.
    """

    def __init__(self, writes: bool) -> None:
        refused = _NEVER if writes else _NEVER | {_WRITE}
        self._services = {ua.NodeId(ua.Int32(i)) for i in USER_TYPES if i not in refused}

    def check_validity(self, user: User, action_type: ua.NodeId, body: object) -> bool:
        return user.role is not UserRole.Anonymous and action_type in self._services


class BoundedServer(Server):
    """An OPC UA server for a bounded number of bounded clients.

    security: loaded. Clients may write the nodes in `takers`, which is filled after the nodes
    exist, where its configuration accepts inputs.
    """

    def __init__(self, host: str, port: int, security: ServerSecurity) -> None:
        self.takers: dict[ua.NodeId, WriteTaker] = {}
        self.security = security
        super().__init__(iserver=_BoundedInner(self.takers, security))
        self.socket_address = (host, port)
        self.allow_remote_admin(False)
        security.prepare(self, ReadersRuleset(security.config.accept_inputs))
        inner = self.iserver
        inner.max_connections = security.all_of.connections
        inner.max_subscriptions = security.all_of.subscriptions
        inner.max_monitored_item_queue_size = MAX_QUEUED_VALUES
        inner.max_unacked_messages_per_subscription = MAX_UNACKNOWLEDGED
        inner.max_pending_messages_per_connection = MAX_PENDING_REQUESTS
        inner.max_pending_activation_seconds = ACTIVATION_TIMEOUT_S
        inner.max_session_timeout_ms = SESSION_TIMEOUT_MS
        inner.subscription_service = _BoundedSubscriptions(inner.aspace, iserver=inner)
        self.limits.max_message_size = security.config.max_message_bytes
        self.limits.max_chunk_count = math.ceil(security.config.max_message_bytes / CHUNK_BYTES)

    async def start(self) -> None:
        """As the parent's, with bounded connections. Raises OSError when it cannot listen."""
        await self._setup_server_nodes()
        self.security.trim_tokens(self.iserver.endpoints)
        assert self.socket_address is not None
        self.bserver = _BoundedListener(self.iserver, *self.socket_address, self.limits)
        self.bserver.set_policies(self._policies)
        try:
            await self.iserver.start()
            await self.bserver.start()
        except BaseException:  # a cancel too: the inner server has a task of its own by now
            await self.iserver.stop()
            raise

    async def stop(self) -> None:
        """As the parent's; ends the clients' sessions too, whose tasks else run on for minutes."""
        for session in list(self.iserver._external_sessions.values()):
            await session.close_session()
        await super().stop()


class _BoundedInner(InternalServer):
    """Gives clients sessions that write by takers only."""

    def __init__(self, takers: Mapping[ua.NodeId, WriteTaker], security: ServerSecurity) -> None:
        super().__init__(user_manager=Nobody())
        self._takers = takers
        self.security = security

    def create_session(
        self, name: Any, user: User = _NOBODY, external: bool = False
    ) -> InternalSession:
        session = _BoundedSession(
            self, self.aspace, self.subscription_service, name, user=user, external=external
        )
        session.takers = self._takers
        return session


class _BoundedSession(GuardedSession):
    takers: Mapping[ua.NodeId, WriteTaker]

    async def write(self, params: ua.WriteParameters) -> list[ua.StatusCode]:
        if len(params.NodesToWrite) > MAX_WRITES:
            raise ServiceError(StatusCodes.BadTooManyOperations)
        return [await self._written(item) for item in params.NodesToWrite]

    async def _written(self, item: ua.WriteValue) -> ua.StatusCode:
        taker = self.takers.get(item.NodeId)
        if taker is None or item.AttributeId != AttributeIds.Value or not self.may_write:
            return ua.StatusCode(ua.UInt32(StatusCodes.BadUserAccessDenied))
        if item.IndexRange:
            return ua.StatusCode(ua.UInt32(StatusCodes.BadIndexRangeInvalid))
        # The library names a session by the client's address and port.
        return await taker(item.Value, f"opcua {self.name[0] if self.name else '?'}")


class _BoundedListener(BinaryServer):
    def __init__(self, *arguments: Any) -> None:
        super().__init__(*arguments)
        self._refusals = Refusals()

    def _make_protocol(self) -> OPCUAProtocol:
        made = _BoundedConnection(
            iserver=self.iserver,
            policies=self._policies,
            clients=self.clients,
            closing_tasks=self.closing_tasks,
            limits=self.limits,
        )
        made.refusals = self._refusals
        return made


class _BoundedConnection(GuardedConnection):
    """Closes a client that announces a chunk above the limit or does not take its answers."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        super().connection_made(transport)
        if self.transport is not None:
            self.transport.set_write_buffer_limits(high=MAX_UNSENT_BYTES)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        # What is left is the start of one chunk: type (3), chunk (1), size (4, little-endian).
        announced = int.from_bytes(self._buffer[4:8], "little") if len(self._buffer) >= 8 else 0
        if max(announced, len(self._buffer)) > CHUNK_BYTES:
            self._drop(f"a chunk of {max(announced, len(self._buffer))} bytes")

    def pause_writing(self) -> None:
        self._drop(f"{MAX_UNSENT_BYTES} bytes of answers not taken")

    def _drop(self, why: str) -> None:
        times = self.refusals.note(str(self.peer_name[0] if self.peer_name else "?"))
        if times is not None:
            _log.warning("OPC UA client %s closed (×%d): %s", self.peer_name, times, why)
        self._buffer = b""
        if self.transport is not None:
            self.transport.abort()


class _BoundedSubscriptions(SubscriptionService):
    async def create_subscription(
        self, params: ua.CreateSubscriptionParameters, *args: Any, **kwargs: Any
    ) -> ua.CreateSubscriptionResult:
        # A comparison that is false for NaN too.
        if not params.RequestedPublishingInterval >= MIN_PUBLISHING_MS:
            params.RequestedPublishingInterval = MIN_PUBLISHING_MS
        return await super().create_subscription(params, *args, **kwargs)

    async def create_monitored_items(
        self, params: ua.CreateMonitoredItemsParameters
    ) -> list[ua.MonitoredItemCreateResult]:
        for item in params.ItemsToCreate:
            _send_every_change(item.RequestedParameters)
        return await super().create_monitored_items(params)

    def modify_monitored_items(
        self, params: ua.ModifyMonitoredItemsParameters
    ) -> list[ua.MonitoredItemModifyResult]:
        for item in params.ItemsToModify:
            _send_every_change(item.RequestedParameters)
            # The parent takes this one as asked; 0 would mean a queue without end.
            asked = item.RequestedParameters.QueueSize
            item.RequestedParameters.QueueSize = min(asked, MAX_QUEUED_VALUES) or MAX_QUEUED_VALUES
        return super().modify_monitored_items(params)


def _send_every_change(parameters: ua.MonitoringParameters) -> None:
    """Takes a deadband out of a monitored item's filter."""
    # Not by isinstance: the library decodes to another class of the same name than ua's.
    if hasattr(parameters.Filter, "DeadbandType"):
        parameters.Filter.DeadbandType = ua.DeadbandType.None_
