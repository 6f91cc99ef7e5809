"""The journal: results on disk, synced, before anyone downstream sees them.

SQLite in write-ahead mode with full synchronisation. One thread writes. What waits for it while a
sync is under way goes into the next commit together: a burst costs a few syncs, not one for each.
"""

from __future__ import annotations

import asyncio
import queue
import sqlite3
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import structlog

from edgeflash.errors import StorageError
from edgeflash.journal import ledger, tables
from edgeflash.journal.codec import UnstorableResultError
from edgeflash.journal.ledger import FileNote
from edgeflash.journal.ledger_keeping import LedgerKeeper
from edgeflash.journal.lock import only_writer
from edgeflash.journal.reading import Entry, JournalReader
from edgeflash.journal.reserve import lay_up, spend
from edgeflash.journal.statements import (
    advance,
    delete,
    delete_events,
    insert,
    insert_event,
    microseconds,
    put_state,
)
from edgeflash.model import EventEntry, Result, Verdict

__all__ = ["Entry", "Journal"]

_log = structlog.get_logger(__name__)

_T = TypeVar("_T")

# Jobs in one commit: enough for any burst, few enough to keep a commit short.
_GROUP_JOBS = 256

# Jobs that may wait for a disk that hangs; beyond, appends are refused rather than kept in memory.
_WAITING_JOBS = 4096

RESTART_ENTRIES = 64
"""How many of the last entries of each analyzer a trim leaves: judging remembers so many cycles
(rules.memory.PAST_CYCLES, which this room must not import), and finds them here after a restart."""

# Rows deleted in one commit, so that appends are never behind a long one.
_TRIM_ROWS = 500

_MAX_INT64 = 2**63 - 1

MOST_EVENTS = 200_000
"""Lines of the event record that a trim leaves, however young they are, once every consumer has
passed the others; some 50 MB."""


@dataclass(frozen=True, slots=True)
class _Job:
    """Something to do inside the next commit, and who waits for it."""

    run: Callable[[sqlite3.Connection], Any]
    done: Future[Any]


class Journal(LedgerKeeper):
    """The journal with the right to write. One per file: a second one is refused.

    Every method may be called from any thread. `append`, `append_async` and `advance_async` never
    block; the others wait for the disk.
    """

    def __init__(self, path: Path) -> None:
        """Raises StorageError; see `open`."""
        self._lock_file = only_writer(path)
        try:
            try:
                self._connect(path)
            except StorageError:
                if not spend(path):
                    raise
                self._connect(path)
        except StorageError:
            self._lock_file.close()
            raise
        lay_up(path)
        self._jobs: queue.Queue[_Job | None] = queue.Queue(_WAITING_JOBS)
        self._closing = threading.Lock()
        self._closed = False
        self._failing = False
        self._counts = ledger.Counts()
        self._thread = threading.Thread(target=self._write, name="journal-writer", daemon=True)
        self._thread.start()

    def _connect(self, path: Path) -> None:
        self._writer = tables.connect_writer(path)
        try:
            super().__init__(path)
        except StorageError:
            self._writer.close()
            raise

    @classmethod
    def open(cls, path: Path) -> Journal:
        """The journal at this path, made if it is not there.

        Raises StorageError, naming the path, when the folder cannot be written, the file is
        damaged, is of another version, or is in use by another gateway.
        """
        return cls(path)

    @staticmethod
    def open_readonly(path: Path) -> JournalReader:
        """The same journal for another process, while the gateway runs or after."""
        return JournalReader(path)

    def append(self, result: Result) -> Future[bool]:
        """Stores a result. True once it is synced; False when its key was there already.

        The future fails with StorageError when the disk refuses; nothing was stored then, and the
        same result may be given again.
        """
        return self._submit(lambda connection: insert(connection, result, self._counts))

    async def append_async(self, result: Result) -> bool:
        """As `append`. A cancelled caller does not stop the result from being stored."""
        return await asyncio.wrap_future(self.append(result))

    def advance(self, consumer: str, seq: int, files: Sequence[FileNote] = ()) -> None:
        """Notes that the consumer is done with everything up to seq. Never moves back.

        files: of the history, which stand in their places from now on (`note_file`).
        Raises StorageError when the disk refuses.
        """

        def job(connection: sqlite3.Connection) -> None:
            advance(connection, consumer, seq)
            ledger.confirm_files(connection, files)

        self._submit(job).result()

    async def advance_async(self, consumer: str, seq: int) -> None:
        """As `advance`, without blocking the loop."""
        await asyncio.wrap_future(
            self._submit(lambda connection: advance(connection, consumer, seq))
        )

    def rewind(self, consumer: str) -> None:
        """Sets a consumer back to the start, so that it takes everything again."""
        self._submit(
            lambda connection: connection.execute(
                "UPDATE positions SET seq = 0 WHERE consumer = ?", (consumer,)
            )
        ).result()

    def retire(self, consumer: str) -> None:
        """Forgets a consumer, for whom nothing is kept any more. Raises StorageError."""
        self._submit(
            lambda connection: connection.execute(
                "DELETE FROM positions WHERE consumer = ?", (consumer,)
            )
        ).result()

    def put_state(self, key: str, text: str) -> None:
        """Keeps a small text under a key, synced, in place of the one before.

        Raises StorageError when the disk refuses; the one before then stands.
        """
        self.put_state_soon(key, text).result()

    def put_state_soon(self, key: str, text: str) -> Future[None]:
        """As put_state, without waiting: what is handed over before `close` is written by it.

        The future fails with StorageError when the disk refuses; the one before then stands.
        """
        return self._submit(lambda connection: put_state(connection, key, text))

    def append_event(self, entry: EventEntry) -> Future[int]:
        """Adds a line to the event record; its number once it is synced.

        The future fails with StorageError when the disk refuses; nothing was stored then.
        """
        return self._submit(lambda connection: insert_event(connection, entry))

    def trim_events(self, before: datetime, consumers: Sequence[str] = ()) -> int:
        """Deletes lines of the event record from before this time, and those beyond the newest
        MOST_EVENTS, that every consumer (of the event record) has passed; their number.
        Raises StorageError."""
        self.fill_ledger()
        passed = min((self.position(c) for c in consumers), default=_MAX_INT64)
        job = partial(
            delete_events,
            before_us=microseconds(before),
            most=MOST_EVENTS,
            passed=passed,
            rows=_TRIM_ROWS,
        )
        deleted = 0
        while True:
            gone = self._submit(job).result()
            deleted += gone
            if gone < _TRIM_ROWS:
                return deleted

    def trim(self, before: datetime, consumers: Sequence[str]) -> int:
        """Deletes entries judged before this time that every consumer has passed; their number.

        The last RESTART_ENTRIES and the last accepted entry of each analyzer stay: a restart
        needs them.
        Raises StorageError.
        """
        self.fill_ledger()
        passed = min((self.position(c) for c in consumers), default=_MAX_INT64)
        kept = self._needed_at_a_restart()
        before_us = microseconds(before)
        deleted, cursor = 0, 0
        while True:
            rows = self._rows(
                "SELECT seq FROM results WHERE seq > ? AND seq <= ? AND judged_us < ? "
                "ORDER BY seq LIMIT ?",
                (cursor, passed, before_us, _TRIM_ROWS),
            )
            if not rows:
                return deleted
            cursor = rows[-1][0]
            old = [(seq,) for (seq,) in rows if seq not in kept]
            deleted += self._submit(partial(delete, seqs=old)).result()

    def close(self) -> None:
        """Writes what still waits, then ends the use. Calling it again does nothing."""
        with self._closing:
            if self._closed:
                return
            self._closed = True
        self._jobs.put(None)
        self._thread.join()
        super().close()
        self._writer.close()
        self._lock_file.close()

    def _needed_at_a_restart(self) -> set[int]:
        needed: set[int] = set()
        for (analyzer,) in self._rows("SELECT DISTINCT analyzer FROM results", ()):
            for sql, values in (
                (
                    "SELECT seq FROM results WHERE analyzer = ? ORDER BY seq DESC LIMIT ?",
                    (analyzer, RESTART_ENTRIES),
                ),
                (
                    "SELECT max(seq) FROM results WHERE analyzer = ? AND verdict = ?",
                    (analyzer, Verdict.ACCEPTED.value),
                ),
            ):
                needed.update(seq for (seq,) in self._rows(sql, values) if seq is not None)
        return needed

    def _submit(self, run: Callable[[sqlite3.Connection], _T]) -> Future[_T]:
        done: Future[_T] = Future()
        # Running from the start: a waiter that gives up withdraws its interest, not the job.
        done.set_running_or_notify_cancel()
        with self._closing:
            if self._closed:
                done.set_exception(StorageError(f"{self.path}: the journal has been closed"))
                return done
            try:
                self._jobs.put_nowait(_Job(run, done))
            except queue.Full:
                done.set_exception(
                    StorageError(
                        f"{self.path}: {_WAITING_JOBS} writes wait for the disk; it hangs or is "
                        "far too slow"
                    )
                )
        return done

    def _write(self) -> None:
        """The writer thread: takes all that waits, up to a group, into one commit."""
        ending = False
        while not ending:
            jobs: list[_Job] = []
            job = self._jobs.get()
            while job is not None:
                jobs.append(job)
                if len(jobs) == _GROUP_JOBS:
                    break
                try:
                    job = self._jobs.get_nowait()
                except queue.Empty:
                    break
            ending = job is None
            if not jobs:
                continue
            # If a group fails, each job alone: one that asks too much does not fail the others.
            if not self._commit(jobs, last_try=len(jobs) == 1) and len(jobs) > 1:
                for single in jobs:
                    self._commit([single], last_try=True)

    def _commit(self, jobs: list[_Job], *, last_try: bool) -> bool:
        """One transaction. False when the disk refused it; then the waiters know if last_try."""
        outcomes: list[tuple[_Job, Any, UnstorableResultError | None]] = []
        try:
            self._writer.execute("BEGIN IMMEDIATE")
            self._counts.begin()
            for job in jobs:
                try:
                    outcomes.append((job, job.run(self._writer), None))
                except sqlite3.Error:
                    raise
                except UnstorableResultError as error:
                    outcomes.append((job, None, error))
                except Exception as error:  # the thread must outlive whatever one result holds
                    unstorable = UnstorableResultError(f"cannot be stored: {error!r}")
                    outcomes.append((job, None, unstorable))
            self._counts.write(self._writer)
            self._writer.execute("COMMIT")
        except (sqlite3.Error, MemoryError) as error:
            self._after_failure(error)
            if last_try:
                for job in jobs:
                    job.done.set_exception(self._refused(error))
            return False
        if self._failing:
            self._failing = False
            lay_up(self.path)
            _log.info("journal_writes_again", path=str(self.path))
        for job, outcome, refusal in outcomes:
            if refusal is None:
                job.done.set_result(outcome)
            else:
                _log.error("journal_result_unstorable", error=str(refusal))
                job.done.set_exception(refusal)
        return True

    def _after_failure(self, error: Exception) -> None:
        """Leaves no transaction open, with a new connection if the old one cannot be trusted."""
        if not self._failing:
            self._failing = True
            _log.error("journal_write_failed", path=str(self.path), error=str(error))
        try:
            if self._writer.in_transaction:
                self._writer.execute("ROLLBACK")
        except sqlite3.Error:
            self._reconnect()

    def _reconnect(self) -> None:
        try:
            fresh = tables.connect_writer(self.path)
        except StorageError as error:
            _log.error("journal_reopen_failed", path=str(self.path), error=str(error))
            return
        self._writer.close()
        self._writer = fresh

    def _refused(self, error: Exception) -> StorageError:
        failure = StorageError(
            f"{self.path}: the journal cannot be written: {error}. Nothing was stored; check the "
            "room on the disk and the rights on the folder"
        )
        failure.__cause__ = error
        return failure
