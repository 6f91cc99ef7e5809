"""Old days of analyzers that the site has no more, as a restored journal would bring them.

Each bringing is two months of one analyzer, some days of each, all of them kept for longer than any
limit of the campaign; no month is ever brought twice. They go the gateway's own way, from the
journal into the files, and are then due to be deleted from both. Invented analyzers.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from edgeflash.journal import JOURNAL_NAME, Journal
from edgeflash.model import EventEntry, EventKind, Result
from tests.faults.crash.looking import Key
from tests.faults.crash.stages import Made
from tests.unit.journal.samples import sample_result, sample_trace

ANALYZERS = ("osprey-1", "osprey-2", "osprey-3", "osprey-4")
FIRST_YEAR = 1972
MONTHS, DAYS, CYCLES = 2, 6, 8
SAMPLES = 800
"""Of a trace: a bringing is 0.7 MB of traces."""


class OldDays:
    """What was brought so far."""

    def __init__(self) -> None:
        self._bringings = 0
        self.made: dict[Key, Made] = {}
        self.events = 0

    def bring(self, folder: Path) -> None:
        """Into the journal, while no gateway has it; on disk when it returns."""
        analyzer = ANALYZERS[self._bringings % len(ANALYZERS)]
        months = MONTHS * (self._bringings // len(ANALYZERS))
        results: list[Result] = []
        first = 1 + sum(key[0] == analyzer for key in self.made)
        for month in range(months, months + MONTHS):
            start = datetime(FIRST_YEAR + month // 12, 1 + month % 12, 1, 8, tzinfo=UTC)
            for n in range(DAYS * CYCLES):
                at = start + timedelta(days=n // CYCLES, minutes=5 * (n % CYCLES))
                number = first + len(results)
                trace = sample_trace(number, SAMPLES)
                results.append(sample_result(number, analyzer, finished_at=at, trace=trace))
        with Journal.open(folder / JOURNAL_NAME) as journal:
            waiting = [journal.append(result) for result in results]
            waiting += [journal.append_event(_event(result)) for result in results[::CYCLES]]
            for done in waiting:
                done.result()
        for result in results:
            cycle = result.cycle
            key = (analyzer, cycle.epoch, cycle.cycle_number)
            self.made[key] = (cycle.finished_at, result.computed.reported_c)
        self.events += len(results[::CYCLES])
        self._bringings += 1


def _event(result: Result) -> EventEntry:
    """A line of the event record of that day."""
    return EventEntry(result.cycle.finished_at, EventKind.COMMENT, result.cycle.analyzer)
