"""The alarms of one analyzer while the gateway runs: looked at, told once, kept on disk."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from datetime import datetime

import structlog

from edgeflash.alarms.catalogue import Declaration, in_force
from edgeflash.alarms.conditions import Facts
from edgeflash.alarms.state import (
    Kept,
    UnreadableAlarmError,
    acknowledge,
    as_text,
    of_text,
    step,
    unreadable,
)
from edgeflash.config.site import Analyzer
from edgeflash.errors import EdgeflashError, StorageError
from edgeflash.journal import Journal
from edgeflash.model import AlarmState

SAVE_RETRY_S = 2.0

log = structlog.get_logger("edgeflash.alarm")


class UnknownAlarmError(EdgeflashError):
    """Somebody names an alarm that the analyzer does not have."""

    def __init__(self, analyzer: str, alarm: str, known: tuple[str, ...]) -> None:
        super().__init__(
            f"{analyzer} has no alarm '{alarm}' in force; it has: {', '.join(known) or 'none'}"
        )


class AlarmDesk:
    """Raises, acknowledges and keeps the alarms of one analyzer."""

    def __init__(self, analyzer: Analyzer, journal: Journal) -> None:
        self._analyzer = analyzer.id
        self._journal = journal
        self._log = log.bind(analyzer=analyzer.id)
        self._alarms = {alarm.name: alarm for alarm in in_force(analyzer)}
        stored = journal.states()
        self._kept = {
            name: self._restored(alarm, stored.get(self._key(name)))
            for name, alarm in self._alarms.items()
        }
        self._unsaved: dict[str, str] = {}
        self._news = asyncio.Event()
        self._is_saved = asyncio.Event()
        self._is_saved.set()
        self.fault = ""
        """Why the states cannot be recorded; empty when they can."""

    def _key(self, alarm: str) -> str:
        return f"alarm/{self._analyzer}/{alarm}"

    def _restored(self, alarm: Declaration, text: str | None) -> Kept:
        if text is None:
            return Kept()
        try:
            return of_text(text)
        except UnreadableAlarmError as error:
            self._log.error("the state of an alarm is lost", alarm=alarm.name, why=str(error))
            return unreadable(alarm)

    @property
    def states(self) -> dict[str, AlarmState]:
        """The state of each alarm in force."""
        return {name: kept.state for name, kept in self._kept.items()}

    def evaluate(self, facts: Facts, at: datetime, now_mono_s: float) -> None:
        """Looks at every condition once."""
        for name, alarm in self._alarms.items():
            seen = alarm.condition(facts)
            before = self._kept[name]
            holds, why = (None, "") if seen is None else (seen.holds, seen.why)
            self._kept[name] = after = step(alarm, before, holds, at, now_mono_s, why)
            if after.state is not before.state:
                self._changed(alarm, after)

    def acknowledge(self, name: str, by: str, because: str, at: datetime) -> Kept:
        """Notes who has acknowledged an alarm. Raises EdgeflashError when there is nothing to."""
        alarm = self._alarms.get(name)
        if alarm is None:
            raise UnknownAlarmError(self._analyzer, name, tuple(self._alarms))
        self._kept[name] = after = acknowledge(self._kept[name], by, because, at)
        self._changed(alarm, after, by=by, because=because)
        return after

    def _changed(self, alarm: Declaration, kept: Kept, **who: str) -> None:
        write = self._log.warning if kept.state is AlarmState.ACTIVE else self._log.info
        write("alarm " + kept.state.value, alarm=alarm.name, why=kept.why, **who)
        self._unsaved[alarm.name] = as_text(kept)
        self._is_saved.clear()
        self._news.set()

    def rows(self) -> list[Mapping[str, object]]:
        """The alarms for people, in the order of the catalogue."""
        return [
            {
                "analyzer": self._analyzer,
                "alarm": name,
                "priority": alarm.priority.value,
                "state": kept.state.value,
                "since": kept.since.isoformat(timespec="seconds") if kept.since else None,
                "why": kept.why,
                "by": kept.by,
                "because": kept.because,
            }
            for name, alarm in self._alarms.items()
            for kept in (self._kept[name],)
        ]

    async def saved(self) -> None:
        """Returns when every state is on disk."""
        await self._is_saved.wait()

    async def save_for_ever(self) -> None:
        """Puts changed states on disk; on a disk that refuses, the newest of each, in time."""
        while True:
            await self._news.wait()
            self._news.clear()
            while self._unsaved:
                name, text = next(iter(self._unsaved.items()))
                if not await self._put(name, text):
                    await asyncio.sleep(SAVE_RETRY_S)
                elif self._unsaved[name] == text:
                    del self._unsaved[name]
            self._is_saved.set()

    async def _put(self, name: str, text: str) -> bool:
        try:
            await asyncio.to_thread(self._journal.put_state, self._key(name), text)
        except Exception as error:
            # Whatever goes wrong with the record, the gateway runs on and the alarms are shown.
            if not self.fault:
                known = isinstance(error, StorageError)
                write = self._log.error if known else self._log.exception
                write("the states of alarms cannot be recorded", why=str(error))
            self.fault = str(error) or repr(error)
            return False
        if self.fault:
            self._log.info("the states of alarms can be recorded again")
        self.fault = ""
        return True
