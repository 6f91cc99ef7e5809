"""Connections and secure channels that only let through what the server's security allows.

asyncua 2.1 has gaps that this file closes by subclassing; its minor version is pinned.

- A channel without security opens although no such endpoint is offered, and takes sessions, with no
  rules at all. Here it serves discovery only (OPC 10000-4, 5.4.1), which needs no security.
- A certificate is looked at only if the client repeats it when it creates a session.
- A session is handed to whoever names it, before the signature is checked, and stays so after it
  was found wrong. A session that another replaces on its connection is never closed.
- Anyone may register servers, without a session, without end.
- Faults of a channel are logged with their traces and not answered; the channel goes on.
- A chunk that waits keeps all that came after it; one that is too large is taken if it is there.
"""

from __future__ import annotations

import asyncio
import struct
import time
from typing import Any

import structlog
from asyncua import ua
from asyncua.common.utils import NotEnoughData, ServiceError
from asyncua.crypto.security_policies import SecurityPolicyNone
from asyncua.crypto.uacrypto import (  # type: ignore[attr-defined]
    InvalidSignature as LibraryInvalidSignature,
)
from asyncua.server.binary_server_asyncio import OPCUAProtocol
from asyncua.server.uaprocessor import UaProcessor
from asyncua.ua.object_ids import ObjectIds
from asyncua.ua.status_codes import StatusCodes
from asyncua.ua.ua_binary import struct_from_binary, uatcp_to_binary
from asyncua.ua.uaerrors import UaError, UaStatusCodeError
from cryptography.exceptions import InvalidSignature

from edgeflash.outlets.listening import client_key
from edgeflash.outlets.opcua_identity import channel_of, identify
from edgeflash.outlets.opcua_security import ServerSecurity
from edgeflash.outlets.opcua_session import end_orphan
from edgeflash.outlets.refusals import Refusals
from edgeflash.service.certificate_checks import Refusal
from edgeflash.service.certificates import CertificateUnreadableError, leaf_of, thumbprint_of

LEAST_BUFFER_BYTES = 8192
"""OPC 10000-6, 7.1.2.3: no client may ask for less."""
MOST_OPEN_BYTES = 4096
"""Of the encrypted part of an OpenSecureChannel: each 512 of them cost a private key operation."""
LEAST_NONCE_BYTES = 32
LIFETIME_MS = (10_000, 3_600_000)
"""A channel's; after it, and a quarter for delay (OPC 10000-4, 5.5.2.1), it ends unless renewed."""
_TYPES = frozenset({b"HEL", b"OPN", b"MSG", b"CLO", b"ERR"})
_UNDERSTANDING = (NotEnoughData, UaError, UnicodeError, struct.error)
"""What the library raises where bytes are not what they say they are."""
CHUNK_BYTES = 65_535
"""The largest chunk that is taken, as the server's Acknowledge says."""
HEADER_BYTES = 8
"""Of every chunk: type (3), kind of chunk (1), size (4, little-endian). OPC 10000-6, 7.1.2.2."""


def _announced(came: bytes, at: int) -> int:
    """The size that the chunk which begins there says it has; 0 when that is not there yet."""
    whole = len(came) - at >= HEADER_BYTES
    return int.from_bytes(came[at + 4 : at + HEADER_BYTES], "little") if whole else 0


def _ids(*names: str) -> frozenset[ua.NodeId]:
    return frozenset(
        ua.NodeId(getattr(ObjectIds, f"{name}Request_Encoding_DefaultBinary")) for name in names
    )


_DISCOVERY = _ids("GetEndpoints", "FindServers", "CloseSecureChannel")
_WITHOUT_SESSION = _DISCOVERY | _ids("CreateSession", "ActivateSession")
_REGISTER = _ids("RegisterServer", "RegisterServer2")
(_CREATE,) = _ids("CreateSession")
(_ACTIVATE,) = _ids("ActivateSession")

_log = structlog.get_logger(__name__)


class GuardedProcessor(UaProcessor):
    """The server's side of one connection."""

    iserver: Any
    session: Any
    _connection: Any

    def __init__(self, iserver: Any, transport: Any, limits: Any, refusals: Refusals) -> None:
        super().__init__(iserver, transport, limits)
        self.security: ServerSecurity = iserver.security
        self._refusals = refusals
        self._greeted = False
        self._ends_mono_s = float("inf")

    @property
    def client(self) -> str:
        """The client's address, as the shares count it."""
        return client_key(self.name)

    @property
    def certificate(self) -> bytes:
        """The client's, of an open secured channel."""
        policy = self._connection.security_policy
        if not self._connection.is_open() or policy.Mode == ua.MessageSecurityMode.None_:
            return b""
        return policy.peer_certificate or b""

    async def process(self, header: Any, body: Any) -> bool:
        """One message; False ends the connection. A fault of the channel is told and ends it."""
        try:
            if time.monotonic() > self._ends_mono_s:
                raise ServiceError(StatusCodes.BadSecureChannelIdInvalid)
            if header.MessageType == ua.MessageType.Hello:
                self._check_hello(body)
            elif not self._greeted:
                raise ServiceError(StatusCodes.BadTcpMessageTypeInvalid)
            elif header.MessageType == ua.MessageType.SecureOpen:
                await self._admit(header, body)
            elif not self._connection.is_open():
                raise ServiceError(StatusCodes.BadSecureChannelIdInvalid)
            return bool(await super().process(header, body))
        except (ServiceError, UaStatusCodeError) as error:
            self._fault(error.code, ua.StatusCode(ua.UInt32(error.code)).name)
        except (InvalidSignature, LibraryInvalidSignature):
            self._fault(StatusCodes.BadSecurityChecksFailed, "a wrong signature")
        except Exception as error:  # whatever strange bytes make the library raise
            # What exactly was wrong with an encrypted message is nothing to tell a stranger.
            self._fault(StatusCodes.BadSecurityChecksFailed, repr(error)[:200])
        return False

    def end(self, code: int) -> None:
        """Tells the client why, and closes its connection."""
        self._tell(code)
        self._transport.close()

    def _fault(self, code: int, why: str) -> None:
        times = self._refusals.note(self.client)
        if times is not None:
            _log.warning("opcua_channel_refused", peer=self.client, why=why, times=times)
        self._tell(code)

    def _tell(self, code: int) -> None:
        status = ua.StatusCode(ua.UInt32(code))
        error = ua.ErrorMessage(status, ua.String(status.name))
        kind: Any = ua.MessageType.Error
        self._transport.write(uatcp_to_binary(kind, error))

    def _check_hello(self, body: Any) -> None:
        hello = struct_from_binary(ua.Hello, body.copy())
        if self._greeted:
            raise ServiceError(StatusCodes.BadTcpMessageTypeInvalid)
        if min(hello.ReceiveBufferSize, hello.SendBufferSize) < LEAST_BUFFER_BYTES:
            raise ServiceError(StatusCodes.BadConnectionRejected)
        self._greeted = True

    async def _admit(self, header: Any, body: Any) -> None:
        """Checks who asks for a channel, before its own key is used for anybody."""
        data = body.copy(header.body_size)
        asked = struct_from_binary(ua.AsymmetricAlgorithmHeader, data)
        uri, der = asked.SecurityPolicyURI or "", asked.SenderCertificate or b""
        if self._connection.is_open() and uri != self._connection.security_policy.URI:
            raise ServiceError(StatusCodes.BadSecurityPolicyRejected)
        if uri == SecurityPolicyNone.URI:
            return
        if not self.security.policies.has(uri):
            raise ServiceError(StatusCodes.BadSecurityPolicyRejected)
        if len(data) > MOST_OPEN_BYTES:
            raise ServiceError(StatusCodes.BadRequestTooLarge)
        try:
            leaf = leaf_of(der)[0]
        except CertificateUnreadableError as error:
            self.security.refuse(Refusal("BadCertificateInvalid", str(error)), der, self.client)
            return
        if self._connection.is_open() and leaf != self.certificate:
            raise ServiceError(StatusCodes.BadSecurityChecksFailed)
        await self.security.check_client(der, self.client)
        ours = self._connection.security_policy.host_certificate if self.certificate else b""
        own = self.security.own
        known = thumbprint_of(ours) if ours else own.facts.thumbprint if own else ""
        if (asked.ReceiverCertificateThumbPrint or b"").hex().upper() != known:
            why = "it expects another certificate of this server: was ours renewed?"
            self.security.refuse(Refusal("BadCertificateInvalid", why), der, self.client)

    def open_secure_channel(self, algohdr: Any, seqhdr: Any, body: Any) -> None:
        """As the parent's, for an allowed mode, a real nonce and a bounded lifetime only."""
        request = struct_from_binary(ua.OpenSecureChannelRequest, body)
        asked, channel = request.Parameters, self._connection
        uri = algohdr.SecurityPolicyURI
        if not self.security.policies.allows(uri, asked.SecurityMode):
            raise ServiceError(StatusCodes.BadSecurityModeRejected)
        if channel.is_open():
            if asked.SecurityMode != channel.security_policy.Mode:
                raise ServiceError(StatusCodes.BadSecurityModeRejected)
            if asked.RequestType != ua.SecurityTokenRequestType.Renew:
                raise ServiceError(StatusCodes.BadRequestTypeInvalid)
        else:
            if asked.RequestType != ua.SecurityTokenRequestType.Issue:
                raise ServiceError(StatusCodes.BadSecureChannelIdInvalid)
            channel.select_policy(uri, algohdr.SenderCertificate, asked.SecurityMode)
        if len(asked.ClientNonce or b"") < channel.security_policy.secure_channel_nonce_length:
            raise ServiceError(StatusCodes.BadNonceInvalid)
        least, most = LIFETIME_MS
        asked.RequestedLifetime = min(max(asked.RequestedLifetime or most, least), most)
        response = ua.OpenSecureChannelResponse()
        response.Parameters = channel.open(asked, self.iserver)
        self._ends_mono_s = time.monotonic() + asked.RequestedLifetime * 1.25 / 1000.0
        self.send_response(
            request.RequestHeader.RequestHandle, seqhdr, response, ua.MessageType.SecureOpen
        )

    async def _process_message(self, typeid: Any, requesthdr: Any, seqhdr: Any, body: Any) -> Any:
        """One request. What cannot be understood is told as that, and logged no more often than
        other refusals: the library writes a trace for each."""
        try:
            return await self._serve(typeid, requesthdr, seqhdr, body)
        except (ServiceError, UaStatusCodeError):
            raise
        except Exception as error:
            times = self._refusals.note(self.client)
            is_theirs = isinstance(error, _UNDERSTANDING)
            if times is not None:
                trace = None if is_theirs else error
                why = repr(error)[:200]
                _log.warning(
                    "opcua_request_failed", peer=self.client, why=why, times=times, exc_info=trace
                )
            code = StatusCodes.BadDecodingError if is_theirs else StatusCodes.BadInternalError
            raise ServiceError(code) from error

    async def _serve(self, typeid: Any, requesthdr: Any, seqhdr: Any, body: Any) -> Any:
        policy = self._connection.security_policy
        unsecured = policy.Mode == ua.MessageSecurityMode.None_
        if typeid in _REGISTER:
            raise ServiceError(StatusCodes.BadServiceUnsupported)
        if unsecured and not self.security.policies.open_endpoint and typeid not in _DISCOVERY:
            raise ServiceError(StatusCodes.BadSecurityPolicyRejected)
        if self.session is not None and self.session.is_closed:
            self.session = None
        if typeid == _ACTIVATE:
            await self._activate(requesthdr, seqhdr, body)
            return True
        if typeid == _CREATE:
            # One at a time: between the look at the limits and the session others come in.
            async with self.security.creating:
                await self._check_create(
                    struct_from_binary(ua.CreateSessionParameters, body.copy())
                )
                done = await super()._process_message(typeid, requesthdr, seqhdr, body)
            if self.session is not None:
                self.session.channel, self.session.holder = channel_of(policy, self.name), self
            return done
        if typeid not in _WITHOUT_SESSION and (
            self.session is None or requesthdr.AuthenticationToken != self.session.auth_token
        ):
            raise ServiceError(StatusCodes.BadSessionIdInvalid)
        return await super()._process_message(typeid, requesthdr, seqhdr, body)

    async def _check_create(self, params: Any) -> None:
        """Raises ServiceError unless this client may have one more session here."""
        if self.session is not None:
            if self.session.is_activated():
                raise ServiceError(StatusCodes.BadTooManySessions)
            await self.session.close_session()
            self.session = None
        if self._session_watchdog_task is not None:
            self._session_watchdog_task.cancel()
            self._session_watchdog_task = None
        if self.certificate:
            given = params.ClientCertificate or b""
            if given[: len(self.certificate)] != self.certificate:  # its issuers may follow
                raise ServiceError(StatusCodes.BadSecurityChecksFailed)
            if len(params.ClientNonce or b"") < LEAST_NONCE_BYTES:
                raise ServiceError(StatusCodes.BadNonceInvalid)
            uri = params.ClientDescription.ApplicationUri
            self.security.check_uri(self.certificate, uri, self.client)
        sessions = self.iserver._external_sessions
        while len(sessions) >= self.security.all_of.sessions:
            if not await end_orphan(self.iserver):
                raise ServiceError(StatusCodes.BadTooManySessions)
        share = self.security.share_of.sessions
        while sum(session.client == self.client for session in sessions.values()) >= share:
            if not await end_orphan(self.iserver, self.client):
                raise ServiceError(StatusCodes.BadTooManySessions)

    async def _activate(self, requesthdr: Any, seqhdr: Any, body: Any) -> None:
        """Activates this connection's session, or takes over one that lost its own connection."""
        params = struct_from_binary(ua.ActivateSessionParameters, body)
        token = requesthdr.AuthenticationToken
        session = self.iserver.lookup_external_session(token)
        if session is None or (self.session is not None and session is not self.session):
            raise ServiceError(StatusCodes.BadSessionIdInvalid)
        if session.nonce is None:  # another activation of it is being looked at
            raise ServiceError(StatusCodes.BadSessionIdInvalid)
        policy, is_new = self._connection.security_policy, self.session is None
        if session.channel is None or session.channel != channel_of(policy, self.name):
            raise ServiceError(StatusCodes.BadSecurityChecksFailed)
        if session.channel.is_secured:
            data = policy.host_certificate + session.nonce
            try:
                policy.asymmetric_cryptography.use_prev_key = False
                signature = params.ClientSignature.Signature or b""
                policy.asymmetric_cryptography.verify(data, signature)
            except InvalidSignature as error:
                raise ServiceError(StatusCodes.BadApplicationSignatureInvalid) from error
        nonce, session.nonce = session.nonce, None
        try:
            who = await identify(self.security, params.UserIdentityToken, nonce, policy, self.name)
        finally:
            session.nonce = nonce
        if is_new and (session.who is None or session.who.name != who.name):
            raise ServiceError(StatusCodes.BadIdentityTokenRejected)
        result = session.activated_by(who)
        if is_new:
            self._take_over(session)
        self.session_last_activity = time.monotonic()
        response = ua.ActivateSessionResponse()
        response.Parameters = result
        self.send_response(requesthdr.RequestHandle, seqhdr, response)

    def _take_over(self, session: Any) -> None:
        """Makes this connection the one that a session and its subscriptions speak through."""
        before, session.holder, self.session = session.holder, self, session
        if isinstance(before, GuardedProcessor) and before is not self:
            before.session = None  # so that its end does not end the session
            before.end(StatusCodes.BadSecureChannelClosed)
        self._closing = False
        self._session_watchdog_task = asyncio.create_task(self._session_watchdog_loop())
        for subscription in self.iserver.subscription_service.subscriptions.values():
            if subscription.session_id == session.session_id:
                subscription.pub_result_callback = self.forward_publish_response
                subscription.pub_request_callback = self.get_publish_request


class GuardedConnection(OPCUAProtocol):
    """A client's socket: no more than its share, none without a session for long, none of another
    protocol."""

    iserver: Any
    refusals: Refusals
    make_processor: Any = GuardedProcessor

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        peer = client_key(transport.get_extra_info("peername"))
        share = self.iserver.security.share_of.connections
        if sum(client_key(other.peer_name) == peer for other in self.clients) >= share:
            self.peer_name = transport.get_extra_info("peername")
            times = self.refusals.note(peer)
            if times is not None:
                _log.warning("opcua_too_many_connections", peer=peer, most=share, times=times)
            transport.abort()  # type: ignore[attr-defined]
            return
        super().connection_made(transport)
        if self.processor is not None:
            self.processor = self.make_processor(
                self.iserver, self.transport, self.limits, self.refusals
            )
            self.processor.set_policies(self.policies)

    def data_received(self, data: bytes) -> None:
        """Hands on each whole chunk by itself; what is not whole, or too large, stays behind.

        The parent keeps with each chunk that waits all that came after it: together a hundred
        times what was sent.
        """
        if self.transport is None:
            return
        came, at = self._buffer + data, 0
        self._buffer = b""
        while self._is_chunk(came, at) and not self.transport.is_closing():
            size = max(_announced(came, at), HEADER_BYTES)
            if size > CHUNK_BYTES or at + size > len(came):
                self._buffer = came[at:]
                return
            super().data_received(came[at : at + size])
            if self._buffer:  # the parent could not read its header
                self._buffer = b""
                self.transport.abort()
            at += size

    def _is_chunk(self, came: bytes, at: int) -> bool:
        """True when one may begin there; what cannot be one ends the connection."""
        if at < len(came) and not any(kind.startswith(came[at : at + 3]) for kind in _TYPES):
            assert self.transport is not None
            self.transport.abort()
            return False
        return at < len(came)

    async def _activation_watchdog(self) -> None:
        """Closes a connection that is too long without an activated session, after one as well."""
        without_s = 0.0
        step_s = min(1.0, self.iserver.max_pending_activation_seconds / 4)
        while without_s < self.iserver.max_pending_activation_seconds:
            await asyncio.sleep(step_s)
            session = self.processor.session if self.processor is not None else None
            active = session is not None and session.is_activated()
            without_s = 0.0 if active else without_s + step_s
        if self.transport is not None:
            self.transport.abort()
