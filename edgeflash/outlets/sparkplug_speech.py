"""What a Sparkplug outlet says in a session: what its edge node says, and the results.

One task sends everything, in the order in which the node numbered it. Live values go before every
few results of the journal, which are read only as fast as they are sent.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Iterable, Mapping, Sequence

import structlog

from edgeflash.config.mqtt_entry import MqttEntry
from edgeflash.errors import StorageError
from edgeflash.journal import Journal
from edgeflash.model import Result
from edgeflash.outlets.mqtt_aside import SetAside
from edgeflash.outlets.mqtt_figures import Owed
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

BIRTHS_EVERY_S = 1.0
"""The least time between two births in one session, however often a host asks."""

MOST_DISBELIEVED = 20
"""Reasons not to believe a message that are told in one session."""

log = structlog.get_logger("edgeflash.sparkplug")


class SparkplugSpeaker:
    """The speaker of one [[mqtt]] entry with form = "sparkplug". numbers: of analyzers, by id."""

    def __init__(
        self,
        entry: MqttEntry,
        site_name: str,
        numbers: Mapping[str, int],
        journal: Journal,
        clock: Clock = SYSTEM_CLOCK,
        *,
        proof_every_s: float = PROOF_EVERY_S,
    ) -> None:
        if entry.group_id is None or entry.node_id is None:
            raise ValueError("an entry for Sparkplug has a group_id and a node_id")
        identity = Identity(entry.group_id, entry.node_id, site_name, entry.primary_host)
        self._entry = entry
        self._journal = journal
        self._clock = clock
        self._analyzers = tuple(numbers)
        self._bdseq_key = f"sparkplug {entry.id} bdSeq"
        self._proof_every_s = proof_every_s
        units = OutletUnits(entry.temperature_unit, entry.pressure_unit)
        self._node = EdgeNode(identity, numbers, units)
        self._overlap_s = 0.0 if identity.primary_host is None else entry.host_overlap_s
        self._delivery = Delivery(0, self._overlap_s)
        self._is_restored = False
        self._news = asyncio.Event()
        self._newest: dict[str, View] = {}
        self._changed: dict[str, View] = {}
        self._next_turn_s = self._next_proof_s = self._next_count_s = self._next_birth_s = 0.0
        self._asked: tuple[float, int] | None = None
        self._told: set[str] = set()
        self._disbelieved: set[str] = set()
        self._log = log.bind(outlet=entry.id)
        self._journal_fault = ""

    @property
    def fault(self) -> str:
        """What a session that stands does not bring to the broker; empty when it brings all."""
        if self._journal_fault:
            return self._journal_fault
        host, node = self._entry.primary_host, self._node
        if host is None or node.phase is Phase.AWAY:
            return ""
        if node.older_states:
            return (
                f"the primary host {host} says what is older than a STATE before it, which stands: "
                "its clock, or somebody who speaks in its name"
            )
        if node.phase is Phase.WAITING:
            return f"the primary host {host} is not online; all waits for it"
        return ""

    def offer(self, views: Sequence[View]) -> None:
        """Takes the newest views of these analyzers."""
        for view in views:
            self._newest[view.standing.analyzer] = view
            self._changed[view.standing.analyzer] = view
        self._news.set()

    async def owed(self) -> tuple[Owed, ...]:
        """How many results are not known to have arrived. Raises StorageError."""
        waiting = await asyncio.to_thread(self._journal.pending, self._entry.consumer)
        return (Owed(waiting, self._delivery.proven),)

    @property
    def aside(self) -> tuple[SetAside, ...]:
        """Nothing: data has QoS 0, and nobody answers for one message."""
        return ()

    def try_again(self) -> int:
        """Nothing is set aside."""
        return 0

    async def give_up(self) -> tuple[SetAside, ...]:
        """Nothing is set aside."""
        return ()

    async def will(self) -> Message:
        """The node's death, with a bdSeq that is on disk before it is used.

        Raises StorageError when the journal cannot be read.
        """
        if not self._is_restored:
            bdseq, position = await asyncio.to_thread(self._stood)
            self._node.restore(bdseq)
            self._delivery = Delivery(position, self._overlap_s)
            self._is_restored = True
        death = self._node.connecting(self._clock.utc_now())
        text = str(self._node.bdseq)
        try:
            await asyncio.to_thread(self._journal.put_state, self._bdseq_key, text)
        except StorageError as error:
            # A full disk must not keep the control system from what is live.
            self._tell("bdSeq cannot be kept; after a restart it may be used again", error)
        return _message(death)

    def _stood(self) -> tuple[int | None, int]:
        """The last bdSeq, and how far the results came."""
        text = self._journal.states().get(self._bdseq_key, "")
        position = self._journal.position(self._entry.consumer)
        return int(text) if text.isdigit() else None, position

    async def speak(self, session: Session) -> None:
        """Births, data, commands and results, until the session ends."""
        self._node.connected()
        self._disbelieved.clear()
        self._changed = dict(self._newest)
        self._asked = None
        self._next_turn_s = self._next_proof_s = self._next_count_s = self._next_birth_s = 0.0
        listening = asyncio.create_task(self._listen(session), name=f"{self._entry.id} listens")
        listening.add_done_callback(lambda _: self._news.set())
        try:
            for topic in self._node.identity.subscriptions:
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
                self._node.received(message.topic, message.payload, is_retained=message.retain)
            except (HostStateError, PayloadError) as error:
                self._disbelieve(message.topic, error)
            self._news.set()

    async def _send_until_ended(self, session: Session, listening: asyncio.Task[None]) -> None:
        node = self._node
        while not listening.done():
            self._news.clear()
            rest_s = self._next_birth_s - self._clock.mono_s()
            node.resting = rest_s > 0
            if node.leave_due:
                self._log.warning("the primary host is offline; what is owed waits")
                await self._send(session, node.leaving(self._clock.utc_now()))
                await session.goodbye()
                await session.ended()
                return
            if node.birth_due:
                await self._be_born(session)
                continue
            views, self._changed = list(self._changed.values()), {}
            await self._send(session, node.shown(views, self._clock.utc_now()))
            more = node.phase is Phase.BORN and await self._send_results(session)
            await self._prove(session)
            await self._wait_for_news(TURN_S if more else rest_s if rest_s > 0 else None)
        await listening  # raises what ended it

    async def _wait_for_news(self, at_most_s: float | None) -> None:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(at_most_s):
                await self._news.wait()

    async def _be_born(self, session: Session) -> None:
        try:
            newest, latest = await asyncio.to_thread(self._stock)
        except StorageError as error:
            self._tell("the journal cannot be read; births tell no results", error)
            newest, latest = self._delivery.sent, {}
        views, self._changed = list(self._changed.values()), {}
        self._node.shown(views, self._clock.utc_now())  # known to the births; tells nothing itself
        if not self._node.birth_due:  # the host may have gone meanwhile
            return
        if self._node.phase is Phase.BORN:
            self._delivery.reborn(newest)
        else:
            self._delivery.begin(newest)
        self._asked = None
        self._next_birth_s = self._clock.mono_s() + BIRTHS_EVERY_S
        births = self._node.births(latest, self._clock.utc_now())
        await self._send(session, births)
        self._log.info("sparkplug births sent", bdseq=self._node.bdseq, messages=len(births))

    def _stock(self) -> tuple[int, dict[str, Result]]:
        """The last place in the journal, and each analyzer's newest result of no earlier time."""
        newest = self._journal.newest()
        latest = {name: self._journal.latest(name) for name in self._analyzers}
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
            self._journal_fault = ""
            if len(entries) < TURN_RESULTS:
                node.waiting = 0
            elif now_s >= self._next_count_s:
                self._next_count_s = now_s + 1.0
                node.waiting = await asyncio.to_thread(self._journal.count_after, delivery.sent)
        except StorageError as error:
            self._tell("the journal cannot be read; results wait", error)
            self._journal_fault = str(error)
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
        return len(entries) == TURN_RESULTS or delivery.again(delivery.sent)

    async def _prove(self, session: Session) -> None:
        """Asks the broker for a sign of life, of itself and of the host, and believes it.

        A subscription that stands already is made again: the broker answers it after all it was
        given before, and sends the host's retained STATE anew.
        """
        delivery, host = self._delivery, self._node.identity.state_topic
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
            await session.subscribe(host or self._node.identity.command_topic, qos=1)
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

    def _disbelieve(self, topic: str, error: Exception) -> None:
        """Says once why a message is not believed, and of so many reasons only: others choose them,
        and must neither fill the log nor keep our own troubles out of it."""
        if (why := str(error)[:200]) in self._disbelieved:
            return
        self._disbelieved.add(why)
        if len(self._disbelieved) <= MOST_DISBELIEVED:
            is_last = len(self._disbelieved) == MOST_DISBELIEVED
            more = {"note": "no others will be told"} if is_last else {}
            self._log.warning("a message is not believed", why=why, topic=topic, **more)
        else:
            self._disbelieved.discard(why)

    def _tell(self, what: str, error: Exception | None = None) -> None:
        """Says each thing once for each reason."""
        why = "" if error is None else str(error)
        if (key := f"{what} {why}"[:500]) not in self._told and len(self._told) < 100:
            self._told.add(key)
            self._log.warning(what, **({"why": why} if why else {}))


def _message(outgoing: Outgoing) -> Message:
    return Message(outgoing.topic, outgoing.payload, outgoing.qos)
