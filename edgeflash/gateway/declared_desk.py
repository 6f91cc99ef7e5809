"""Maintenance and check samples declared for one analyzer: kept on disk, ended in time."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime, timedelta

import structlog

from edgeflash.access import Who
from edgeflash.declared import (
    Period,
    UnreadablePeriodsError,
    as_text,
    declare,
    end,
    of_cycle,
    of_text,
    over,
    running,
    since_cycle,
    unreadable,
)
from edgeflash.gateway.state_saver import StateSaver
from edgeflash.journal import Journal
from edgeflash.model import Cycle, Declared, EventEntry, EventKind
from edgeflash.operations import LONGEST_DECLARED_MIN

STARTED = {
    Declared.MAINTENANCE: EventKind.MAINTENANCE_ON,
    Declared.CHECK_SAMPLE: EventKind.CHECK_SAMPLE_ON,
}
ENDED = {
    Declared.MAINTENANCE: EventKind.MAINTENANCE_OFF,
    Declared.CHECK_SAMPLE: EventKind.CHECK_SAMPLE_OFF,
}

log = structlog.get_logger("edgeflash.declared")


class DeclaredDesk:
    """What is declared of one analyzer. on_event: is told every change, for the event record.

    finished_mono_s: when the last recorded cycle was finished; -inf where there is none.
    """

    def __init__(
        self,
        analyzer: str,
        journal: Journal,
        now: datetime,
        now_mono_s: float,
        finished_mono_s: float,
        on_event: Callable[[EventEntry], None] = lambda entry: None,
    ) -> None:
        self._analyzer = analyzer
        self._log = log.bind(analyzer=analyzer)
        self._on_event = on_event
        self._key = f"declared/{analyzer}"
        self._finished_mono_s = finished_mono_s
        self.saver = StateSaver(journal, "declared maintenance and check samples", self._log)
        text = journal.states().get(self._key)
        self._periods: tuple[Period, ...] = ()
        if text is not None:
            self._periods = self._restored(text, now, now_mono_s)

    def _restored(self, text: str, now: datetime, now_mono_s: float) -> tuple[Period, ...]:
        try:
            return of_text(text, now, now_mono_s)
        except UnreadablePeriodsError as error:
            self._log.error("what was declared is lost; maintenance is assumed", why=str(error))
            periods = unreadable(now, now_mono_s, LONGEST_DECLARED_MIN)
            self._tell(EventKind.MAINTENANCE_ON, periods[0], now, None)
            return periods

    def declare(
        self,
        kind: Declared,
        minutes: float,
        who: Who,
        because: str,
        now: datetime,
        now_mono_s: float,
    ) -> Period:
        """Begins a period, or moves the end of the one that runs."""
        self._periods = declare(self._periods, kind, minutes, who.name, because, now, now_mono_s)
        period = next(p for p in self._periods if p.kind is kind and p.runs(now_mono_s))
        self._changed()
        self._tell(STARTED[kind], replace(period, because=because), now, who)
        return period

    def end(self, kind: Declared, who: Who, because: str, now: datetime, now_mono_s: float) -> bool:
        """Ends it; False when it does not run."""
        period = next((p for p in self._periods if p.kind is kind and p.runs(now_mono_s)), None)
        if period is None:
            return False
        self._periods = end(self._periods, kind, now, now_mono_s)
        self._changed()
        self._tell(ENDED[kind], replace(period, because=because), now, who)
        return True

    def look(self, now: datetime, now_mono_s: float) -> None:
        """Notes what has ended by itself."""
        for period in over(self._periods, now_mono_s):
            ended = replace(period, is_ended=True)
            self._periods = tuple(ended if p is period else p for p in self._periods)
            self._changed()
            # By the monotonic clock, which nobody sets.
            at = now - timedelta(seconds=max(0.0, now_mono_s - period.until_mono_s))
            self._tell(ENDED[period.kind], replace(period, because="its time is over"), at, None)

    def running(self, now_mono_s: float) -> tuple[Declared, ...]:
        """What is declared of this moment."""
        return running(self._periods, now_mono_s)

    def of_cycle(self, cycle: Cycle, finished_mono_s: float) -> tuple[Declared, ...]:
        """What is declared of a cycle whose result was seen now."""
        return of_cycle(self._periods, cycle, self._finished_mono_s, finished_mono_s)

    def took_cycles(self, finished_mono_s: float) -> None:
        """Notes when, at the earliest, the last cycle of those taken was finished, and so the next
        one began."""
        self._finished_mono_s = finished_mono_s

    def recorded(self, finished_mono_s: float) -> None:
        """Forgets the periods before a cycle that is on disk: until then a crash, after which the
        cycle is read again, must find them."""
        kept = since_cycle(self._periods, finished_mono_s)
        if kept != self._periods:
            self._periods = kept
            self._changed()

    def rows(self, now_mono_s: float) -> list[Mapping[str, object]]:
        """What is declared now, for people."""
        return [
            {
                "analyzer": self._analyzer,
                "declared": p.kind.value,
                "since": p.since.isoformat(timespec="seconds"),
                "until": p.until.isoformat(timespec="seconds"),
                "by": p.by,
                "because": p.because,
            }
            for p in self._periods
            if p.runs(now_mono_s)
        ]

    def _changed(self) -> None:
        self.saver.put(self._key, as_text(self._periods))

    def _tell(self, kind: EventKind, period: Period, at: datetime, who: Who | None) -> None:
        name, via = (who.name, who.via) if who else ("", "")
        until = period.until if kind in STARTED.values() else None
        write = self._log.warning if until else self._log.info
        write(kind.value, by=name, via=via, until=str(until or ""), because=period.because)
        self._on_event(
            EventEntry(at, kind, self._analyzer, name, via, text=period.because, until=until)
        )
