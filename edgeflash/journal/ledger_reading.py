"""Reading the ledger, also of a journal from before there was one."""

from __future__ import annotations

from edgeflash.journal.ledger import (
    EVENTS,
    NO_LEDGER,
    RESULTS,
    FileNote,
    LedgerPage,
    LedgerState,
    Tally,
)
from edgeflash.journal.reading import JournalReader

_LAST_MADE = "history_deleted"
"""Of the ledger's tables; with it all are there."""

_DAYS = (
    "SELECT day, rows, checksum FROM ledger "
    "WHERE tbl = ? AND analyzer = ? AND day >= ? AND day < ? || '~'"
)
_FILES = (
    "SELECT tbl, analyzer, period, sha256, bytes, rows FROM history_files "
    "WHERE tbl = ? AND analyzer = ? AND period = ?"
)
_DELETED = "SELECT 1 FROM history_deleted WHERE tbl = ? AND analyzer = ? AND period >= ?"


def ledger_state(journal: JournalReader, feed: str = RESULTS) -> LedgerState:
    """How far the ledger reaches. Raises StorageError, as all here do."""
    if not journal.has_table(_LAST_MADE):
        return NO_LEDGER
    state, gaps = journal.at_one_instant(
        [
            (
                "SELECT counted_to, trimmed_to, whole_after FROM ledger_state WHERE feed = ?",
                (feed,),
            ),
            (
                "SELECT after_seq, to_seq FROM ledger_gaps WHERE feed = ? ORDER BY after_seq",
                (feed,),
            ),
        ]
    )
    if not state:
        return NO_LEDGER
    counted_to, trimmed_to, whole_after = state[0]
    return LedgerState(counted_to, trimmed_to, whole_after, tuple((a, to) for a, to in gaps))


def ledger_page(
    journal: JournalReader, table: str, analyzer: str, period: str, consumer: str
) -> LedgerPage:
    """What the ledger says of a file, of one instant. consumer: the history's writer."""
    feed = EVENTS if table == EVENTS else RESULTS
    key = (table, analyzer, period)
    queries: list[tuple[str, tuple[str, ...]]] = [
        ("SELECT seq FROM positions WHERE consumer = ?", (consumer,)),
        (f"SELECT coalesce(max(seq), 0) FROM {feed}", ()),
    ]
    if not journal.has_table(_LAST_MADE):
        position, seqs = journal.at_one_instant(queries)
        return LedgerPage(position[0][0] if position else 0, seqs[0][0])
    queries += [(_DAYS, (*key, period)), (_FILES, key), (_DELETED, key)]
    position, seqs, days, files, deleted = journal.at_one_instant(queries)
    return LedgerPage(
        position=position[0][0] if position else 0,
        last_seq=seqs[0][0],
        days={day: Tally(rows, checksum) for day, rows, checksum in days},
        fingerprints=tuple(FileNote(*row) for row in files),
        was_deleted=bool(deleted),
    )


def counted_days(journal: JournalReader) -> list[tuple[str, str, str]]:
    """Table, analyzer and day of every line of the ledger."""
    if not journal.has_table(_LAST_MADE):
        return []
    sql = "SELECT tbl, analyzer, day FROM ledger ORDER BY tbl, analyzer, day"
    return [
        (table, analyzer, day) for table, analyzer, day in journal.at_one_instant([(sql, ())])[0]
    ]


def noted_files(journal: JournalReader) -> list[tuple[str, str, str]]:
    """Table, analyzer and period of every file that the ledger has a fingerprint of."""
    if not journal.has_table(_LAST_MADE):
        return []
    sql = "SELECT DISTINCT tbl, analyzer, period FROM history_files ORDER BY 1, 2, 3"
    found = journal.at_one_instant([(sql, ())])[0]
    return [(table, analyzer, period) for table, analyzer, period in found]
