"""The durable local store of results: the one source for every outlet and for the history."""

from edgeflash.journal.codec import (
    UnreadableEntryError,
    UnstorableResultError,
    decode_cycle,
    encode_cycle,
)
from edgeflash.journal.reading import Entry, EventLine, JournalReader
from edgeflash.journal.store import Journal

JOURNAL_NAME = "journal.sqlite3"
"""Name of a gateway's journal in its state folder."""

__all__ = [
    "JOURNAL_NAME",
    "Entry",
    "EventLine",
    "Journal",
    "JournalReader",
    "UnreadableEntryError",
    "UnstorableResultError",
    "decode_cycle",
    "encode_cycle",
]
