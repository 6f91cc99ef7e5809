"""Brings what the journal holds for an outlet to the broker: in order, each at least once.

The position in the journal moves on only after the broker has acknowledged, or after what it will
not have has been set aside (`mqtt_aside`). Few messages are under way at once and few entries are
read at once, however many wait.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Generic, Never, TypeVar

import structlog

from edgeflash.config.mqtt_entry import MqttEntry
from edgeflash.errors import StorageError
from edgeflash.journal import EventLine, Journal
from edgeflash.model import Result
from edgeflash.outlets.mqtt_aside import (
    OF_THE_MESSAGE,
    OF_THE_TOPIC,
    TRIES,
    AsideList,
    SetAside,
)
from edgeflash.outlets.mqtt_errors import PublishRefusedError
from edgeflash.outlets.mqtt_figures import Owed
from edgeflash.outlets.mqtt_message import Message
from edgeflash.outlets.mqtt_session import Session
from edgeflash.service import SYSTEM_CLOCK, Clock
from edgeflash.service.backoff import backoff_s

BATCH = 32
"""Entries read at once; with its trace, one may take some hundred kilobytes."""

LOOK_S = 1.0
"""How often the journal is looked at without news."""

RETRY_FIRST_S, RETRY_MAX_S = 1.0, 60.0
"""Before what the broker refused is offered again."""

Item = TypeVar("Item")

log = structlog.get_logger("edgeflash.mqtt")


@dataclass(frozen=True, slots=True)
class Feed(Generic[Item]):
    """What one consumer reads of the journal. All of it blocks, and raises StorageError.

    after: up to so many items behind a number, with their numbers. last: the number of the last.
    name: of an item, for people.
    """

    journal: Journal
    consumer: str
    after: Callable[[int, int], Sequence[tuple[int, Item]]]
    last: Callable[[], int]
    pending: Callable[[], int]
    name: Callable[[int, Item], str]


def result_feed(journal: Journal, consumer: str) -> Feed[Result]:
    """The results, for the consumer of this name."""

    def after(seq: int, limit: int) -> list[tuple[int, Result]]:
        return [(entry.seq, entry.result) for entry in journal.entries_after(seq, limit)]

    def name(seq: int, result: Result) -> str:
        return result.id

    def pending() -> int:
        return journal.pending(consumer)

    return Feed(journal, consumer, after, journal.newest, pending, name)


def event_feed(journal: Journal, consumer: str) -> Feed[EventLine]:
    """The event record, for the consumer of this name."""

    def after(seq: int, limit: int) -> list[tuple[int, EventLine]]:
        return [(line.seq, line) for line in journal.event_lines_after(seq, limit)]

    def name(seq: int, line: EventLine) -> str:
        return f"event {seq}"

    def pending() -> int:
        return journal.pending_events(consumer)

    return Feed(journal, consumer, after, journal.last_event, pending, name)


class _RefusedError(Exception):
    """The broker does not take one message of the stream."""

    def __init__(self, number: int, name: str, refusal: PublishRefusedError) -> None:
        super().__init__(str(refusal))
        self.number, self.name, self.refusal = number, name, refusal


@dataclass(slots=True)
class _Trial:
    """The message that the stream stands at: how often it was refused, and since when."""

    number: int
    since_mono_s: float
    tries: int = 0


class Drain(Generic[Item]):
    """Delivers one feed over one session after another.

    message_of: of a number, its item, and whether it waited for this session. on_aside: is told
    what was set aside, and (with False) what of it was delivered after all, once that is on disk.
    """

    def __init__(
        self,
        feed: Feed[Item],
        message_of: Callable[[int, Item, bool], Message],
        entry: MqttEntry,
        clock: Clock = SYSTEM_CLOCK,
        on_aside: Callable[[SetAside, bool], None] = lambda aside, is_new: None,
    ) -> None:
        self._feed = feed
        self._message_of = message_of
        self._reached = 0
        self._news = asyncio.Event()
        self._failures = 0
        self._patience_s = entry.set_aside_after_s
        self._clock = clock
        self._on_aside = on_aside
        self._trial: _Trial | None = None
        self._aside = AsideList(feed.journal, feed.consumer)
        self._aside.load()
        # A restart may have mended what was wrong.
        self._again = {one.number for one in self._aside.entries}
        self._known: set[tuple[str, int]] = set()
        self._log = log.bind(outlet=entry.id, consumer=feed.consumer)
        self._delivery_fault = ""
        self._position_fault = ""

    @property
    def fault(self) -> str:
        """Why it does not get on, or would repeat itself after a restart; empty: all is well."""
        return self._delivery_fault or self._position_fault

    @property
    def aside(self) -> tuple[SetAside, ...]:
        """What is set aside now."""
        return self._aside.entries

    def look(self) -> None:
        """There may be something new."""
        self._news.set()

    def try_again(self) -> int:
        """Offers what is set aside once more, as soon as there is a session; how many."""
        self._again = {one.number for one in self._aside.entries}
        self._known.clear()
        self._news.set()
        return len(self._again)

    async def give_up(self) -> tuple[SetAside, ...]:
        """Lets go of what is set aside: it is owed no more. Raises StorageError."""
        given = self._aside.entries
        await self._aside.drop([one.number for one in given])
        return given

    async def waiting(self) -> int:
        """How many are owed. Raises StorageError."""
        return await asyncio.to_thread(self._feed.pending)

    async def owed(self) -> Owed:
        """How many are owed, and how far it came. Raises StorageError."""
        noted = await asyncio.to_thread(self._feed.journal.position, self._feed.consumer)
        return Owed(await self.waiting(), max(noted, self._reached))

    async def run(self, session: Session) -> Never:
        """Delivers until cancelled or the session is lost (SessionLostError)."""
        while True:
            try:
                await self._deliver_for_ever(session)
            except _RefusedError as error:
                if await self._set_aside(error):
                    continue
                self._failed(str(error))
            except (PublishRefusedError, StorageError) as error:
                self._failed(str(error))
            delay_s = backoff_s(self._failures, RETRY_FIRST_S, RETRY_MAX_S, random.random)
            self._failures += 1
            await asyncio.sleep(delay_s)

    async def _deliver_for_ever(self, session: Session) -> Never:
        stored = await asyncio.to_thread(self._feed.journal.position, self._feed.consumer)
        self._reached = max(self._reached, stored)
        late_up_to = await asyncio.to_thread(self._feed.last)
        while True:
            self._news.clear()
            await self._offer_again(session)
            found = await asyncio.to_thread(self._feed.after, self._reached, BATCH)
            if found:
                await self._deliver(session, found, late_up_to)
                continue
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(LOOK_S):
                    await self._news.wait()

    async def _deliver(
        self, session: Session, found: Sequence[tuple[int, Item]], late_up_to: int
    ) -> None:
        """One batch. What the broker has acknowledged without a gap is noted, come what may."""
        # Half of the room, so that what is live never waits behind more than that.
        most = max(1, session.most_under_way // 2)
        under_way: deque[tuple[int, Item, asyncio.Future[None]]] = deque()
        before = self._reached
        try:
            for number, item in found:
                # One that was refused goes alone: what is behind it would come again each time.
                window = 1 if self._trial is not None else most
                while len(under_way) >= window:
                    await self._acknowledged(under_way)
                message = self._message_of(number, item, number <= late_up_to)
                try:
                    answered = await session.post(message)
                except PublishRefusedError as refusal:
                    while under_way:
                        await self._acknowledged(under_way)
                    raise _RefusedError(number, self._feed.name(number, item), refusal) from refusal
                under_way.append((number, item, answered))
            while under_way:
                await self._acknowledged(under_way)
            self._works()
        finally:
            if self._reached > before:
                await self._note_reached()

    async def _acknowledged(self, under_way: deque[tuple[int, Item, asyncio.Future[Any]]]) -> None:
        """Waits for the oldest that is under way."""
        number, item, answered = under_way.popleft()
        try:
            await answered
        except PublishRefusedError as refusal:
            raise _RefusedError(number, self._feed.name(number, item), refusal) from refusal
        self._reached = number
        self._trial = None
        if number in self._aside:
            await self._arrived(number)

    async def _set_aside(self, error: _RefusedError) -> bool:
        """Counts a refusal; True when the message is set aside and its place is passed."""
        number, refusal, now_s = error.number, error.refusal, self._clock.mono_s()
        if self._trial is None or self._trial.number != number:
            self._trial = _Trial(number, now_s)
        self._trial.tries += 1
        is_known = (refusal.topic, refusal.code) in self._known
        is_enough = self._trial.tries >= TRIES and (
            now_s - self._trial.since_mono_s >= self._patience_s
        )
        if refusal.code not in OF_THE_MESSAGE or not (is_enough or is_known):
            return False
        if self._aside.is_full and number not in self._aside:
            return False
        at = self._clock.utc_now()
        aside = SetAside(number, error.name, refusal.topic, refusal.code, str(refusal), at)
        try:
            await self._aside.put(aside)
        except StorageError as failure:
            self._failed(str(failure))
            return False
        if refusal.code in OF_THE_TOPIC:
            self._known.add((refusal.topic, refusal.code))
        self._reached, self._trial = number, None
        self._log.error(
            "mqtt: a message is refused for a reason of its own and set aside; it is not delivered",
            id=aside.id,
            topic=aside.topic,
            why=aside.why,
        )
        self._on_aside(aside, True)
        self._works()
        await self._note_reached()
        return True

    async def _offer_again(self, session: Session) -> None:
        """Offers what was set aside, each once; what is refused for its own sake stays so."""
        for number in sorted(self._again):
            found = await asyncio.to_thread(self._feed.after, number - 1, 1)
            if not found or found[0][0] != number:
                if number in self._aside:
                    self._log.error("mqtt: what was set aside is gone from the journal", at=number)
                    await self._aside.drop([number])
                self._again.discard(number)
                continue
            if number not in self._aside:
                self._again.discard(number)
                continue
            try:
                await session.publish(self._message_of(number, found[0][1], True))
            except PublishRefusedError as refusal:
                if refusal.code not in OF_THE_MESSAGE:
                    raise
                self._again.discard(number)
                continue
            self._again.discard(number)
            await self._arrived(number)

    async def _arrived(self, number: int) -> None:
        """What was set aside has been taken after all."""
        aside = self._aside.get(number)
        if aside is None:
            return  # given up meanwhile
        await self._aside.drop([number])
        self._known.discard((aside.topic, aside.code))
        self._log.info("mqtt: what was set aside is delivered", id=aside.id, topic=aside.topic)
        self._on_aside(aside, False)

    async def _note_reached(self) -> None:
        """A disk that refuses costs repeats after a restart, and holds up nothing."""
        try:
            await self._feed.journal.advance_async(self._feed.consumer, self._reached)
        except StorageError as error:
            if not self._position_fault:
                self._log.error("mqtt: what was delivered cannot be noted", why=str(error))
            self._position_fault = f"what was delivered cannot be noted: {error}"
        else:
            self._position_fault = ""

    def _works(self) -> None:
        if self._delivery_fault:
            self._log.info("mqtt delivers again")
        self._delivery_fault, self._failures = "", 0

    def _failed(self, why: str) -> None:
        if why != self._delivery_fault:
            self._log.error("mqtt does not deliver; what is owed waits", why=why)
        self._delivery_fault = why
