"""Reading the journal: by the gateway's own rooms, and by other processes while it runs."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import structlog

from edgeflash.errors import StorageError
from edgeflash.journal import tables
from edgeflash.journal.codec import Encoded, UnreadableEntryError, cycle_text_of, decode
from edgeflash.journal.statements import microseconds, moment_of
from edgeflash.model import EventEntry, EventKind, Result, Verdict

_log = structlog.get_logger(__name__)

_COLUMNS = "seq, checksum, body, trace"
_EVENT_COLUMNS = "seq, at_us, kind, analyzer, who, via, subject, text, until_us"
_EVENTS_AT_ONCE = 1000
_ENTRIES_AT_ONCE = 1000


@dataclass(frozen=True, slots=True)
class Entry:
    """One result and its place in the journal. seq rises by the order of writing, with gaps.

    journal_begun_at: when the journal was made, UTC, for seq begins again in a new one; None while
    only an older edgeflash has written in it. cycle_text: as `codec.encode_cycle` gave it when the
    entry was written; None where that is not known.
    """

    seq: int
    result: Result
    journal_begun_at: datetime | None = None
    cycle_text: str | None = field(default=None, compare=False, repr=False)


@dataclass(frozen=True, slots=True)
class EventLine:
    """One line of the event record and its number in the journal; journal_begun_at: as Entry's."""

    seq: int
    event: EventEntry
    journal_begun_at: datetime | None = None


class JournalReader:
    """A journal that can be looked at but not changed. Safe to use from several threads.

    Only synced results are seen: a commit shows itself to readers after its sync. A damaged entry
    is passed over and logged once; it never hides the ones behind it.
    """

    def __init__(self, path: Path) -> None:
        """Raises StorageError when the journal is missing, damaged or of another version."""
        self.path = path
        self._reader = tables.connect_reader(path)
        self._lock = threading.Lock()
        self._damaged: set[int] = set()
        self._damaged_events: set[int] = set()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Ends the use of the journal."""
        with self._lock:
            self._reader.close()

    def latest(self, analyzer: str) -> Result | None:
        """The result of this analyzer that was written last, whatever its verdict."""
        return self._first(
            f"SELECT {_COLUMNS} FROM results WHERE analyzer = ? ORDER BY seq DESC LIMIT 8",
            (analyzer,),
        )

    def last_accepted(self, analyzer: str) -> Result | None:
        """The accepted result of this analyzer that was written last."""
        return self._first(
            f"SELECT {_COLUMNS} FROM results WHERE analyzer = ? AND verdict = ? "
            "ORDER BY seq DESC LIMIT 8",
            (analyzer, Verdict.ACCEPTED.value),
        )

    def recent(self, analyzer: str, count: int) -> list[Result]:
        """The results of this analyzer that were written last, oldest first."""
        rows = self._rows(
            f"SELECT {_COLUMNS} FROM results WHERE analyzer = ? ORDER BY seq DESC LIMIT ?",
            (analyzer, count),
        )
        return [e.result for e in self._readable(rows)][::-1]

    def entries_after(self, seq: int, limit: int) -> list[Entry]:
        """Up to `limit` entries written after `seq`, in the order of writing; empty at the end."""
        found: list[Entry] = []
        begun_at = self._begun_at()
        while len(found) < limit:
            wanted = limit - len(found)
            rows = self._rows(
                f"SELECT {_COLUMNS} FROM results WHERE seq > ? ORDER BY seq LIMIT ?", (seq, wanted)
            )
            found.extend(self._readable(rows, begun_at))
            if len(rows) < wanted:
                break
            seq = rows[-1][0]
        return found

    def position(self, consumer: str) -> int:
        """The seq up to which this consumer is done; 0 when it never advanced."""
        rows = self._rows("SELECT seq FROM positions WHERE consumer = ?", (consumer,))
        return int(rows[0][0]) if rows else 0

    def pending(self, consumer: str) -> int:
        """How many entries this consumer has still before it."""
        return self.count_after(self.position(consumer))

    def count_after(self, seq: int) -> int:
        """How many entries were written after `seq`."""
        return int(self._rows("SELECT count(*) FROM results WHERE seq > ?", (seq,))[0][0])

    def positions(self) -> dict[str, int]:
        """The position of every consumer that has one."""
        return dict(self._rows("SELECT consumer, seq FROM positions ORDER BY consumer", ()))

    def newest(self) -> int:
        """The seq of the entry that was written last; 0 when there is none."""
        return int(self._rows("SELECT coalesce(max(seq), 0) FROM results", ())[0][0])

    def last_event(self) -> int:
        """The number of the line written last into the event record; 0 where there is none."""
        if not self._has_table("events"):
            return 0
        return int(self._rows("SELECT coalesce(max(seq), 0) FROM events", ())[0][0])

    def pending_events(self, consumer: str) -> int:
        """How many lines of the event record this consumer has still before it."""
        position = self.position(consumer)
        return int(self._rows("SELECT count(*) FROM events WHERE seq > ?", (position,))[0][0])

    def owed_since(self, consumers: Sequence[str]) -> datetime | None:
        """When the earliest cycle was finished that one of these has still before it; None when
        they have passed all."""
        if not consumers:
            return None
        seq, found = min(self.position(c) for c in consumers), list[str]()
        while True:
            # Without decoding them: an outlet may have been away for weeks.
            (row,) = self._rows(
                "SELECT max(seq), min(CASE WHEN json_valid(body) "
                "THEN json_extract(body, '$.cycle.finished_at.time') END) FROM "
                "(SELECT seq, body FROM results WHERE seq > ? ORDER BY seq LIMIT ?)",
                (seq, _ENTRIES_AT_ONCE),
            )
            if row[0] is None:
                # All are in UTC and of one form, so that texts sort as their times do.
                return datetime.fromisoformat(min(found)) if found else None
            seq = row[0]
            found.extend(text for text in row[1:] if isinstance(text, str))

    def events_owed_since(self, consumers: Sequence[str]) -> datetime | None:
        """As `owed_since`, for consumers of the event record."""
        if not consumers or not self._has_table("events"):
            return None
        seq = min(self.position(c) for c in consumers)
        ((at_us,),) = self._rows("SELECT min(at_us) FROM events WHERE seq > ?", (seq,))
        return None if at_us is None else moment_of(at_us)

    def count(self) -> int:
        """How many entries the journal holds."""
        return int(self._rows("SELECT count(*) FROM results", ())[0][0])

    def states(self) -> dict[str, str]:
        """What `Journal.put_state` keeps, by key; empty in a journal from before there was any."""
        if not self._has_table("states"):
            return {}
        return dict(self._rows("SELECT key, text FROM states ORDER BY key", ()))

    def events_after(self, seq: int, limit: int) -> list[tuple[int, EventEntry]]:
        """Up to `limit` lines of the event record written after number `seq`, with their numbers;
        empty in a journal from before there was any."""
        return self._events("seq > ?", (seq,), limit)

    def event_lines_after(self, seq: int, limit: int) -> list[EventLine]:
        """As `events_after`, with when the journal was made."""
        begun_at = self._begun_at()
        return [EventLine(n, event, begun_at) for n, event in self.events_after(seq, limit)]

    def events(
        self, since: datetime | None = None, analyzer: str | None = None
    ) -> Iterator[EventEntry]:
        """The event record in the order of writing: of a time and later, of one analyzer."""
        conditions, values = ["seq > ?"], list[int | str]()
        if since is not None:
            conditions.append("at_us >= ?")
            values.append(microseconds(since))
        if analyzer is not None:
            conditions.append("analyzer = ?")
            values.append(analyzer)
        where, seq = " AND ".join(conditions), 0
        while found := self._events(where, (seq, *values), _EVENTS_AT_ONCE):
            yield from (entry for _, entry in found)
            seq = found[-1][0]

    def tests_left_on(self) -> list[tuple[str, str]]:
        """Analyzer and point of each test whose end is not in the event record."""
        if not self._has_table("events"):
            return []
        kinds = (EventKind.TEST_ON.value, EventKind.TEST_OFF.value)
        # SQLite takes the other columns from the row with the maximum.
        rows = self._rows(
            "SELECT analyzer, subject, kind, max(seq) FROM events WHERE kind IN (?, ?) "
            "GROUP BY analyzer, subject",
            kinds,
        )
        return [(analyzer, point) for analyzer, point, kind, _ in rows if kind == kinds[0]]

    def _events(
        self, where: str, values: Sequence[int | str], limit: int
    ) -> list[tuple[int, EventEntry]]:
        """where, values: the first of them is `seq > ?`."""
        found: list[tuple[int, EventEntry]] = []
        if not self._has_table("events"):
            return found
        sql = f"SELECT {_EVENT_COLUMNS} FROM events WHERE {where} ORDER BY seq LIMIT ?"
        while len(found) < limit:
            wanted = limit - len(found)
            rows = self._rows(sql, (*values, wanted))
            found.extend(self._readable_events(rows))
            if len(rows) < wanted:
                break
            values = (rows[-1][0], *values[1:])
        return found

    def _readable_events(self, rows: list[tuple[Any, ...]]) -> Iterator[tuple[int, EventEntry]]:
        for seq, at_us, kind, analyzer, who, via, subject, text, until_us in rows:
            try:
                until = None if until_us is None else moment_of(until_us)
                at, what = moment_of(at_us), EventKind(kind)
                yield seq, EventEntry(at, what, analyzer, who, via, subject, text, until)
            except (ValueError, TypeError, OverflowError) as error:
                # Damaged, or of a kind that a newer edgeflash knows.
                if seq not in self._damaged_events:
                    self._damaged_events.add(seq)
                    _log.error(
                        "journal_event_unreadable", path=str(self.path), seq=seq, error=str(error)
                    )

    def at_one_instant(
        self, queries: Sequence[tuple[str, Sequence[int | str]]]
    ) -> list[list[tuple[Any, ...]]]:
        """The rows of several queries, as the journal stood at one instant. Raises StorageError."""
        try:
            with self._lock:
                self._reader.execute("BEGIN")
                try:
                    return [self._reader.execute(sql, values).fetchall() for sql, values in queries]
                finally:
                    self._reader.execute("ROLLBACK")
        except sqlite3.Error as error:
            raise self._cannot_be_read(error) from error

    def damaged(self) -> int:
        """How many entries and events have been passed over as unreadable up to now."""
        return len(self._damaged) + len(self._damaged_events)

    def integrity(self) -> str:
        """What SQLite finds wrong with the file; empty when it is sound. Reads the whole file.

        Raises StorageError when it cannot be read at all.
        """
        told = [str(row[0]) for row in self._rows("PRAGMA quick_check(3)", ())]
        return "" if told == ["ok"] else "; ".join(told)

    def copy_into(self, target: sqlite3.Connection) -> None:
        """Copies everything, as of one instant, into an empty database. Raises sqlite3.Error."""
        with self._lock:
            self._reader.backup(target)

    def last_seq(self) -> int:
        """The number of the last entry."""
        return int(self._rows("SELECT coalesce(max(seq), 0) FROM results", ())[0][0])

    def has_table(self, name: str) -> bool:
        """False in a journal of before there was such a table."""
        return self._has_table(name)

    def begun_at(self) -> datetime | None:
        """When this journal was made; None while only an older edgeflash has written in it."""
        return self._begun_at()

    def _begun_at(self) -> datetime | None:
        """When this journal was made."""
        if not self._has_table("beginning"):
            return None
        rows = self._rows("SELECT begun_us FROM beginning", ())
        return moment_of(rows[0][0]) if rows else None

    def _has_table(self, name: str) -> bool:
        return bool(self._rows("SELECT 1 FROM sqlite_schema WHERE name = ?", (name,)))

    def _rows(self, sql: str, values: Sequence[int | str]) -> list[tuple[Any, ...]]:
        # All rows at once: a read left open would keep the write-ahead file from being reused.
        try:
            with self._lock:
                return self._reader.execute(sql, values).fetchall()
        except sqlite3.Error as error:
            raise self._cannot_be_read(error) from error

    def _cannot_be_read(self, error: sqlite3.Error) -> StorageError:
        return StorageError(
            f"{self.path}: the journal cannot be read: {error}. If the disk is sound, stop the "
            "gateway, keep a copy of the file, and check it with PRAGMA integrity_check"
        )

    def _first(self, sql: str, values: Sequence[int | str]) -> Result | None:
        return next((e.result for e in self._readable(self._rows(sql, values))), None)

    def _readable(
        self, rows: list[tuple[Any, ...]], begun_at: datetime | None = None
    ) -> Iterator[Entry]:
        for seq, checksum, body, trace in rows:
            try:
                stored = Encoded(body, trace)
                if stored.checksum != checksum:
                    raise UnreadableEntryError("the checksum does not fit")
                yield Entry(seq, decode(stored), begun_at, cycle_text_of(body))
            except (UnreadableEntryError, UnicodeError, TypeError, AttributeError) as error:
                if seq not in self._damaged:
                    self._damaged.add(seq)
                    _log.error(
                        "journal_entry_unreadable", path=str(self.path), seq=seq, error=str(error)
                    )
