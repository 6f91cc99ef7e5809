"""Bytes of OPC UA connections (OPC 10000-6, 7.1): made well by the library, then spoiled by chance.

A `Caller` speaks as a client does over a bare socket, as far as it likes, and can say anything at
any step. Its well-formed bytes come from asyncua's client side.
"""

from __future__ import annotations

import asyncio
import os
import random
import struct
from typing import Any

from asyncua import ua
from asyncua.common.connection import SecureConnection, TransportLimits
from asyncua.common.utils import Buffer
from asyncua.crypto.security_policies import SecurityPolicyNone
from asyncua.ua.ua_binary import (
    header_from_binary,
    nodeid_from_binary,
    struct_from_binary,
    struct_to_binary,
    uatcp_to_binary,
)

HUGE = (0, 1, 7, 8, 0xFFFF, 0x10000, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFE, 0xFFFFFFFF)
SESSION_MS = 10_000.0
"""The server's least; a session whose client is gone lives on so long."""
MOST_BYTES = 400_000
"""Of one spoiled message."""
WAIT_S = 60.0


class Spoiler:
    """Makes one message wrong, in one of many ways or several."""

    def __init__(self, chance: random.Random) -> None:
        self.chance = chance
        self._ways = (
            self._bits, self._size, self._huge_inside, self._kind, self._chunk, self._cut,
            self._more, self._twice, self._noise, self._oversized, self._unfinished,
        )  # fmt: skip

    def spoil(self, message: bytes) -> bytes:
        """The message, no longer as it was."""
        for _ in range(self.chance.choice((1, 1, 1, 2, 3))):
            message = self.chance.choice(self._ways)(message)[:MOST_BYTES]
        return message

    def _bits(self, message: bytes) -> bytes:
        raw = bytearray(message)
        for _ in range(self.chance.choice((1, 1, 2, 8, 40))):
            raw[self.chance.randrange(len(raw))] ^= 1 << self.chance.randrange(8)
        return bytes(raw)

    def _size(self, message: bytes) -> bytes:
        size = self.chance.choice(
            (*HUGE, len(message) - 1, len(message) + 1, self.chance.randrange(1 << 32))
        )
        return message[:4] + struct.pack("<I", size) + message[8:]

    def _huge_inside(self, message: bytes) -> bytes:
        """A count or a length within says something that is not so."""
        if len(message) < 16:
            return message
        at = self.chance.randrange(8, len(message) - 4)
        return message[:at] + struct.pack("<I", self.chance.choice(HUGE)) + message[at + 4 :]

    def _kind(self, message: bytes) -> bytes:
        kinds = (b"HEL", b"ACK", b"ERR", b"RHE", b"OPN", b"MSG", b"CLO", b"GET", b"\0\0\0")
        return self.chance.choice(kinds) + message[3:]

    def _chunk(self, message: bytes) -> bytes:
        return message[:3] + self.chance.choice((b"C", b"A", b"F", b"X", b"\xff")) + message[4:]

    def _cut(self, message: bytes) -> bytes:
        return message[: self.chance.randrange(1, len(message))] if len(message) > 1 else message

    def _more(self, message: bytes) -> bytes:
        at = self.chance.randrange(len(message))
        return message[:at] + self.chance.randbytes(self.chance.randrange(1, 300)) + message[at:]

    def _twice(self, message: bytes) -> bytes:
        return message + message

    def _noise(self, message: bytes) -> bytes:
        return self.chance.randbytes(self.chance.randrange(1, 200))

    def _oversized(self, message: bytes) -> bytes:
        """A chunk larger than any buffer, all of it there."""
        size = self.chance.choice((65_536, 70_000, 200_000))
        return (
            message[:4] + struct.pack("<I", size) + message[8:] + bytes(max(0, size - len(message)))
        )

    def _unfinished(self, message: bytes) -> bytes:
        """Many chunks of a message whose end never comes."""
        part = message[:3] + b"C" + message[4:]
        return part * self.chance.randrange(2, 200)


class Caller:
    """One connection, from an address of this machine's own network 127/8."""

    def __init__(self, port: int, source: str) -> None:
        self._where = (port, source)
        self._limits = TransportLimits(65_535, 65_535, 0, 0)
        self._channel = SecureConnection(SecurityPolicyNone(), self._limits)
        self._token = ua.NodeId()
        self._request = 0
        self.reader: asyncio.StreamReader
        self.writer: asyncio.StreamWriter

    async def connect(self) -> None:
        """Raises OSError when it is refused."""
        port, source = self._where
        self.reader, self.writer = await asyncio.open_connection(
            "127.0.0.1", port, local_addr=(source, 0)
        )

    def hello(self) -> bytes:
        """A well-formed Hello."""
        asked = ua.Hello()
        asked.ReceiveBufferSize = asked.SendBufferSize = ua.UInt32(65_535)
        asked.EndpointUrl = ua.String(f"opc.tcp://127.0.0.1:{self._where[0]}/edgeflash")
        return uatcp_to_binary(ua.MessageType.Hello, asked)  # type: ignore[arg-type]

    def open(self) -> bytes:
        """A well-formed request for a channel without security."""
        request = ua.OpenSecureChannelRequest()
        request.Parameters.RequestType = ua.SecurityTokenRequestType.Issue
        request.Parameters.SecurityMode = ua.MessageSecurityMode.None_
        request.Parameters.RequestedLifetime = ua.UInt32(30_000)
        request.Parameters.ClientNonce = ua.ByteString(os.urandom(32))
        return self.request(request, ua.MessageType.SecureOpen)

    def request(self, request: Any, kind: Any = ua.MessageType.SecureMessage) -> bytes:
        """A well-formed request of this connection's session."""
        self._request += 1
        request.RequestHeader.AuthenticationToken = self._token
        request.RequestHeader.RequestHandle = ua.UInt32(self._request)
        return self._channel.message_to_binary(struct_to_binary(request), kind, self._request)

    async def answer(self) -> Any:
        """The body of the next answer, or None at the end of the connection or at an error."""
        async with asyncio.timeout(WAIT_S):
            try:
                head = await self.reader.readexactly(8)
                body = await self.reader.readexactly(int.from_bytes(head[4:], "little") - 8)
            except (asyncio.IncompleteReadError, OSError):
                return None
        if head[:3] in (b"ERR", b"ACK"):
            return body if head[:3] == b"ACK" else None
        buffer = Buffer(head + body)
        message = self._channel.receive_from_header_and_body(header_from_binary(buffer), buffer)
        return message.body() if message is not None else None

    async def greeted(self) -> bool:
        """Connected and said hello."""
        await self.connect()
        self.writer.write(self.hello())
        return await self.answer() is not None

    async def opened(self) -> bool:
        """With a channel."""
        if not await self.greeted():
            return False
        self.writer.write(self.open())
        body = await self.answer()
        if body is None:
            return False
        response = struct_from_binary(ua.OpenSecureChannelResponse, body)
        self._channel.set_channel(
            response.Parameters, ua.SecurityTokenRequestType.Issue, os.urandom(32)
        )
        self._channel.revolve_tokens()
        return True

    def create(self) -> bytes:
        """A request for a session."""
        request = ua.CreateSessionRequest()
        request.Parameters.ClientNonce = ua.ByteString(os.urandom(32))
        request.Parameters.SessionName = ua.String("invented")
        request.Parameters.RequestedSessionTimeout = ua.Double(SESSION_MS)
        return self.request(request)

    def activate(self) -> bytes:
        """A request to activate it, as nobody."""
        request = ua.ActivateSessionRequest()
        token = ua.AnonymousIdentityToken()
        token.PolicyId = ua.String("anonymous")
        request.Parameters.UserIdentityToken = token
        return self.request(request)

    async def created(self) -> bool:
        """With a session that is not activated."""
        if not await self.opened():
            return False
        self.writer.write(self.create())
        body = await self.answer()
        if body is None or _is_fault(body):
            return False
        response = struct_from_binary(ua.CreateSessionResponse, body)
        self._token = response.Parameters.AuthenticationToken
        return True

    async def activated(self) -> bool:
        """With a session in use."""
        if not await self.created():
            return False
        self.writer.write(self.activate())
        body = await self.answer()
        return body is not None and not _is_fault(body)

    async def close(self, rudely: bool) -> None:
        """Ends the connection, with a reset or with a word."""
        if rudely:
            self.writer.transport.abort()
        else:
            self.writer.close()
        try:
            async with asyncio.timeout(WAIT_S):
                await self.writer.wait_closed()
        except OSError:
            pass


def _is_fault(body: Any) -> bool:
    kind = nodeid_from_binary(body.copy())
    return bool(
        kind == ua.FourByteNodeId(ua.UInt16(ua.ObjectIds.ServiceFault_Encoding_DefaultBinary))
    )


def requests(index: int) -> list[Any]:
    """A well-formed request of each service that a client may ask for."""
    node = ua.NodeId("fp-101.flash_point_c", ua.Int16(index))
    value = ua.ReadValueId(node, ua.AttributeIds.Value)
    made: list[Any] = []

    def add(request: Any, **fields: object) -> None:
        for name, given in fields.items():
            setattr(request.Parameters, name, given)
        made.append(request)

    add(ua.ReadRequest(), NodesToRead=[value] * 3, TimestampsToReturn=ua.TimestampsToReturn.Both)
    add(
        ua.BrowseRequest(),
        NodesToBrowse=[ua.BrowseDescription(NodeId=node, ResultMask=ua.UInt32(63))],
    )
    written = ua.WriteValue(
        ua.NodeId("inputs.t10", ua.Int16(index)),
        ua.AttributeIds.Value,
        Value=ua.DataValue(ua.Variant(200.0, ua.VariantType.Double)),
    )
    add(ua.WriteRequest(), NodesToWrite=[written])
    add(
        ua.CreateSubscriptionRequest(),
        RequestedPublishingInterval=ua.Double(100.0),
        RequestedLifetimeCount=ua.UInt32(30),
        RequestedMaxKeepAliveCount=ua.UInt32(3),
        PublishingEnabled=True,
    )
    item = ua.MonitoredItemCreateRequest(
        ItemToMonitor=value,
        MonitoringMode=ua.MonitoringMode.Reporting,
        RequestedParameters=ua.MonitoringParameters(QueueSize=ua.UInt32(10)),
    )
    add(
        ua.CreateMonitoredItemsRequest(),
        SubscriptionId=ua.UInt32(1),
        ItemsToCreate=[item],
        TimestampsToReturn=ua.TimestampsToReturn.Both,
    )
    add(ua.PublishRequest())
    add(ua.RegisterNodesRequest(), NodesToRegister=[node])
    add(ua.CallRequest(), MethodsToCall=[ua.CallMethodRequest(ObjectId=node, MethodId=node)])
    path = ua.BrowsePath(
        StartingNode=ua.NodeId(ua.Int32(84)),
        RelativePath=ua.RelativePath(
            Elements=[ua.RelativePathElement(TargetName=ua.QualifiedName("Objects"))]
        ),
    )
    add(ua.TranslateBrowsePathsToNodeIdsRequest(), BrowsePaths=[path])
    made.append(ua.GetEndpointsRequest())
    made.append(ua.CloseSessionRequest(DeleteSubscriptions=True))
    return made
