"""The columns of `events`, one row for each line of the event record. Pure.

A journal begins anew after a loss, and its numbers with it: so the number names a line only
together with when its journal was made. The time is in the key as well, for a journal put back from
a backup counts on from the number it had then, and gives the same numbers to other lines.
"""

from __future__ import annotations

from edgeflash.history.column import TEXT, TIMESTAMP, WHOLE, Column
from edgeflash.journal import EventLine

EVENT_COLUMNS: tuple[Column[EventLine], ...] = (
    Column(
        "analyzer",
        TEXT,
        "Identifier of the analyzer; null when it is about the gateway or the whole site.",
        lambda line: line.event.analyzer or None,
    ),
    Column("at", TIMESTAMP, "When it happened, UTC.", lambda line: line.event.at),
    Column("kind", TEXT, "What happened.", lambda line: line.event.kind.value),
    Column(
        "subject",
        TEXT,
        "The alarm, point, input, user or certificate it is about.",
        lambda line: line.event.subject or None,
    ),
    Column("text", TEXT, "The rest of it, in words.", lambda line: line.event.text or None),
    Column(
        "who",
        TEXT,
        "Who did it; null when the gateway did by itself.",
        lambda line: line.event.who or None,
    ),
    Column("via", TEXT, "By which way it came.", lambda line: line.event.via or None),
    Column("until", TIMESTAMP, "When it ends by itself, UTC.", lambda line: line.event.until),
    Column(
        "journal_begun_at",
        TIMESTAMP,
        "When the journal that the row came from was made, UTC.",
        lambda line: line.journal_begun_at,
    ),
    Column(
        "journal_seq",
        WHOLE,
        "Number of the line in that journal's event record; rises in the order of writing.",
        lambda line: line.seq,
    ),
)
