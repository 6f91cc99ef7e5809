"""The event record while the gateway runs: who did what, when, by which way; on disk in order.

A disk that refuses stops no operation. What waits for it is kept in memory, and what is too much
for that is counted and told.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from dataclasses import replace

import structlog

from edgeflash.journal import Journal, UnstorableResultError
from edgeflash.model import EventEntry, EventKind

RETRY_S = 2.0
MOST_WAITING = 2000
"""Lines that may wait for a disk that refuses."""

MOST_REFUSALS = 60
REFUSALS_WITHIN_S = 60.0
"""Refusals and failed log-ins recorded in such a time; more are counted, so that nobody can fill
the disk by being refused."""

LONGEST_NAME, LONGEST_TEXT = 200, 1000

_RATIONED = frozenset({EventKind.REFUSED, EventKind.LOGIN_FAILED})

log = structlog.get_logger("edgeflash.events")


class EventRecord:
    """Takes events in the event loop and puts them on disk. mono_s: the clock of the rationing.

    fault: why events cannot be recorded; empty when they can.
    """

    def __init__(self, journal: Journal, mono_s: Callable[[], float]) -> None:
        self._journal = journal
        self._mono_s = mono_s
        self._waiting: deque[EventEntry] = deque()
        self._under_way = 0
        self._lost = 0
        self._news = asyncio.Event()
        self._is_saved = asyncio.Event()
        self._is_saved.set()
        self._refusals = 0
        self._refusals_since_mono_s = mono_s()
        self._left_out = 0
        self.fault = ""

    @property
    def is_saved(self) -> bool:
        """True when every event is on disk."""
        return self._is_saved.is_set()

    def note(self, entry: EventEntry) -> None:
        """Takes an event; never waits and never fails."""
        if entry.kind in _RATIONED:
            rationed = self._rationed(entry)
            if rationed is None:
                return
            entry = rationed
        if self._lost and not self._waiting:
            entry = replace(entry, text=f"{entry.text} ({self._lost} events before it are lost)")
            self._lost = 0
        entry = replace(
            entry,
            who=_line(entry.who, LONGEST_NAME),
            via=_line(entry.via, LONGEST_NAME),
            subject=_line(entry.subject, LONGEST_NAME),
            text=_line(entry.text, LONGEST_TEXT),
        )
        self._is_saved.clear()
        if self._waiting:
            self._wait(entry)
        else:
            self._send(entry)

    async def saved(self) -> None:
        """Returns when every event is on disk."""
        await self._is_saved.wait()

    async def write_for_ever(self) -> None:
        """Tries again what the disk refused, in order."""
        while True:
            await self._news.wait()
            self._news.clear()
            while self._waiting:
                entry = self._waiting[0]
                try:
                    await asyncio.wrap_future(self._journal.append_event(entry))
                except UnstorableResultError as error:
                    log.error("an event cannot be recorded", why=str(error))
                except Exception as error:
                    self._failed(error)
                    await asyncio.sleep(RETRY_S)
                    continue
                if self._waiting and self._waiting[0] is entry:
                    self._waiting.popleft()
            if self.fault:
                log.info("events can be recorded again", lost=self._lost)
            self.fault = ""
            self._settle()

    def _send(self, entry: EventEntry) -> None:
        """Hands an event to the journal's own thread, so that even an end at once keeps it."""
        self._under_way += 1
        done: asyncio.Future[int] = asyncio.wrap_future(self._journal.append_event(entry))
        done.add_done_callback(lambda future: self._sent(future, entry))

    def _sent(self, future: asyncio.Future[int], entry: EventEntry) -> None:
        self._under_way -= 1
        error = None if future.cancelled() else future.exception()
        if isinstance(error, UnstorableResultError):
            log.error("an event cannot be recorded", why=str(error))
        elif error is not None:
            self._failed(error)
            self._wait(entry)
        self._settle()

    def _wait(self, entry: EventEntry) -> None:
        if len(self._waiting) >= MOST_WAITING:
            self._lost += 1
            return
        self._waiting.append(entry)
        self._news.set()

    def _failed(self, error: BaseException) -> None:
        if not self.fault:
            log.error("events cannot be recorded; they wait", why=str(error) or repr(error))
        self.fault = str(error) or repr(error)

    def _settle(self) -> None:
        if not self._waiting and not self._under_way:
            self._is_saved.set()

    def _rationed(self, entry: EventEntry) -> EventEntry | None:
        now_s = self._mono_s()
        if now_s - self._refusals_since_mono_s > REFUSALS_WITHIN_S:
            self._refusals, self._refusals_since_mono_s = 0, now_s
        self._refusals += 1
        if self._refusals > MOST_REFUSALS:
            self._left_out += 1
            return None
        if self._left_out:
            text = f"{entry.text} (and {self._left_out} more before it were not recorded)"
            self._left_out = 0
            return replace(entry, text=text)
        return entry


def _line(text: str, longest: int) -> str:
    """One line of bounded length, whatever somebody sent."""
    flat = "".join(c if c.isprintable() else " " for c in text)
    return flat if len(flat) <= longest else flat[: longest - 1] + "…"
