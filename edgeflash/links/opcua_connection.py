"""One connection to an analyzer's OPC UA server: its mapped nodes, read or subscribed to."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import structlog
from asyncua import ua

from edgeflash.config.node_map import NodeMap
from edgeflash.config.node_name import parsed_node, parsed_path
from edgeflash.config.site import Analyzer
from edgeflash.links.diagnostics import LinkDiagnostics
from edgeflash.links.errors import LinkError, LinkFault
from edgeflash.links.node_reading import NodeQuery
from edgeflash.links.opcua_client import OpcUaClient, is_unknown
from edgeflash.links.opcua_errors import TOO_LARGE
from edgeflash.links.opcua_security import LinkKeys
from edgeflash.links.opcua_subscription import NodeSubscription
from edgeflash.links.opcua_values import (
    MOST_ELEMENTS,
    TYPE_MISMATCH,
    NodeValue,
    array_decoder,
    scalar_decoder,
)
from edgeflash.links.reading import ARRAY_ROLES, NUMBER_ROLES
from edgeflash.links.stamp_habit import StampHabit
from edgeflash.model import Role
from edgeflash.service.clock import Clock

RANGE = 256
"""Elements asked for at once of an array that is too large to be sent whole."""
COMPARE_EVERY_S = 10.0
"""How often subscribed values are read as well, to see that changes are still notified."""
RESUBSCRIBE_S = 5.0

_log = structlog.get_logger(__name__)


class OpcUaConnection:
    """A connection; use an object for one connection only. on_wake: a subscribed number moved."""

    def __init__(
        self,
        analyzer: Analyzer,
        node_map: NodeMap,
        keys: LinkKeys,
        clock: Clock,
        on_answer: Callable[[], None] = lambda: None,
        on_wake: Callable[[], None] = lambda: None,
        diagnostics: LinkDiagnostics | None = None,
        habit: StampHabit | None = None,
    ) -> None:
        assert analyzer.opcua is not None  # the site's checks choose the link by it
        self._analyzer, self._source, self._map = analyzer, analyzer.opcua, node_map
        self._clock, self._on_wake = clock, on_wake
        self._habit = habit or StampHabit()
        self._number = _number_of(node_map)
        self._client = OpcUaClient(
            analyzer.opcua,
            keys,
            analyzer.timeout_s,
            analyzer.poll_s,
            clock,
            on_answer,
            diagnostics,
        )
        self._nodes: dict[Role, ua.NodeId] = {}
        self._subscription: NodeSubscription | None = None
        self._lost_why = ""
        self._compared_mono_s = self._subscribed_mono_s = clock.mono_s()

    @property
    def is_lost(self) -> bool:
        """True once the connection is gone."""
        return self._client.is_lost

    @property
    def server_zero_mono_s(self) -> float | None:
        """As in Scan."""
        return self._client.zero_mono_s

    @property
    def renew_at_mono_s(self) -> float:
        """When something is to be done although nothing is to be read."""
        return self._client.renew_at_mono_s

    async def renew_if_due(self) -> None:
        """New keys for the channel once most of its life is over. Raises LinkError."""
        await self._client.renew_if_due()

    async def open(self) -> None:
        """Connect, find every mapped node anew, see that it can be its role, subscribe.

        Raises LinkError.
        """
        await self._client.open()
        await self._find_nodes()
        await self._try_nodes()
        await self._subscribe()

    async def close(self) -> None:
        """End the session as far as the server still answers, then drop the connection."""
        await self._client.close()

    async def _find_nodes(self) -> None:
        namespaces = self._map.map.namespaces
        by_path = []
        for role, place in self._map.roles.items():
            if place.node is not None:
                node = self._client.node_id(parsed_node(place.node, namespaces))
                self._nodes[role] = node
            elif place.path is not None:
                start = parsed_node(place.start, namespaces) if place.start is not None else None
                by_path.append((role, (start, parsed_path(place.path, namespaces))))
        found = await self._client.resolve([path for _, path in by_path])
        self._nodes |= dict(zip((role for role, _ in by_path), found, strict=True))

    async def _try_nodes(self) -> None:
        """Reads every mapped node once: one that is not there, or no value of its role, is told."""
        scalars = [role for role in self._nodes if role not in ARRAY_ROLES]
        values = await self._client.read([self._nodes[role] for role in scalars])
        tried = dict(zip(scalars, values, strict=True))
        for role in self._nodes:
            if role in ARRAY_ROLES:
                tried[role] = await self._read_array(self._nodes[role], 2)
        for role, value in tried.items():
            place = self._map.roles[role]
            where = f"{self._client.peer}, role {role} ({place.node or '/'.join(place.path or ())})"
            if is_unknown(value):
                raise LinkError(
                    LinkFault.UNKNOWN_NODE,
                    f"{where}: there is no such value to read ({value.name}); correct the map",
                )
            if role in ARRAY_ROLES:
                told = array_decoder(role, place)(value, 2)[1]
            else:
                told = scalar_decoder(role, place)(value)[1]
            if told == TYPE_MISMATCH:
                raise LinkError(
                    LinkFault.WRONG_TYPE,
                    f"{where}: holds {_kind(value.value)}, which cannot be this role; "
                    "correct the map",
                )

    async def read(self, query: NodeQuery) -> list[NodeValue]:
        """The values of the query's roles, in its order. Raises LinkError."""
        await self._client.renew_if_due()
        if query.roles and query.roles[0] in ARRAY_ROLES:
            return [await self._read_array(self._nodes[r], query.elements) for r in query.roles]
        told = await self._notified() if query.is_live else {}
        asked = [role for role in query.roles if role not in told]
        values = await self._client.read([self._nodes[role] for role in asked])
        read = dict(zip(asked, values, strict=True))
        for role, value in read.items():
            if is_unknown(value):
                # It was there when we connected: the server has changed under us.
                raise LinkError(
                    LinkFault.SESSION_LOST, f"{self._client.peer} no longer has the node of {role}"
                )
            if self._subscription is not None:
                self._subscription.compare(role, value)
        values = [read[role] if role in read else told[role] for role in query.roles]
        if query.is_live and self._number in read:
            self._note_number(read[self._number])
            values = [self._habit.judged(value) for value in values]
        return values

    def _note_number(self, number: NodeValue) -> None:
        before = self._habit.is_still
        self._habit.note(number, self._clock.mono_s())
        if self._habit.is_still and not before:
            _log.warning("source_not_sampled", analyzer=self._analyzer.id)
        elif before and not self._habit.is_still:
            _log.info("source_sampled_again", analyzer=self._analyzer.id)

    async def _notified(self) -> Mapping[Role, NodeValue]:
        """What the subscription has brought and need not be read now. Mends a lost one.

        Numbers are always read, and from time to time everything, so that a subscription that
        tells nothing more delays a result by one poll at most, and is found out.
        """
        if self._source.subscribe and self._wanted():
            await self._look_after_subscription()
        subscription, now_s = self._subscription, self._clock.mono_s()
        if subscription is None:
            return {}
        if now_s - self._compared_mono_s >= COMPARE_EVERY_S:
            self._compared_mono_s = now_s
            return {}
        return {r: v for r, v in subscription.latest.items() if r not in NUMBER_ROLES}

    def _wanted(self) -> dict[Role, ua.NodeId]:
        roles = self._map.roles
        return {r: node for r, node in self._nodes.items() if roles[r].read == "subscribe"}

    async def _look_after_subscription(self) -> None:
        now_s = self._clock.mono_s()
        if self._subscription is not None and (why := self._subscription.why_lost):
            self._tell(why)
            lost, self._subscription = self._subscription, None
            try:
                await lost.close()
            except LinkError as error:
                if self._client.is_lost or not _is_refusal(error):
                    raise
        if self._subscription is None and now_s - self._subscribed_mono_s >= RESUBSCRIBE_S:
            await self._subscribe()

    async def _subscribe(self) -> None:
        """Subscribes to what the map asks for; what the server refuses is read with every poll."""
        wanted = self._wanted() if self._source.subscribe else {}
        self._subscribed_mono_s = self._compared_mono_s = self._clock.mono_s()
        if not wanted:
            return
        subscription = NodeSubscription(
            self._client,
            self._source.publishing_interval_s,
            self._analyzer.timeout_s,
            self._clock.mono_s,
            frozenset(NUMBER_ROLES),
            self._on_wake,
        )
        timed = frozenset(r for r in wanted if self._map.roles[r].source_time)
        try:
            await subscription.open(wanted, timed)
        except LinkError as error:
            if self._client.is_lost or not _is_refusal(error):
                raise
            self._tell(error.sentence)
            return
        self._subscription = subscription
        refused = ", ".join(sorted(subscription.refused))
        self._tell(f"the server does not watch {refused}" if refused else "")

    def _tell(self, why: str) -> None:
        """Says once when values must be read instead of notified, and once when no longer."""
        if why and not self._lost_why:
            _log.warning("subscription_lost", analyzer=self._analyzer.id, why=why)
        if self._lost_why and not why:
            _log.info("subscription_works_again", analyzer=self._analyzer.id)
        self._lost_why = why

    async def _read_array(self, node: ua.NodeId, elements: int | None) -> NodeValue:
        """An array's first elements: whole where that can be, else piece by piece.

        The pieces are of several instants; the steps read the block's header before and after.
        """
        most = self._client.elements_per_read
        wanted = MOST_ELEMENTS if elements is None else min(elements, MOST_ELEMENTS)
        if most is None or (elements is not None and elements <= most):
            try:
                (whole,) = await self._client.read([node])
            except LinkError as error:
                if error.code not in TOO_LARGE:
                    raise
            else:
                if whole.status & 0xFFFF0000 not in TOO_LARGE:
                    return whole
        return await self._read_pieces(node, wanted, min(most or RANGE, RANGE))

    async def _read_pieces(self, node: ua.NodeId, wanted: int, size: int) -> NodeValue:
        found: list[object] = []
        while True:
            last = min(len(found) + size, wanted) - 1
            span = f"{len(found)}:{last}" if last > len(found) else f"{len(found)}"
            (piece,) = await self._client.read([node], span)
            values = piece.value if isinstance(piece.value, list) else []
            found += values
            # An array that ends where a piece does answers that there is no more of it.
            if not found or len(values) < size or len(found) >= wanted:
                at_end = piece.is_bad and bool(found) and not values
                return NodeValue(found) if at_end else _joined(found, piece)


def _number_of(node_map: NodeMap) -> Role | None:
    """The role that tells one result from the next by its value."""
    return next((r for r in NUMBER_ROLES if r in node_map.roles), None)


def _joined(found: list[object], last: NodeValue) -> NodeValue:
    """The whole array with the status of its last piece."""
    value: object = None if last.is_bad else found
    return NodeValue(value, last.status, last.name, last.source_time)


def _is_refusal(error: LinkError) -> bool:
    """True for an orderly answer that leaves the session as it is."""
    return error.fault in (
        LinkFault.OVERLOADED,
        LinkFault.SERVER_FAILURE,
        LinkFault.NOT_ADMITTED,
    )


def _kind(value: object) -> str:
    match value:
        case bool():
            return "true or false"
        case int() | float():
            return "a number"
        case str():
            return "a text"
        case list():
            return "a list"
    return f"a value of type {type(value).__name__}"
