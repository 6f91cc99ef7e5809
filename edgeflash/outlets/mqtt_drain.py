"""Brings what the journal holds for an outlet to the broker: in order, each at least once.

The position in the journal moves on only after the broker has acknowledged. Few messages are under
way at once and few entries are read at once, however many wait.
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

from edgeflash.errors import StorageError
from edgeflash.journal import EventLine, Journal
from edgeflash.model import Result
from edgeflash.outlets.mqtt_errors import PublishRefusedError
from edgeflash.outlets.mqtt_figures import Owed
from edgeflash.outlets.mqtt_message import Message
from edgeflash.outlets.mqtt_session import Session
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
    """

    journal: Journal
    consumer: str
    after: Callable[[int, int], Sequence[tuple[int, Item]]]
    last: Callable[[], int]
    pending: Callable[[], int]


def result_feed(journal: Journal, consumer: str) -> Feed[Result]:
    """The results, for the consumer of this name."""

    def after(seq: int, limit: int) -> list[tuple[int, Result]]:
        return [(entry.seq, entry.result) for entry in journal.entries_after(seq, limit)]

    return Feed(journal, consumer, after, journal.newest, lambda: journal.pending(consumer))


def event_feed(journal: Journal, consumer: str) -> Feed[EventLine]:
    """The event record, for the consumer of this name."""

    def after(seq: int, limit: int) -> list[tuple[int, EventLine]]:
        return [(line.seq, line) for line in journal.event_lines_after(seq, limit)]

    return Feed(
        journal, consumer, after, journal.last_event, lambda: journal.pending_events(consumer)
    )


class Drain(Generic[Item]):
    """Delivers one feed over one session after another.

    message_of: of a number, its item, and whether it waited for this session.
    """

    def __init__(
        self, feed: Feed[Item], message_of: Callable[[int, Item, bool], Message], outlet: str
    ) -> None:
        self._feed = feed
        self._message_of = message_of
        self._reached = 0
        self._news = asyncio.Event()
        self._failures = 0
        self._log = log.bind(outlet=outlet, consumer=feed.consumer)
        self._delivery_fault = ""
        self._position_fault = ""

    @property
    def fault(self) -> str:
        """Why it does not get on, or would repeat itself after a restart; empty: all is well."""
        return self._delivery_fault or self._position_fault

    def look(self) -> None:
        """There may be something new."""
        self._news.set()

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
        window = max(1, session.most_under_way // 2)
        under_way: deque[tuple[int, asyncio.Future[None]]] = deque()
        before = self._reached
        try:
            for number, item in found:
                if len(under_way) == window:
                    await self._acknowledged(under_way)
                message = self._message_of(number, item, number <= late_up_to)
                under_way.append((number, await session.post(message)))
            while under_way:
                await self._acknowledged(under_way)
            self._works()
        finally:
            if self._reached > before:
                await self._note_reached()

    async def _acknowledged(self, under_way: deque[tuple[int, asyncio.Future[Any]]]) -> None:
        """Waits for the oldest that is under way."""
        number, answered = under_way.popleft()
        await answered
        self._reached = number

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
