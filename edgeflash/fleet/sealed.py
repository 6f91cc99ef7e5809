"""Which days can be shipped: past, and with nothing of them left in the journal alone."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta

from edgeflash.fleet.ledger import Cell
from edgeflash.history.layout import places_of
from edgeflash.history.schema import Row
from edgeflash.history.writer import CONSUMER, EVENTS_CONSUMER
from edgeflash.journal import JournalReader

SETTLE = timedelta(minutes=15)
"""After midnight before a day is taken for past. Later rows are no loss: they make another part."""

_CHUNK = 256


def last_sealed_day(now: datetime) -> date:
    """The newest day that is past at this time. now: aware."""
    return (now.astimezone(UTC) - SETTLE).date() - timedelta(days=1)


def still_in_journal(journal: JournalReader) -> set[Cell]:
    """The tables, analyzers and days with rows that the files may lack.

    To be asked before the files are read: what leaves the journal's tail meanwhile is in them.
    Raises StorageError.
    """
    found: set[Cell] = set()
    seq = journal.position(CONSUMER)
    while entries := journal.entries_after(seq, _CHUNK):
        seq = entries[-1].seq
        for entry in entries:
            found.update(_cells(entry, entry.result.cycle.finished_at))
    seq = journal.position(EVENTS_CONSUMER)
    while lines := journal.event_lines_after(seq, _CHUNK):
        seq = lines[-1].seq
        for line in lines:
            found.update(_cells(line, line.event.at))
    return found


def _cells(row: Row, at: datetime) -> Iterator[Cell]:
    day = at.astimezone(UTC).date()
    return (Cell(place.table, place.analyzer, day) for place in places_of(row))
