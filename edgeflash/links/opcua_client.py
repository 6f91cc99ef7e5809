"""One session with an OPC UA server: connect, sign in, find nodes, read. LinkErrors only.

The library's client can reconnect by itself and starts watchdogs of its own in `connect()`. Both
are left out: the steps of connecting are called one by one, so that each has its time limit, each
attempt is a new object, and the link alone decides when to come back.
"""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any

from asyncua import ua
from asyncua.client.client import Client
from asyncua.client.ua_client import UaClientState
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.object_ids import ObjectIds

from edgeflash.config.node_name import STANDARD_NAMESPACE, NodeName, StepName
from edgeflash.config.opcua_source import OpcUaSource
from edgeflash.links.cancelling import uncancelled
from edgeflash.links.diagnostics import LinkDiagnostics
from edgeflash.links.errors import LinkError, LinkFault
from edgeflash.links.opcua_errors import FAULT_OF_STATUS, status_name, told_as_link_errors
from edgeflash.links.opcua_security import LinkKeys, password_of, secure
from edgeflash.links.opcua_values import NodeValue, usable_time
from edgeflash.service.clock import Clock

LEAST_SESSION_S = 60.0
CHANNEL_S = 600.0
LEAST_CHANNEL_S = 1.0
"""A server that gives less loses us with each channel, and we wait before the next."""
RENEW_AT = 0.75
"""Share of its life after which a channel's keys are renewed (OPC UA Part 4, 5.5.2)."""
MOST_MESSAGE_BYTES = 16 * 1024 * 1024
CHUNK = 256
"""Nodes asked for at once where the server sets no limit of its own."""

CLOCK_NODE = ObjectIds.Server_ServerStatus_CurrentTime

_LIMIT_NODES = (
    ObjectIds.Server_ServerCapabilities_OperationLimits_MaxNodesPerRead,
    ObjectIds.Server_ServerCapabilities_OperationLimits_MaxNodesPerTranslateBrowsePathsToNodeIds,
    ObjectIds.Server_ServerCapabilities_OperationLimits_MaxMonitoredItemsPerCall,
    ObjectIds.Server_ServerCapabilities_MaxArrayLength,
)


def quieten() -> None:
    """The gateway logs one line per change of state; the library would log every retry."""
    for name in ("asyncua.client", "asyncua.crypto", "asyncua.common.subscription"):
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    logging.getLogger("asyncua.uaprotocol").setLevel(logging.ERROR)


class OpcUaClient:
    """A session with one server; use an object for one connection only.

    timeout_s: for each request. silent_s: the longest time without a request that the session must
    survive. on_answer: called for every answer. diagnostics: where reads are counted.
    """

    def __init__(
        self,
        source: OpcUaSource,
        keys: LinkKeys,
        timeout_s: float,
        silent_s: float,
        clock: Clock,
        on_answer: Callable[[], None] = lambda: None,
        diagnostics: LinkDiagnostics | None = None,
    ) -> None:
        quieten()
        self._source, self._keys, self._clock = source, keys, clock
        self._on_answer, self._notes = on_answer, diagnostics or LinkDiagnostics()
        self._client = self._made_client(timeout_s, silent_s)
        self._namespaces: dict[str, int] = {}
        self._renew_at_mono_s = 0.0
        self.nodes_per_read = CHUNK
        self.paths_per_call = CHUNK
        self.items_per_call = CHUNK
        self.elements_per_read: int | None = None
        """The longest array the server sends at once; None: it does not say."""
        self.zero_mono_s: float | None = None
        """Scan.server_zero_mono_s, as it was at the beginning of the session."""

    def _made_client(self, timeout_s: float, silent_s: float) -> Client:
        client = Client(self._source.url, timeout=timeout_s)
        client.name = client.description = "edgeflash"
        client.application_uri = self._keys.application_uri
        client.product_uri = "urn:edgeflash"
        client.session_timeout = round(1000 * max(LEAST_SESSION_S, 3 * silent_s))
        client.secure_channel_timeout = round(1000 * CHANNEL_S)
        client.max_messagesize = MOST_MESSAGE_BYTES
        return client

    @property
    def peer(self) -> str:
        """The server, for sentences."""
        return self._source.url

    @property
    def session(self) -> Any:
        """The library's session, for what subscriptions need. Untyped there in part."""
        return self._client.uaclient.session

    @property
    def namespaces(self) -> Mapping[str, int]:
        """The server's namespaces by URI, as they are in this session."""
        return self._namespaces

    @property
    def objects(self) -> ua.NodeId:
        """The folder of the server's objects."""
        return _node_id(ObjectIds.ObjectsFolder)

    @property
    def is_lost(self) -> bool:
        """True once the connection is gone."""
        return bool(self._client.uaclient.state is not UaClientState.CONNECTED)

    async def open(self) -> None:
        """Connect, check the server, sign in. Raises LinkError."""
        source, client = self._source, self._client
        with told_as_link_errors(self.peer, "connecting"):
            if source.is_secure:
                await uncancelled(secure(client, source, self._keys, self._clock))
            await uncancelled(client.connect_socket())
            _bound(client)
            await uncancelled(client.send_hello())
            await uncancelled(client.open_secure_channel())
        self._note_channel()
        with told_as_link_errors(self.peer, "opening a session"):
            await uncancelled(client.create_session())
        await self._sign_in()
        self._on_answer()
        self._notes.note_connect()
        await self._learn_server()

    async def _sign_in(self) -> None:
        source, client = self._source, self._client
        user, password = source.user, None
        if user is not None:
            password = password_of(source, self._keys)
            policy = client.server_policy(ua.UserTokenType.UserName)
            is_plain = str(policy.SecurityPolicyUri or "None").endswith("None")
            if is_plain and source.security_mode != "sign_and_encrypt":
                raise LinkError(
                    LinkFault.NOT_ADMITTED,
                    f"{self.peer} would take the password unencrypted: set security_mode = "
                    '"sign_and_encrypt", or let the server ask for encrypted passwords',
                )
        with told_as_link_errors(self.peer, f"signing in as {user or 'anonymous'}"):
            await uncancelled(client.activate_session(username=user, password=password))

    async def _learn_server(self) -> None:
        """The server's namespaces and limits, anew in every session: both change at a restart."""
        (listed,) = await self.read([_node_id(ObjectIds.Server_NamespaceArray)])
        if not isinstance(listed.value, list):
            raise LinkError(
                LinkFault.GARBLED, f"{self.peer} gives no list of namespaces ({listed.name})"
            )
        self._namespaces = {str(uri): index for index, uri in enumerate(listed.value)}
        (clock,) = await self.read([_node_id(CLOCK_NODE)])
        shown = None if clock.is_bad or not isinstance(clock.value, datetime) else clock.value
        if (server_time := usable_time(shown)) is not None:
            self.zero_mono_s = self._clock.mono_s() - server_time.timestamp()
        limits: list[int | None] = []
        for node in _LIMIT_NODES:  # one by one: how many may be asked for is not known yet
            (told,) = await self.read([_node_id(node)])
            is_limit = not told.is_bad and isinstance(told.value, int) and told.value > 0
            limits.append(int(str(told.value)) if is_limit else None)
        read, paths, items, self.elements_per_read = limits
        self.nodes_per_read = min(read or CHUNK, CHUNK)
        self.paths_per_call = min(paths or CHUNK, CHUNK)
        self.items_per_call = min(items or CHUNK, CHUNK)

    def node_id(self, name: NodeName) -> ua.NodeId:
        """The node's id in this session. Raises LinkError for a namespace the server lacks."""
        return _node_id(name.identifier, self._index_of(name.namespace))

    def _index_of(self, namespace: str) -> int:
        if namespace == STANDARD_NAMESPACE:
            return 0
        if namespace not in self._namespaces:
            there = ", ".join(uri for uri in self._namespaces if uri != STANDARD_NAMESPACE)
            raise LinkError(
                LinkFault.UNKNOWN_NODE,
                f'{self.peer} has no namespace "{namespace}"; it has: {there}',
            )
        return self._namespaces[namespace]

    async def resolve(
        self, paths: Sequence[tuple[NodeName | None, tuple[StepName, ...]]]
    ) -> list[ua.NodeId]:
        """The nodes at the end of these browse paths. Each has its start, else Objects.

        Raises LinkError for a path that leads nowhere, or to several nodes.
        """
        found: list[ua.NodeId] = []
        for first in range(0, len(paths), self.paths_per_call):
            some = paths[first : first + self.paths_per_call]
            asked = [self._browse_path(start, steps) for start, steps in some]
            with told_as_link_errors(self.peer, "following browse paths"):
                results = await uncancelled(self.session.translate_browsepaths_to_nodeids(asked))
                for (_, steps), result in zip(some, results, strict=True):
                    found.append(self._target(steps, result))
            self._on_answer()
        return found

    def _browse_path(self, start: NodeName | None, steps: tuple[StepName, ...]) -> ua.BrowsePath:
        path = ua.BrowsePath()
        path.StartingNode = _node_id(ObjectIds.ObjectsFolder)
        if start is not None:
            path.StartingNode = self.node_id(start)
        for step in steps:
            element: Any = ua.RelativePathElement()
            element.ReferenceTypeId = _node_id(ObjectIds.HierarchicalReferences)
            element.IsInverse, element.IncludeSubtypes = False, True
            element.TargetName = ua.QualifiedName(step.name, self._index_of(step.namespace))
            path.RelativePath.Elements.append(element)
        return path

    def _target(self, steps: tuple[StepName, ...], result: ua.BrowsePathResult) -> ua.NodeId:
        route = "/".join(map(str, steps))
        if not result.StatusCode.is_good():
            name = status_name(result.StatusCode.value)
            raise LinkError(
                LinkFault.UNKNOWN_NODE, f"{self.peer} has nothing at the path {route} ({name})"
            )
        targets = [t.TargetId for t in result.Targets if t.RemainingPathIndex == 0xFFFFFFFF]
        if len(targets) != 1:
            raise LinkError(
                LinkFault.UNKNOWN_NODE,
                f"{self.peer} has {len(targets)} nodes at the path {route}; name the one by node",
            )
        target = targets[0]
        return _node_id(target.Identifier, target.NamespaceIndex)

    async def read(self, nodes: Sequence[ua.NodeId], ranges: str | None = None) -> list[NodeValue]:
        """The values of these nodes, in as many requests as the server's limit asks for.

        ranges: which elements, of arrays ("0:99"). Raises LinkError.
        """
        values: list[NodeValue] = []
        while len(values) < len(nodes):
            some = nodes[len(values) : len(values) + self.nodes_per_read]
            try:
                values += await self._read_at_once(some, ranges)
            except LinkError as error:
                # Some servers do not state the limit they keep.
                if error.fault is not LinkFault.OVERLOADED or len(some) == 1:
                    raise
                self.nodes_per_read = max(1, len(some) // 2)
        return values

    async def _read_at_once(
        self, nodes: Sequence[ua.NodeId], ranges: str | None
    ) -> list[NodeValue]:
        asked = ua.ReadParameters()
        asked.MaxAge = 0.0
        asked.TimestampsToReturn = ua.TimestampsToReturn.Source
        for node in nodes:
            one = ua.ReadValueId()
            one.NodeId, one.AttributeId, one.IndexRange = node, AttributeIds.Value, ranges
            asked.NodesToRead.append(one)
        self._notes.note_request()
        sent_s = self._clock.mono_s()
        with told_as_link_errors(self.peer, f"reading {len(nodes)} nodes"):
            answered = await uncancelled(self.session.read(asked))
            self._on_answer()
            now_s = self._clock.mono_s()
            self._notes.note_answer(now_s, now_s - sent_s)
            values = [node_value(one) for one in answered]
        if len(values) != len(nodes):
            raise LinkError(
                LinkFault.SHORT_REPLY,
                f"{self.peer} answered {len(values)} of {len(nodes)} nodes",
            )
        return values

    async def renew_if_due(self) -> None:
        """New keys for the channel once most of its life is over. Raises LinkError."""
        if self._clock.mono_s() < self._renew_at_mono_s:
            return
        with told_as_link_errors(self.peer, "renewing the secure channel"):
            await uncancelled(self._client.open_secure_channel(renew=True))
            self._client.uaclient.revolve_security_token()
        self._note_channel()

    @property
    def renew_at_mono_s(self) -> float:
        """When the channel must be renewed, on the monotonic clock."""
        return self._renew_at_mono_s

    def _note_channel(self) -> None:
        # A life of next to nothing would have us compute keys without a pause.
        life_s = max(LEAST_CHANNEL_S, self._client.secure_channel_timeout / 1000)
        self._renew_at_mono_s = self._clock.mono_s() + RENEW_AT * life_s

    async def close(self) -> None:
        """End the session as far as the server still answers, then drop the connection."""
        client = self._client
        protocol = client.uaclient.protocol
        try:
            with contextlib.suppress(Exception):
                # Also ends the library's own task that waits for notifications.
                await uncancelled(client.close_session())
            with contextlib.suppress(Exception):
                await uncancelled(client.close_secure_channel())
        finally:
            client.disconnect_socket()
            if protocol is not None and protocol.transport is not None:
                protocol.transport.abort()  # what a dead peer does not take is not waited for


def _node_id(identifier: Any, namespace_index: Any = 0) -> ua.NodeId:
    """A NodeId. The library types an identifier's kinds by classes of its own."""
    return ua.NodeId(identifier, namespace_index)


def node_value(given: ua.DataValue) -> NodeValue:
    """What the library decoded, as plain values; what is neither number, text nor time stays."""
    code = 0 if given.StatusCode is None else int(given.StatusCode.value)
    value = None if given.Value is None else given.Value.Value
    return NodeValue(
        [_plain(one) for one in value] if isinstance(value, list) else _plain(value),
        code,
        status_name(code),
        given.SourceTimestamp if isinstance(given.SourceTimestamp, datetime) else None,
    )


def _plain(value: object) -> object:
    match value:
        case ua.LocalizedText():
            return value.Text or ""
        case ua.QualifiedName():
            return value.Name or ""
    return value


def is_unknown(value: NodeValue) -> bool:
    """True when the status says that there is no such node to read."""
    return FAULT_OF_STATUS.get(value.status & 0xFFFF0000) is LinkFault.UNKNOWN_NODE


def _bound(client: Client) -> None:
    """Closes the connection once more is received than any proper answer has.

    The library looks at sizes only once all of a chunk is in memory, and takes the server's word
    for how long a message may get.
    """
    protocol = client.uaclient.protocol
    if protocol is None:
        return
    take, connection = protocol.data_received, protocol._connection

    def take_bounded(data: bytes) -> None:
        held = len(protocol.receive_buffer or b"") + connection._incoming_size
        if held + len(data) > MOST_MESSAGE_BYTES:
            if protocol.transport is not None:
                protocol.transport.abort()
            return
        take(data)

    protocol.data_received = take_bounded  # type: ignore[method-assign]
