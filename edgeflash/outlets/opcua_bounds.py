"""What a client of the OPC UA server may do and use up, within stated limits.

Clients read. A write reaches the nodes that a `WriteTaker` was given for, and nothing else; without
any, the service itself is refused. A call reaches the methods registered in `calls`.

asyncua 2.1 has two gaps that this file closes by subclassing; its minor version is pinned.

- A chunk's announced size is only checked once all of it is in memory, and answers that a client
  does not take pile up without end: `_BoundedConnection` closes such a client.
- Subscriptions are not what their clients agreed upon: see opcua_monitoring.py and what it uses.
"""

from __future__ import annotations

import asyncio
import logging
import math
from collections.abc import Awaitable, Callable, Mapping
from typing import Any

from asyncua import ua
from asyncua.common.utils import ServiceError
from asyncua.crypto.permission_rules import USER_TYPES, SimpleRoleRuleset, User
from asyncua.crypto.permission_rules import UserRole as SessionRole
from asyncua.server.binary_server_asyncio import BinaryServer, OPCUAProtocol
from asyncua.server.internal_server import InternalServer
from asyncua.server.internal_session import InternalSession
from asyncua.server.server import Server
from asyncua.server.user_managers import UserManager
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.object_ids import ObjectIds
from asyncua.ua.status_codes import StatusCodes

from edgeflash.access import Who
from edgeflash.outlets.opcua_all_items import AllItems
from edgeflash.outlets.opcua_calls import Caller, Calls
from edgeflash.outlets.opcua_channel import CHUNK_BYTES, GuardedConnection, GuardedProcessor
from edgeflash.outlets.opcua_event import Event
from edgeflash.outlets.opcua_event_filter import EventTypes
from edgeflash.outlets.opcua_history import PointHistory
from edgeflash.outlets.opcua_identity import who_of
from edgeflash.outlets.opcua_monitored_items import MAX_QUEUED_VALUES
from edgeflash.outlets.opcua_monitoring import Monitoring, MonitoringSession
from edgeflash.outlets.opcua_security import ServerSecurity
from edgeflash.outlets.opcua_session import GuardedSession
from edgeflash.outlets.opcua_side_reading import SideReading
from edgeflash.outlets.refusals import Refusals

MAX_UNACKNOWLEDGED = 200
MAX_PENDING_REQUESTS = 100
MAX_WRITES = 1000
"""Values in one write request; more are refused with BadTooManyOperations."""
MAX_UNSENT_BYTES = 8 * 1024 * 1024
ACTIVATION_TIMEOUT_S = 10.0
SESSION_TIMEOUT_MS = 120_000.0

_log = logging.getLogger(__name__)

WriteTaker = Callable[[ua.DataValue, str], Awaitable[ua.StatusCode]]
"""Takes a client's value for one node; the text names the client. Gives the answer."""

_WRITE = ObjectIds.WriteRequest_Encoding_DefaultBinary

WhoOf = Callable[[InternalSession], Who]
"""Tells who a session's user is, as authenticated."""

_NOBODY = User(role=SessionRole.Anonymous)


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
    """No role may change the address space over the network; of methods, see `Calls`.

    writes: whether the service of writing is there at all.
    """

    def __init__(self, writes: bool) -> None:
        refused = frozenset() if writes else frozenset({_WRITE})
        self._services = {ua.NodeId(ua.Int32(i)) for i in USER_TYPES if i not in refused}

    def check_validity(self, user: User, action_type: ua.NodeId, body: object) -> bool:
        return user.role is not SessionRole.Anonymous and action_type in self._services


class BoundedServer(Server):
    """An OPC UA server for a bounded number of bounded clients.

    security: loaded. Clients may write the nodes in `takers`, which is filled after the nodes
    exist, where its configuration accepts inputs. `calls`, the event types and the notice of lost
    events are filled then too.
    """

    def __init__(
        self, host: str, port: int, security: ServerSecurity, who_of: WhoOf = who_of
    ) -> None:
        self.takers: dict[ua.NodeId, WriteTaker] = {}
        self.calls = Calls()
        self.event_types: EventTypes | None = None
        self.overflow_event: Callable[[], Event] | None = None
        self.security = security
        super().__init__(iserver=_BoundedInner(self.takers, self.calls, security, who_of))
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
        inner.subscription_service = Monitoring(inner.aspace, inner, security.share_of)
        # Its own session too, through which the library sends events.
        inner.isession.subscription_service = inner.subscription_service
        inner.subscription_service.make_items = self._made_items
        self.limits.max_message_size = security.config.max_message_bytes
        self.limits.max_chunk_count = math.ceil(security.config.max_message_bytes / CHUNK_BYTES)

    def _made_items(self, *arguments: Any) -> AllItems:
        """The monitored items of a new subscription."""
        items = AllItems(*arguments)
        items.serve_events(self.event_types, self.overflow_event)
        return items

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
    """Gives clients sessions that write by takers and call registered methods only."""

    def __init__(
        self,
        takers: Mapping[ua.NodeId, WriteTaker],
        calls: Calls,
        security: ServerSecurity,
        who_of: WhoOf,
    ) -> None:
        super().__init__(user_manager=Nobody())
        self._takers = takers
        self._calls = calls
        self._who_of = who_of
        self.security = security

    def create_session(
        self, name: Any, user: User = _NOBODY, external: bool = False
    ) -> InternalSession:
        session = _BoundedSession(
            self, self.aspace, self.subscription_service, name, user=user, external=external
        )
        session.takers = self._takers
        session.calls = self._calls
        session.who_of = self._who_of
        return session


class _BoundedSession(GuardedSession, MonitoringSession):
    takers: Mapping[ua.NodeId, WriteTaker]
    calls: Calls
    who_of: WhoOf

    async def call(self, params: list[ua.CallMethodRequest]) -> list[ua.CallMethodResult]:
        return await self.calls.answer(
            params, Caller(self.who_of(self), self.session_id), self.aspace
        )

    async def read(self, params: ua.ReadParameters) -> list[ua.DataValue]:
        results = await super().read(params)
        self.calls.show_executable(params.NodesToRead, results, self.who_of(self))
        return results

    async def history_read(self, params: ua.HistoryReadParameters) -> list[ua.HistoryReadResult]:
        manager = self.iserver.history_manager
        if isinstance(manager, PointHistory):
            return await manager.read_for(self, params)
        raise ServiceError(StatusCodes.BadServiceUnsupported)

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
        return await taker(item.Value, self.writer)


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


class _Processor(GuardedProcessor, SideReading):
    """Guarded, with long readings of the history beside the rest."""


class _BoundedConnection(GuardedConnection):
    """Closes a client that announces a chunk above the limit or does not take its answers."""

    make_processor = _Processor

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
