"""The Sparkplug outlet: an edge node of sparkplug_node on an MQTT connection.

One task sends everything, in the order in which the node numbered it. Live values go before every
few results of the journal, which are read only as fast as they are sent.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Iterable, Sequence
from pathlib import Path

import structlog

from edgeflash.config.mqtt_entry import MqttEntry
from edgeflash.config.site import Analyzer
from edgeflash.errors import StorageError
from edgeflash.journal import Journal
from edgeflash.model import Result
from edgeflash.outlets.mqtt_connection import MqttConnection, MqttFigures
from edgeflash.outlets.mqtt_message import Message
from edgeflash.outlets.mqtt_session import Session
from edgeflash.outlets.sparkplug_delivery import Delivery
from edgeflash.outlets.sparkplug_node import (
    EdgeNode,
    HostStateError,
    Identity,
    Outgoing,
    PayloadError,
    Phase,
)
from edgeflash.outlets.values import OutletUnits
from edgeflash.publication import View
from edgeflash.service import SYSTEM_CLOCK, Clock

TURN_RESULTS = 50
TURN_S = 0.1
"""Results of a turn, and how long after its beginning the next may begin. Brokers drop QoS 0
messages for a subscriber that is slower than we are."""

PROOF_EVERY_S = 10.0
"""How often evidence is asked for while any is wanted."""

log = structlog.get_logger("edgeflash.sparkplug")


class SparkplugOutlet:
    """Carries all analyzers to the hosts of one broker. site_dir: as MqttConnection has it."""

    def __init__(
        self,
        entry: MqttEntry,
        analyzers: Sequence[Analyzer],
        site_name: str,
        site_dir: Path,
        journal: Journal,
        clock: Clock = SYSTEM_CLOCK,
        *,
        proof_every_s: float = PROOF_EVERY_S,
    ) -> None:
        if entry.group_id is None or entry.node_id is None:
            raise ValueError("an entry for Sparkplug has a group_id and a node_id")
        self._identity = Identity(entry.group_id, entry.node_id, site_name, entry.primary_host)
        self._numbers = {analyzer.id: analyzer.number for analyzer in analyzers}
        self._entry = entry
        self._units = OutletUnits(entry.temperature_unit, entry.pressure_unit)
        self._journal = journal
        self._clock = clock
        self._connection = MqttConnection(entry, site_name, site_dir, clock)
        self._bdseq_key = f"sparkplug {entry.id} bdSeq"
        self._proof_every_s = proof_every_s
        self._node = self._made_node(None)
        self._delivery = Delivery(0, 0.0)
        self._news = asyncio.Event()
        self._newest: dict[str, View] = {}
        self._waiting: dict[str, View] = {}
        self._next_turn_s = self._next_proof_s = self._next_count_s = 0.0
        self._asked: tuple[float, int] | None = None
        self._running: asyncio.Task[None] | None = None
        self._told: set[str] = set()
        self._log = log.bind(outlet=entry.id)

    @property
    def endpoint(self) -> str:
        """Broker, group and node."""
        return f"{self._entry.broker} {self._identity.topic('+')}"

    @property
    def figures(self) -> MqttFigures:
        """How the connection fares."""
        return self._connection.figures

    async def start(self) -> None:
        """Begins to connect, for ever. Raises StorageError when the journal cannot be read."""
        self._node, self._delivery = await asyncio.to_thread(self._from_journal)
        self._running = asyncio.create_task(
            self._connection.run(self), name=f"sparkplug {self._entry.id}"
        )

    async def publish(self, views: Sequence[View]) -> None:
        """Shows these views; never waits for the broker. Raises what ended the connection."""
        for view in views:
            self._newest[view.standing.analyzer] = view
            self._waiting[view.standing.analyzer] = view
        self._news.set()
        if self._running is not None and self._running.done():
            await self._running

    async def stop(self) -> None:
        """Says that the node dies, and disconnects."""
        if self._running is not None:
            self._running.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._running
            self._running = None

    def _made_node(self, bdseq: int | None) -> EdgeNode:
        return EdgeNode(self._identity, self._numbers, self._units, bdseq)

    def _from_journal(self) -> tuple[EdgeNode, Delivery]:
        """The node and the place of its results, as they stood at the last end."""
        journal, consumer = self._journal, self._entry.consumer
        text = journal.states().get(self._bdseq_key, "")
        position = journal.position(consumer)
        if position == 0 and not text and self._entry.start_from == "now":
            position = journal.newest()
            journal.advance(consumer, position)
        overlap_s = 0.0 if self._identity.primary_host is None else self._entry.host_overlap_s
        return self._made_node(int(text) if text.isdigit() else None), Delivery(position, overlap_s)

    # What MqttConnection asks

    async def will(self) -> Message:
        """The node's death, with a bdSeq that is on disk before it is used."""
        death = self._node.connecting(self._clock.utc_now())
        try:
            await asyncio.to_thread(self._journal.put_state, self._bdseq_key, str(self._node.bdseq))
        except StorageError as error:
            self._tell("bdSeq cannot be kept; after a restart it may be used again", error)
        return _message(death)

    async def speak(self, session: Session) -> None:
        """Births, data, commands and results, until the session ends."""
        self._node.connected()
        self._waiting = dict(self._newest)
        self._asked = None
        self._next_turn_s = self._next_proof_s = self._next_count_s = 0.0
        listening = asyncio.create_task(self._listen(session), name=f"{self._entry.id} listens")
        listening.add_done_callback(lambda _: self._news.set())
        try:
            for topic in self._identity.subscriptions:
                await session.subscribe(topic, qos=1)
            await self._send_until_ended(session, listening)
        finally:
            listening.cancel()
            await asyncio.wait({listening})
        session.check()

    async def farewell(self, session: Session) -> None:
        """The node's death, before a clean end."""
        await self._send(session, self._node.leaving(self._clock.utc_now()))

    # The session

    async def _listen(self, session: Session) -> None:
        async for message in session.messages():
            try:
                self._node.received(message.topic, message.payload)
            except (HostStateError, PayloadError) as error:
                self._tell("a message is not believed", error, topic=message.topic)
            self._news.set()

    async def _send_until_ended(self, session: Session, listening: asyncio.Task[None]) -> None:
        node = self._node
        while not listening.done():
            self._news.clear()
            if node.leave_due:
                self._log.warning("the primary host is offline; what is owed waits")
                await self._send(session, node.leaving(self._clock.utc_now()))
                await session.goodbye()
                await session.ended()
                return
            if node.birth_due:
                await self._be_born(session)
                continue
            views, self._waiting = list(self._waiting.values()), {}
            await self._send(session, node.shown(views, self._clock.utc_now()))
            more = node.phase is Phase.BORN and await self._send_results(session)
            await self._prove(session)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(TURN_S if more else None):
                    await self._news.wait()
        await listening  # raises what ended it

    async def _be_born(self, session: Session) -> None:
        try:
            newest, latest = await asyncio.to_thread(self._stock)
        except StorageError as error:
            self._tell("the journal cannot be read; births tell no results", error)
            newest, latest = self._delivery.sent, {}
        views, self._waiting = list(self._waiting.values()), {}
        self._node.shown(views, self._clock.utc_now())  # known to the births; tells nothing itself
        if not self._node.birth_due:  # the host may have gone meanwhile
            return
        self._delivery.begin(newest)
        self._asked = None
        births = self._node.births(latest, self._clock.utc_now())
        await self._send(session, births)
        self._log.info("sparkplug births sent", bdseq=self._node.bdseq, messages=len(births))

    def _stock(self) -> tuple[int, dict[str, Result]]:
        """The last place in the journal, and each analyzer's newest result of no earlier time."""
        newest = self._journal.newest()
        latest = {name: self._journal.latest(name) for name in self._numbers}
        return newest, {name: result for name, result in latest.items() if result is not None}

    async def _send_results(self, session: Session) -> bool:
        """A few results of the journal; True when there may be more."""
        now_s = self._clock.mono_s()
        if now_s < self._next_turn_s:
            return True
        self._next_turn_s = now_s + TURN_S
        node, delivery = self._node, self._delivery
        try:
            entries = await asyncio.to_thread(
                self._journal.entries_after, delivery.sent, TURN_RESULTS
            )
            if len(entries) < TURN_RESULTS:
                node.waiting = 0
            elif now_s >= self._next_count_s:
                self._next_count_s = now_s + 1.0
                node.waiting = await asyncio.to_thread(self._journal.count_after, delivery.sent)
        except StorageError as error:
            self._tell("the journal cannot be read; results wait", error)
            return False
        for entry in entries:
            if node.birth_due or node.leave_due:
                return True
            messages = node.recorded(
                entry.result,
                self._clock.utc_now(),
                is_historical=delivery.is_historical(entry.seq),
            )
            if not messages:
                gone = entry.result.cycle.analyzer
                self._tell(f"results of {gone}, which the site file lacks, are passed over")
            await self._send(session, messages)
            delivery.hand_over(entry.seq, self._clock.mono_s())
        return len(entries) == TURN_RESULTS

    async def _prove(self, session: Session) -> None:
        """Asks the broker for a sign of life, of itself and of the host, and believes it.

        A subscription that stands already is made again: the broker answers it after all it was
        given before, and sends the host's retained STATE anew.
        """
        delivery, host = self._delivery, self._identity.state_topic
        if self._asked is not None:
            asked_s, presences = self._asked
            if self._node.presences > presences or host is None:
                self._asked = None
                if delivery.prove(asked_s):
                    await self._keep_position()
        now_s = self._clock.mono_s()
        if self._node.phase is not Phase.BORN or not delivery.wants_proof(now_s):
            return
        if now_s >= self._next_proof_s:
            self._next_proof_s = now_s + self._proof_every_s
            presences = self._node.presences
            await session.subscribe(host or self._identity.command_topic, qos=1)
            self._asked = (now_s, presences)
            self._news.set()

    async def _keep_position(self) -> None:
        try:
            await self._journal.advance_async(self._entry.consumer, self._delivery.proven)
        except StorageError as error:
            self._tell("the place in the journal cannot be kept; results will be repeated", error)

    async def _send(self, session: Session, messages: Iterable[Outgoing]) -> None:
        for message in messages:
            await session.publish(_message(message))

    def _tell(self, what: str, error: Exception | None = None, **more: str) -> None:
        """Says each thing once for each reason; what comes from others is bounded."""
        why = "" if error is None else str(error)
        if (key := f"{what} {why}"[:500]) not in self._told and len(self._told) < 100:
            self._told.add(key)
            self._log.warning(what, **({"why": why} if why else {}), **more)


def _message(outgoing: Outgoing) -> Message:
    return Message(outgoing.topic, outgoing.payload, outgoing.qos)
