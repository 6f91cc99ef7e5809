"""Sessions that cannot be guessed, taken over or reached into by another client.

asyncua 2.1 has gaps that this file closes by subclassing; its minor version is pinned.

- Authentication tokens are counted up: whoever has one knows the others. Here they are random.
- Subscriptions can outlive their session, for ever as far as a client's share is concerned.
- The end of a session stops half way when the connection that asked for it is lost.
- Every session may take over the subscriptions of all others (and use them: opcua_monitoring).
- Sessions, and monitored items, have no limits; and one client address may use up all there is.
"""

from __future__ import annotations

import asyncio
import logging
import secrets
from collections.abc import Callable
from typing import Any

from asyncua import ua
from asyncua.common.utils import ServiceError, create_nonce
from asyncua.crypto.permission_rules import User, UserRole
from asyncua.server.internal_session import InternalSession, SessionState
from asyncua.ua.status_codes import StatusCodes

from edgeflash.access import UserRole as Role
from edgeflash.access import Who
from edgeflash.outlets.listening import client_key
from edgeflash.outlets.opcua_identity import ANONYMOUS, Channel
from edgeflash.outlets.opcua_security import ServerSecurity
from edgeflash.service.users import SiteUser

TOKEN_BYTES = 32
_log = logging.getLogger(__name__)


class GuardedSession(InternalSession):
    """A client's session. channel: what it is bound to. who: the person, once activated."""

    iserver: Any
    subscription_service: Any
    channel: Channel | None = None
    who: Who | None = None
    user_as_signed_in: SiteUser | None = None
    holder: Any = None
    """The connection that speaks for it now."""
    _ending: asyncio.Task[None] | None = None

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self.iserver.unregister_external_session(self)
        self.auth_token = _random_id()
        if self.external:
            self.iserver.register_external_session(self)

    @property
    def client(self) -> str:
        """The client's address, as the shares count it."""
        return client_key(self.name)

    @property
    def is_orphan(self) -> bool:
        """True when its connection is gone; its client may still come back for it."""
        return self.holder is not None and bool(self.holder._transport.is_closing())

    @property
    def writer(self) -> str:
        """Who writes, for the record: the address, and the user where there is one."""
        # The library names a session by the client's address and port.
        address = f"opcua {self.name[0] if self.name else '?'}"
        named = self.who is not None and self.who.name != ANONYMOUS
        return f"{address} {self.who.name}" if named and self.who else address

    @property
    def is_closed(self) -> bool:
        """True when it has ended, also by its own timeout."""
        return bool(self.state == SessionState.Closed)

    @property
    def may_write(self) -> bool:
        """True when its user may write inputs: on the open endpoint, whoever reaches it."""
        if self.channel is None or self.who is None:
            return False
        return not self.channel.is_secured or self.who.role >= Role.OPERATOR

    def activate_session(self, params: Any, peer_certificate: bytes | None) -> Any:
        """Never: the library's own way checks neither nonce nor encryption of a password."""
        raise ServiceError(StatusCodes.BadInternalError)

    def activated_by(self, who: Who) -> ua.ActivateSessionResult:
        """Activates it for somebody whose identity has been verified. Raises ServiceError."""
        if self.is_closed:
            raise ServiceError(StatusCodes.BadSessionIdInvalid)
        if self.state == SessionState.Created:
            InternalSession._current_connections += 1  # which closing takes off again
        self.who, self.user_as_signed_in = who, None
        self.user = User(role=UserRole.User, name=who.name)
        self.nonce = create_nonce(32)
        self.state = SessionState.Activated
        self.touch()
        self._start_timeout_watchdog()
        return ua.ActivateSessionResult(ServerNonce=self.nonce)

    async def close_session(self, delete_subs: bool = True) -> None:
        """Ends its subscriptions in any case: those of nobody would count against all others.

        It goes on when whoever waits for it is cancelled, as by the loss of the connection that has
        just asked for it.
        """
        if self._ending is None:
            self._ending = asyncio.create_task(
                super().close_session(True), name="opcua session end"
            )
        await asyncio.shield(self._ending)

    def _of_client(self) -> list[Any]:
        """The subscriptions of every session from this client's address."""
        found: list[Any] = self.subscription_service.of_client(self.session_id)
        return found

    async def create_subscription(
        self,
        params: ua.CreateSubscriptionParameters,
        callback: Callable[..., Any],
        request_callback: Callable[..., Any] | None = None,
    ) -> ua.CreateSubscriptionResult:
        share = self.iserver.security.share_of.subscriptions
        while len(self._of_client()) >= share:
            if not await end_orphan(self.iserver, self.client):
                raise ServiceError(StatusCodes.BadTooManySubscriptions)
        if self.is_closed:  # meanwhile, by its own timeout
            raise ServiceError(StatusCodes.BadSessionIdInvalid)
        return await super().create_subscription(params, callback, request_callback)

    async def create_monitored_items(
        self, params: ua.CreateMonitoredItemsParameters
    ) -> list[ua.MonitoredItemCreateResult]:
        self.subscription_service.demand(self.session_id, params.SubscriptionId)
        asked = params.ItemsToCreate
        while (room := self._room_for_items()) < len(asked):
            if not await end_orphan(self.iserver, self.client):
                break
        params.ItemsToCreate = asked[: max(0, room)]
        results = await super().create_monitored_items(params)
        beyond = ua.StatusCode(ua.UInt32(StatusCodes.BadTooManyMonitoredItems))
        refused = [ua.MonitoredItemCreateResult(StatusCode=beyond)] * (len(asked) - len(results))
        return [*results, *refused]

    def _room_for_items(self) -> int:
        every = self.subscription_service.subscriptions.values()
        limits: ServerSecurity = self.iserver.security
        return min(
            limits.all_of.monitored_items - _items(every),
            limits.share_of.monitored_items - _items(self._of_client()),
        )

    async def transfer_subscriptions(  # type: ignore[override]  # as the library's own
        self, params: ua.TransferSubscriptionsParameters, callback: Callable[..., Any]
    ) -> list[ua.TransferResult]:
        """Of the same person through a channel alike only, OPC 10000-4, 5.14.7.

        Nobody knows whether two anonymous clients are the same, so none of theirs is handed over.
        """
        results = []
        for subscription_id in params.SubscriptionIds:
            subscription = self.subscription_service.subscriptions.get(int(subscription_id))
            code = StatusCodes.BadSubscriptionIdInvalid
            if subscription is not None:
                code = self._transferable(subscription.session_id)
            if code != StatusCodes.Good:
                results.append(ua.TransferResult(StatusCode=ua.StatusCode(ua.UInt32(code))))
                continue
            one = ua.TransferSubscriptionsParameters(
                SubscriptionIds=[subscription_id], SendInitialValues=params.SendInitialValues
            )
            results += await super().transfer_subscriptions(one, callback)
            if subscription is not None:  # the library leaves it asking the old connection
                subscription.pub_request_callback = _connection_of(callback).get_publish_request
        return results

    def _transferable(self, session_id: ua.NodeId) -> int:
        for other in self.iserver._external_sessions.values():
            if other.session_id == session_id:
                same = (other.channel, _name(other)) == (self.channel, _name(self))
                same = same and _name(self) not in (None, ANONYMOUS)
                good, denied = StatusCodes.Good, StatusCodes.BadUserAccessDenied
                return int(good if same else denied)
        return int(StatusCodes.BadSubscriptionIdInvalid)


def _connection_of(callback: Any) -> Any:
    return callback.__self__


async def end_orphan(iserver: Any, client: str | None = None) -> bool:
    """Ends the session that has been without its connection for longest, of this client or of all.

    False when there is none. So a client whose network comes and goes is not kept out by what it
    has left behind.
    """
    orphans = [
        session
        for session in iserver._external_sessions.values()
        if session.is_orphan and client in (None, session.client)
    ]
    if not orphans:
        return False
    await min(orphans, key=lambda session: session._last_activity).close_session()
    return True


def _random_id() -> ua.NodeId:
    return ua.NodeId(ua.ByteString(secrets.token_bytes(TOKEN_BYTES)), ua.Int16(0))


def _items(subscriptions: Any) -> int:
    return sum(len(s.monitored_item_srv._monitored_items) for s in subscriptions)


def _name(session: Any) -> str | None:
    return session.who.name if session.who else None
