"""What an MQTT outlet in plain JSON says in a session: states, results, events, and its status."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable, Sequence
from datetime import datetime

import structlog

from edgeflash.config.mqtt_entry import MqttEntry
from edgeflash.errors import StorageError
from edgeflash.journal import EventLine, Journal
from edgeflash.model import CycleSource, EventEntry, EventKind, Result
from edgeflash.outlets.mqtt_aside import SetAside
from edgeflash.outlets.mqtt_connection import together
from edgeflash.outlets.mqtt_drain import Drain, event_feed, result_feed
from edgeflash.outlets.mqtt_errors import PublishRefusedError
from edgeflash.outlets.mqtt_figures import Owed
from edgeflash.outlets.mqtt_members import JSON_TYPE, document
from edgeflash.outlets.mqtt_message import Message
from edgeflash.outlets.mqtt_now import STATE, STATUS, StateFacts, StatusFacts
from edgeflash.outlets.mqtt_records import EVENT, RESULT, EventFacts, ResultFacts
from edgeflash.outlets.mqtt_session import Session
from edgeflash.outlets.mqtt_states import StateStream
from edgeflash.outlets.mqtt_topics import Topics
from edgeflash.outlets.values import OutletUnits
from edgeflash.publication import View
from edgeflash.service import SYSTEM_CLOCK, Clock

log = structlog.get_logger("edgeflash.mqtt")

LOST, ENDED = "the connection was lost", "the gateway was ended"


class JsonSpeaker:
    """The speaker of one [[mqtt]] entry with form = "json"."""

    def __init__(
        self,
        entry: MqttEntry,
        site_name: str,
        analyzers: Sequence[str],
        journal: Journal,
        clock: Clock = SYSTEM_CLOCK,
        note: Callable[[EventEntry], None] = lambda entry: None,
    ) -> None:
        self._entry = entry
        self._note = note
        self._site = site_name
        self._analyzers = tuple(analyzers)
        self._clock = clock
        self._units = OutletUnits(entry.temperature_unit, entry.pressure_unit)
        self._since = clock.utc_now()
        self._counts: dict[str, int] = {}
        self._status_fault = ""
        self.topics = Topics.of(entry, site_name)
        self._states = StateStream(entry, self._units, self._state, clock)
        results, events = (
            result_feed(journal, entry.consumer),
            event_feed(journal, entry.event_consumer),
        )
        self._results = Drain(results, self._result, entry, clock, self._note_aside)
        # An event about an event that is refused would be refused too, without an end.
        self._events = Drain(events, self._event, entry, clock)

    @property
    def fault(self) -> str:
        """What a session that stands does not bring to the broker; empty when it brings all."""
        drains = self._results.fault or self._events.fault
        return drains or self._states.fault or self._status_fault

    def offer(self, views: Sequence[View]) -> None:
        """Takes the newest views of these analyzers."""
        self._states.offer(views)
        for view in views:
            counts = view.standing.counts
            judged = counts.accepted + counts.doubtful + counts.rejected
            if self._counts.get(view.standing.analyzer) != judged:
                self._counts[view.standing.analyzer] = judged
                self._results.look()

    async def owed(self) -> tuple[Owed, ...]:
        """What is owed of results and of events. Raises StorageError."""
        return await self._results.owed(), await self._events.owed()

    @property
    def aside(self) -> tuple[SetAside, ...]:
        """Messages that are set aside."""
        return (*self._results.aside, *self._events.aside)

    def try_again(self) -> int:
        """Offers what is set aside once more; how many messages."""
        return self._results.try_again() + self._events.try_again()

    async def give_up(self) -> tuple[SetAside, ...]:
        """Lets go of what is set aside. Raises StorageError."""
        return (*await self._results.give_up(), *await self._events.give_up())

    def _note_aside(self, aside: SetAside, is_new: bool) -> None:
        kind = EventKind.MESSAGE_SET_ASIDE if is_new else EventKind.MESSAGE_DELIVERED
        text = f"{aside.id}: {aside.why}" if is_new else f"{aside.id}: the broker has it after all"
        subject = f"mqtt {self._entry.id}"
        self._note(EventEntry(self._clock.utc_now(), kind, subject=subject, text=text))

    async def will(self) -> Message:
        """The status that the broker publishes when it loses us."""
        self._since = self._clock.utc_now()
        return self._status(self._since, LOST, is_online=False)

    async def speak(self, session: Session) -> None:
        """Says everything, live and late side by side."""
        self._states.begin()
        await together(
            self._states.run(session),
            self._results.run(session),
            self._events.run(session),
            self._say_status(session),
        )

    async def farewell(self, session: Session) -> None:
        """Tells that nothing in here may be used any more, and takes back the states that the
        broker could not withdraw by itself (before MQTT 5)."""
        await session.publish(self._status(self._clock.utc_now(), ENDED, is_online=False))
        if self._entry.protocol != "5":
            gone = (Message(self.topics.state(name), b"", 1, True) for name in self._analyzers)
            for taken in [await session.post(one) for one in gone]:
                await taken

    async def _say_status(self, session: Session) -> None:
        """Online once the states are there: what was retained before may be old."""
        await self._states.all_shown.wait()
        while True:
            try:
                waiting: tuple[int | None, int | None] = (
                    await self._results.waiting(),
                    await self._events.waiting(),
                )
            except StorageError:  # the drains tell it
                waiting = None, None
            status = self._status(self._clock.utc_now(), "", *waiting, is_online=True)
            try:
                await session.publish(status)
                self._status_fault = ""
            except PublishRefusedError as refusal:
                if not self._status_fault:
                    log.error("mqtt: the status is not taken", outlet=self._entry.id)
                self._status_fault = str(refusal)
            await asyncio.sleep(self._entry.heartbeat_s)

    def _status(
        self,
        at: datetime,
        reason: str,
        results: int | None = None,
        events: int | None = None,
        *,
        is_online: bool,
    ) -> Message:
        facts = StatusFacts(
            self._site,
            self._entry.id,
            is_online,
            at,
            self._since,
            reason,
            self._analyzers,
            self._entry.state_valid_s,
            results,
            events,
        )
        content = document(STATUS, facts)
        # "online" must not outlive a broker that died with us and comes back alone.
        expiry_s = math.ceil(self._entry.state_valid_s) if is_online else None
        return Message(self.topics.status, content, 1, True, expiry_s, JSON_TYPE)

    def _state(self, view: View) -> Message:
        valid_s = self._entry.state_valid_s
        facts = StateFacts(self._site, view, self._units, valid_s)
        # An old view, as of a gateway that is stuck, is withdrawn when it says so.
        left_s = valid_s - (self._clock.utc_now() - view.at).total_seconds()
        return Message(
            self.topics.state(view.standing.analyzer),
            document(STATE, facts),
            1,
            True,
            math.ceil(min(valid_s, max(left_s, 1.0))),
            JSON_TYPE,
        )

    def _result(self, seq: int, result: Result, is_late: bool) -> Message:
        # What the analyzer had kept is history too: a newer one may have been shown already.
        is_late = is_late or result.cycle.source is CycleSource.RING
        facts = ResultFacts(self._site, result, self._units, is_late, self._clock.utc_now())
        topic = self.topics.results(result.cycle.analyzer)
        return Message(topic, document(RESULT, facts), 1, content_type=JSON_TYPE)

    def _event(self, number: int, line: EventLine, is_late: bool) -> Message:
        now = self._clock.utc_now()
        facts = EventFacts(self._site, line.event, number, line.journal_begun_at, is_late, now)
        topic = self.topics.events(line.event.analyzer)
        return Message(topic, document(EVENT, facts), 1, content_type=JSON_TYPE)
