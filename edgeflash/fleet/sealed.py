"""Which days can be shipped: past, and with nothing of them left in the journal alone."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from edgeflash.fleet.ledger import Cell
from edgeflash.history.schema import TableName, has_samples
from edgeflash.history.writer import CONSUMER
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
            cycle = entry.result.cycle
            day = cycle.finished_at.astimezone(UTC).date()
            found.add(Cell(TableName.RESULTS, cycle.analyzer, day))
            if has_samples(entry.result):
                found.add(Cell(TableName.TRACES, cycle.analyzer, day))
    return found
