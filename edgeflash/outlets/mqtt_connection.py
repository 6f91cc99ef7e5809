"""Keeps an MQTT outlet in session with its broker: connects, and connects again, for ever.

What is said in a session is the business of a Speaker; when and how there is one is decided here.
"""

from __future__ import annotations

import asyncio
import random
from collections import deque
from collections.abc import Coroutine
from datetime import datetime
from pathlib import Path
from typing import Any, Protocol

import structlog

from edgeflash.config.mqtt_entry import MqttEntry
from edgeflash.outlets.mqtt_errors import MqttOutletError
from edgeflash.outlets.mqtt_figures import MqttFigures
from edgeflash.outlets.mqtt_message import Message
from edgeflash.outlets.mqtt_security import password_of, tls_context
from edgeflash.outlets.mqtt_session import Session, opened
from edgeflash.outlets.mqtt_topics import client_id_of
from edgeflash.service import SYSTEM_CLOCK, Clock
from edgeflash.service.backoff import backoff_s

__all__ = ["MqttConnection", "MqttFigures", "Speaker", "together"]

FAREWELL_S = 1.0
"""For the last words of a clean end."""

STEADY_S = 10.0
"""A session that stood so long was a good one: after it the waiting begins anew."""

MOST_RECONNECTS, WITHIN_S = 3, 60.0
"""More connections than that in such a time are told as a fault of their own."""

log = structlog.get_logger("edgeflash.mqtt")


class Speaker(Protocol):
    """What is said to the broker."""

    async def will(self) -> Message | None:
        """What the broker publishes when the next session ends without a goodbye."""

    async def speak(self, session: Session) -> None:
        """Speaks until cancelled, or until the session is lost (SessionLostError)."""

    async def farewell(self, session: Session) -> None:
        """The last words before a goodbye; cut short after FAREWELL_S."""


class MqttConnection:
    """The sessions of one [[mqtt]] entry. site_dir: what its files' relative paths start from."""

    def __init__(
        self, entry: MqttEntry, site_name: str, site_dir: Path, clock: Clock = SYSTEM_CLOCK
    ) -> None:
        self.entry = entry
        self.client_id = client_id_of(entry, site_name)
        self._site_dir = site_dir
        self._clock = clock
        self._session: Session | None = None
        self._since: datetime | None = None
        self._attempts = 0
        self._sessions = 0
        self._sent_before = 0
        self._fault = "not connected yet"
        self._told: set[str] = set()
        self._began_mono_s: deque[float] = deque(maxlen=MOST_RECONNECTS + 1)
        self._log = log.bind(outlet=entry.id, broker=entry.broker)

    @property
    def figures(self) -> MqttFigures:
        """How it fares now."""
        sent = self._sent_before + (self._session.sent if self._session is not None else 0)
        is_steady = (
            self._session is not None and self._clock.mono_s() - self._began_mono_s[-1] > WITHIN_S
        )
        return MqttFigures(
            self.entry.id,
            self.entry.broker,
            connected_since=self._since,
            attempts=self._attempts,
            sessions=self._sessions,
            sent=sent,
            fault="" if is_steady else self._fault,
        )

    async def run(self, speaker: Speaker) -> None:
        """Keeps a session for ever. Cancelled, it lets the speaker say its last words."""
        attempt = 0
        while True:
            self._attempts += 1
            try:
                await self._one_session(speaker)
            except MqttOutletError as error:
                self._failed(str(error))
            finally:
                lasted_s = self._over()
            attempt = 0 if lasted_s > STEADY_S else attempt
            first_s, max_s = self.entry.backoff_first_s, self.entry.backoff_max_s
            await asyncio.sleep(backoff_s(attempt, first_s, max_s, random.random))
            attempt += 1

    async def _one_session(self, speaker: Speaker) -> None:
        entry = self.entry
        context = await asyncio.to_thread(tls_context, entry, self._site_dir)
        password = await asyncio.to_thread(password_of, entry, self._site_dir)
        will = await speaker.will()
        async with opened(entry, self.client_id, will, context, password) as session:
            self._began(session)
            speaking = asyncio.create_task(speaker.speak(session), name=f"mqtt {entry.id} speaks")
            ended = asyncio.create_task(session.ended(), name=f"mqtt {entry.id} listens")
            try:
                await asyncio.wait({speaking, ended}, return_when=asyncio.FIRST_COMPLETED)
            except asyncio.CancelledError:
                await _stopped(speaking, ended)
                if await self._farewell(speaker, session):
                    await session.goodbye()
                raise  # without a goodbye the will says what we could not
            finally:
                await _stopped(speaking, ended)
            if not speaking.cancelled() and (error := speaking.exception()) is not None:
                raise error
            session.check()
            raise AssertionError("a speaker must not end before its session")

    async def _farewell(self, speaker: Speaker, session: Session) -> bool:
        """Whether the broker took the last words."""
        try:
            async with asyncio.timeout(FAREWELL_S):
                await speaker.farewell(session)
        except (MqttOutletError, TimeoutError) as error:
            self._log.warning("the broker did not take our last words", why=str(error) or "late")
            return False
        return True

    def _began(self, session: Session) -> None:
        now_s = self._clock.mono_s()
        self._session, self._since = session, self._clock.utc_now()
        self._sessions += 1
        self._began_mono_s.append(now_s)
        many = len(self._began_mono_s) > MOST_RECONNECTS
        if many and now_s - self._began_mono_s[0] < WITHIN_S:
            self._fault = (
                f"connected {len(self._began_mono_s)} times within {WITHIN_S:g} s; is there "
                f'another client with the id "{self.client_id}"?'
            )
            if "often" not in self._told:
                self._log.warning("mqtt connects again and again", why=self._fault)
            self._told = {"often"}
            return
        self._fault, self._told = "", set()
        self._log.info("mqtt connected", sessions=self._sessions)

    def _failed(self, why: str) -> None:
        """Says each reason of an outage once."""
        self._fault = why
        if why not in self._told and "often" not in self._told:
            self._log.warning("mqtt is not connected; what is owed waits", why=why)
        self._told.add(why)

    def _over(self) -> float:
        """Notes the end of a session, if there was one; how long it stood, in seconds."""
        if self._session is None:
            return 0.0
        self._sent_before += self._session.sent
        self._session, self._since = None, None
        return self._clock.mono_s() - self._began_mono_s[-1]


async def _stopped(*tasks: asyncio.Task[None]) -> None:
    """Cancels tasks and waits for their end; of several failures only one is told."""
    for task in tasks:
        task.cancel()
    await asyncio.wait(tasks)
    for task in tasks:
        if not task.cancelled():
            task.exception()


async def together(*works: Coroutine[Any, Any, None]) -> None:
    """Runs them at the same time until one ends, then ends the others; raises what it raised."""
    tasks = [asyncio.create_task(work) for work in works]
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        await _stopped(*tasks)
    for task in done:
        task.result()
