"""The alarms of one analyzer while the gateway runs: looked at, told once, kept on disk."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime

import structlog

from edgeflash.alarms.catalogue import NO_PARTS, Declaration, SiteParts, in_force
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
from edgeflash.errors import EdgeflashError
from edgeflash.gateway.state_saver import StateSaver
from edgeflash.journal import Journal
from edgeflash.model import AlarmNote, AlarmState, EventEntry, EventKind

log = structlog.get_logger("edgeflash.alarm")


class UnknownAlarmError(EdgeflashError):
    """Somebody names an alarm that the analyzer does not have."""

    def __init__(self, analyzer: str, alarm: str, known: tuple[str, ...]) -> None:
        super().__init__(
            f"{analyzer} has no alarm '{alarm}' in force; it has: {', '.join(known) or 'none'}"
        )


class AlarmDesk:
    """Raises, acknowledges and keeps the alarms of one analyzer.

    site: for the alarms that not every site can have. on_event: is told every change, for the event
    record.
    """

    def __init__(
        self,
        analyzer: Analyzer,
        journal: Journal,
        site: SiteParts = NO_PARTS,
        on_event: Callable[[EventEntry], None] = lambda entry: None,
    ) -> None:
        self._analyzer = analyzer.id
        self._on_event = on_event
        self._log = log.bind(analyzer=analyzer.id)
        self._alarms = {alarm.name: alarm for alarm in in_force(analyzer, site)}
        stored = journal.states()
        self._kept = {
            name: self._restored(alarm, stored.get(self._key(name)))
            for name, alarm in self._alarms.items()
        }
        self.saver = StateSaver(journal, "alarms", self._log)

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

    @property
    def notes(self) -> dict[str, AlarmNote]:
        """What else is known of each alarm in force."""
        return {
            name: AlarmNote(kept.since, kept.why, kept.by, kept.because)
            for name, kept in self._kept.items()
        }

    def evaluate(self, facts: Facts, at: datetime, now_mono_s: float) -> None:
        """Looks at every condition once."""
        for name, alarm in self._alarms.items():
            seen = alarm.condition(facts)
            before = self._kept[name]
            holds, why = (None, "") if seen is None else (seen.holds, seen.why)
            self._kept[name] = after = step(alarm, before, holds, at, now_mono_s, why)
            if after.state is not before.state:
                self._changed(alarm, after)
                kind, text = EventKind.ALARM, change_text(after)
                entry = EventEntry(at, kind, self._analyzer, subject=name, text=text)
                self._on_event(entry)

    def acknowledge(self, name: str, by: str, because: str, at: datetime, via: str = "") -> Kept:
        """Notes who has acknowledged an alarm. Raises EdgeflashError when there is nothing to."""
        alarm = self._alarms.get(name)
        if alarm is None:
            raise UnknownAlarmError(self._analyzer, name, tuple(self._alarms))
        self._kept[name] = after = acknowledge(self._kept[name], by, because, at)
        self._changed(alarm, after, by=by, because=because)
        kind = EventKind.ACKNOWLEDGED
        self._on_event(EventEntry(at, kind, self._analyzer, by, via, name, because))
        return after

    def _changed(self, alarm: Declaration, kept: Kept, **who: str) -> None:
        write = self._log.warning if kept.state is AlarmState.ACTIVE else self._log.info
        write("alarm " + kept.state.value, alarm=alarm.name, why=kept.why, **who)
        self.saver.put(self._key(alarm.name), as_text(kept))

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


def change_text(kept: Kept) -> str:
    """A change for the event record. The cause of an alarm that is over is not told as present."""
    is_over = kept.state in (AlarmState.NORMAL, AlarmState.RETURNED)
    if not kept.why:
        return kept.state.value
    return kept.state.value + ("; before that: " if is_over else ": ") + kept.why
