"""Keeps the history: brings it up to date, and once an hour lets go of what is old enough."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import datetime, timedelta
from functools import partial
from typing import Any

import structlog

from edgeflash.config.site import History, Site
from edgeflash.errors import EdgeflashError
from edgeflash.history import CONSUMER, EVENTS_CONSUMER, HistoryWriter, Limits, TableName
from edgeflash.journal import Journal, JournalReader
from edgeflash.model import EventEntry
from edgeflash.service import Clock
from edgeflash.service.memory import give_back_memory

UPKEEP_EVERY_S = 3600.0
LAST_FLUSH_S = 1.0
EVENTS = "events:"
"""How the names of those consumers of the journal begin that take the event record."""

Owed = Mapping[TableName, datetime]
"""From which time on somebody still wants the rows of a table."""

log = structlog.get_logger("edgeflash.gateway")


class HistoryKeeper:
    """Flushes every flush_s; trims the journal and deletes old files once an hour.

    note: takes the events of what was deleted, on the event loop. told_fault: why the history
    cannot be written; empty when it can. consumers: the positions in force in the journal, beside
    those of the history: nothing they have not passed is dropped, neither from the journal nor from
    the files. also: further ones that come and go, asked anew each time. owed: what others still
    want of the files.
    """

    def __init__(
        self,
        history: HistoryWriter,
        journal: Journal,
        site: Site,
        clock: Clock,
        note: Callable[[EventEntry], None],
        told_fault: Callable[[str], None],
        consumers: Sequence[str] = (),
        owed: Callable[[], Owed] = dict,
        also: Callable[[], Sequence[str]] = tuple,
    ) -> None:
        self._history = history
        self._journal = journal
        self._file = site.file
        self._clock = clock
        self._note = note
        self._told_fault = told_fault
        self._consumers = tuple(consumers)
        self._also = also
        self._owed = owed
        self._failing = self._upkeep_failing = ""

    async def run(self) -> None:
        """For ever. A failure is said once and tried again."""
        # One thread, and always the same: each keeps for itself the memory it once needed.
        thread = ThreadPoolExecutor(1, "history")
        kept_mono_s = self._clock.mono_s()
        while True:
            await asyncio.sleep(self._file.history.flush_s)
            await self._flush(thread)
            # Also while the disk refuses: what is deleted makes room on it.
            if self._clock.mono_s() - kept_mono_s > UPKEEP_EVERY_S:
                kept_mono_s = self._clock.mono_s()
                await self._upkeep(thread)

    async def _flush(self, thread: ThreadPoolExecutor) -> None:
        try:
            await _within(thread, self._history.flush)
            await _within(thread, give_back_memory)
            if self._failing:
                log.info("the history can be written again")
            self._failing = ""
        except Exception as error:  # whatever the history does, the outlets go on
            self._failing = _told(
                "the history cannot be written; it catches up later", error, self._failing
            )
        self._told_fault(self._failing)

    async def _upkeep(self, thread: ThreadPoolExecutor) -> None:
        loop = asyncio.get_running_loop()

        def tell(entry: EventEntry) -> None:
            with suppress(RuntimeError):  # the loop has ended
                loop.call_soon_threadsafe(self._note, entry)

        try:
            await _within(thread, partial(self.upkeep, tell))
            self._upkeep_failing = ""
        except Exception as error:
            self._upkeep_failing = _told(
                "what is old cannot be deleted", error, self._upkeep_failing
            )

    def upkeep(self, tell: Callable[[EventEntry], object]) -> None:
        """Trims the journal and deletes old files. Blocking. Raises StorageError."""
        consumers = (*self._consumers, *self._also())
        of_results = tuple(c for c in consumers if not c.startswith(EVENTS))
        of_events = tuple(c for c in consumers if c.startswith(EVENTS))
        now = self._clock.utc_now()
        before = now - timedelta(days=self._file.journal.keep_days)
        try:
            owed = owed_from(self._journal, of_results, of_events, self._owed())
            # First, for it makes room, which the journal may need for its own.
            self._history.delete_old(limits_of(self._file.history), now, owed, tell)
        finally:
            self._journal.trim(before, (CONSUMER, *of_results))
            self._journal.trim_events(before, (EVENTS_CONSUMER, *of_events))


def limits_of(history: History) -> dict[TableName, Limits]:
    """How long each table is kept, as the site file says."""
    kept = {
        TableName.RESULTS: history.results,
        TableName.TRACES: history.traces,
        TableName.EVENTS: history.events,
        TableName.LAB: history.lab,
    }
    return {
        table: Limits(k.keep_days, None if k.keep_mb is None else round(k.keep_mb * 1e6))
        for table, k in kept.items()
    }


def owed_from(
    journal: JournalReader, of_results: Sequence[str], of_events: Sequence[str], others: Owed
) -> Owed:
    """From which time on the rows of each table are still wanted: by those who have not passed
    them in the journal, and by others. Raises StorageError."""
    owed = dict(others)
    results = journal.owed_since(of_results)
    for table, since in (
        (TableName.RESULTS, results),
        (TableName.TRACES, results),
        (TableName.EVENTS, journal.events_owed_since(of_events)),
    ):
        if since is not None:
            owed[table] = min(since, owed.get(table, since))
    return owed


def last_flush(history: HistoryWriter) -> None:
    """Brings the history up to date; one that is far behind is left to the next start."""
    too_long = threading.Timer(LAST_FLUSH_S, history.stop)
    too_long.start()
    try:
        if not history.flush().is_complete:
            log.warning("the history is not up to date; the next start brings the rest")
    except (EdgeflashError, OSError) as error:
        log.error("the history is behind; the journal holds the rest", why=str(error))
    finally:
        too_long.cancel()


def _told(what: str, error: Exception, before: str) -> str:
    """Says a failure unless it is the one before, with its trace if nobody foresaw it; why."""
    is_foreseen = isinstance(error, EdgeflashError | OSError)
    why = str(error) if is_foreseen else repr(error)
    if why != before:
        log.error(what, why=why, exc_info=None if is_foreseen else error)
    return why


async def _within(thread: ThreadPoolExecutor, run: Callable[[], Any]) -> None:
    await asyncio.get_running_loop().run_in_executor(thread, run)
