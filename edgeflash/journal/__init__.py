"""The durable local store of results: the one source for every outlet and for the history."""

from edgeflash.journal.reading import Entry, JournalReader
from edgeflash.journal.store import Journal

__all__ = ["Entry", "Journal", "JournalReader"]
