"""Retention under the campaign of kills: files and journal rows go, in every run.

Old days are brought before nearly every start, see old_days. Traces of the days that pass go by
their age, too. Deletion by size goes on where the clock's steps have made retention distrust it.
"""

from __future__ import annotations

import json
import os
import re
import sqlite3
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, closing, suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import MappingProxyType
from typing import Any

import duckdb

from edgeflash.journal import JOURNAL_NAME
from edgeflash.journal.store import RESTART_ENTRIES
from tests.faults.crash.doomed import RETENTION_POINTS
from tests.faults.crash.looking import Key, end_of_period
from tests.faults.crash.old_days import DAYS, MONTHS, OldDays
from tests.faults.crash.stages import Ended, Made, Stage

JOURNAL_KEEP = timedelta(days=2)
KEEP_MB = 1
"""What lives in the campaign stays below it: what goes by size is old."""

ENOUGH_FILES = 2 * MONTHS * DAYS
"""Of traces that wait to be deleted; while there are more, nothing is brought."""

MOST_UNSEEN = timedelta(hours=47)

_TOLD = re.compile(
    r"(?:\d+ files from )?(?P<first>\S+)(?: to (?P<last>\S+))? deleted, .*: (?P<why>.*)"
)
_BY_AGE, _BY_SIZE = "older than keep_days", "the table is larger than keep_mb"
_MOST = {"retention_record": 2, "retention_remove": 12, "retention_rmdir": 12, "journal_trim": 60}


@dataclass(frozen=True, slots=True)
class Deleted:
    """What a gateway's log told that it deletes: files of a table and analyzer from one period to
    another, at this time, by its clock."""

    table: str
    analyzer: str
    first: str
    last: str
    why: str
    at: datetime


class Retention(Stage):
    """Old files and old rows of the journal are deleted."""

    name = "retention"
    points: Sequence[str] = RETENTION_POINTS
    weight = 2
    patience_s = 20.0
    keeps: Mapping[str, float] = MappingProxyType({"results": 10.0, "traces": 1.0, "events": 10.0})

    def __init__(self) -> None:
        self._old = OldDays()
        self._folder = Path()
        self._now = datetime.now(UTC)
        self._told = ""

    def lines(self) -> str:
        """So long, and so much, of each table is kept."""
        tables = (
            f"[history.{name}]\nkeep_days = {days:g}\nkeep_mb = {KEEP_MB}"
            for name, days in self.keeps.items()
        )
        return "\n".join([*tables, f"[journal]\nkeep_days = {JOURNAL_KEEP.days}"])

    def most_occurrences(self, point: str) -> int:
        """A run has so many when old days have been brought."""
        return _MOST[point.removeprefix("after_")]

    def bring(self, folder: Path, now: datetime) -> None:
        """Old days, unless enough of them wait already, or no gateway has looked at the files yet:
        these alone would make it distrust the clock."""
        self._folder, self._now = folder, now
        if not self._record():
            return
        waiting = sum(analyzer.startswith("osprey") for analyzer, _, _ in self._files("traces"))
        if waiting <= ENOUGH_FILES:
            self._old.bring(folder)

    def longest_step(self, now: datetime) -> timedelta:
        """Two days after the last look retention would distrust the clock, and wait for a week; so
        it would at a first look long after the first file."""
        looked_at = self._record().get("looked_at")
        if looked_at is None:
            return timedelta(0)
        return max(timedelta(0), datetime.fromisoformat(looked_at) + MOST_UNSEEN - now)

    def brought(self) -> Mapping[Key, Made]:
        """The cycles of the old days."""
        return self._old.made

    def may_be_gone(self, at: datetime, now: datetime) -> bool:
        """By its month. Found after a break, a cycle may be recorded as a day younger or older."""
        kept_from = end_of_period("results", at - timedelta(days=1))
        return kept_from + timedelta(days=self.keeps["results"]) <= now

    def has_reached(self, newest: Mapping[str, int]) -> bool:
        """Nothing is left, of files and journal, that must go."""
        return not (self._too_much() or self._rows_left())

    def settle(self, run: Callable[..., object]) -> None:
        """Every file beside the ledger of what was ever stored: what was not deleted is there."""
        run("history", "verify")

    def wrong(self, ended: Ended) -> list[str]:
        """What was deleted and not due; what is gone without being told; what is still there."""
        deleted = list(self._deletions())
        wrong = [f"not due: {one}" for one in deleted if not self._was_due(one)]
        places = {
            (table, analyzer, _period(table, at))
            for table in self.keeps
            for (analyzer, _, _), (at, _) in self._old.made.items()
        }
        there = {
            (t, analyzer, period) for t in self.keeps for analyzer, period, _ in self._files(t)
        }
        for table, analyzer, period in sorted(places - there):
            # Of events younger ones come, of what was deleted; where these are gone, too, older
            # ones are passed over rather than written.
            if not any(
                (d.table, d.analyzer) == (table, analyzer)
                and period <= d.last
                and (d.first <= period or table == "events")
                for d in deleted
            ):
                wrong.append(f"gone without being told: {table} of {analyzer}, {period}")
        wrong += [f"recorded as deleted, and not due: {one}" for one in self._wrong_records(ended)]
        # Since everything was reached some more traces have come, to the last.
        wrong += self._too_much(1.2 * KEEP_MB) + self._rows_left() + self._young_rows_gone(ended)
        gone = Counter(table for table, _, _ in places - there)
        rows = len(self._old.made) - sum(self._journal_rows().values())
        self._told = (
            f"of old days {', '.join(f'{n} files of {t}' for t, n in gone.items())} deleted, and "
            f"{rows} of {len(self._old.made)} results in the journal; in {len(deleted)} goes, "
            f"{sum(d.why == _BY_SIZE for d in deleted)} of them by size; the clock was distrusted "
            f"{self._distrusted()} times"
        )
        if not gone or not rows:
            wrong.append(f"nothing was deleted: {self._told}")
        return wrong

    def told(self) -> str:
        """How much was deleted."""
        return self._told

    def _files(self, table: str) -> Iterator[tuple[str, str, int]]:
        """Analyzer, period and size of each file; the gateway may be deleting them."""
        for place, _, names in os.walk(self._folder / "history" / table):
            *_, analyzer, period = Path(place).parts
            with suppress(FileNotFoundError):
                sizes = [(Path(place) / name).stat().st_size for name in names]
                yield from (
                    (analyzer.removeprefix("an="), period.partition("=")[2], size) for size in sizes
                )

    def _too_much(self, most_mb: float = KEEP_MB) -> list[str]:
        """What should have been deleted from the files by now."""
        found = []
        for table, days in self.keeps.items():
            total = 0
            for analyzer, period, size in self._files(table):
                total += size
                if not self._waits() and _end(table, period) + timedelta(days=days) <= self._now:
                    found.append(f"kept too long: {table} of {analyzer}, {period}")
            if total > most_mb * 1e6:
                found.append(f"too much is kept: {total} bytes of {table}")
        return found

    def _waits(self) -> bool:
        """Whether nothing goes by its age now, for the clock has gone on far between two looks."""
        return self._record().get("waits_until") is not None

    def _record(self) -> dict[str, Any]:
        """What retention keeps of itself; empty before its first look."""
        try:
            record = (self._folder / "history/.retention/deleted.json").read_bytes()
        except FileNotFoundError:
            return {}
        found: dict[str, Any] = json.loads(record)
        return found

    def _deletions(self) -> Iterator[Deleted]:
        for log in self._folder.glob("gateway-*.log"):
            for line in log.read_text("utf-8", "replace").splitlines():
                if '"history_files_deleted"' not in line:
                    continue
                said = json.loads(line)
                found = _TOLD.fullmatch(said["what"])
                assert found is not None, said
                first, last = found["first"], found["last"] or found["first"]
                at = datetime.fromisoformat(said["timestamp"])
                yield Deleted(said["table"], said["analyzer"], first, last, found["why"], at)

    def _distrusted(self) -> int:
        logs = (log.read_text("utf-8", "replace") for log in self._folder.glob("gateway-*.log"))
        return sum(text.count('"history_deletion_waits"') for text in logs)

    def _was_due(self, one: Deleted) -> bool:
        end = _end(one.table, one.last)
        if one.why == _BY_SIZE:
            return one.analyzer.startswith("osprey") and end <= one.at
        return one.why == _BY_AGE and end + timedelta(days=self.keeps[one.table]) <= one.at

    def _wrong_records(self, ended: Ended) -> Iterator[str]:
        for table, places in self._record().get("deleted_up_to", {}).items():
            for analyzer, period in places.items():
                if _end(table, period) + timedelta(days=self.keeps[table]) > ended.now:
                    yield f"{table} of {analyzer}, {period}"

    def _journal(self) -> AbstractContextManager[sqlite3.Connection]:
        return closing(sqlite3.connect(f"file:{self._folder / JOURNAL_NAME}?mode=ro", uri=True))

    def _journal_rows(self) -> Counter[str]:
        """Rows of each old analyzer that the journal still has."""
        with self._journal() as journal:
            rows = journal.execute("SELECT analyzer, count(*) FROM results GROUP BY analyzer")
            return Counter({a: n for a, n in rows if a.startswith("osprey")})

    def _rows_left(self) -> list[str]:
        """Old rows that the journal should have let go; a restart needs the last of each."""
        found = [
            f"the journal has {n} results of {analyzer}"
            for analyzer, n in self._journal_rows().items()
            if n > RESTART_ENTRIES
        ]
        with self._journal() as journal:
            ((events,),) = journal.execute("SELECT count(*) FROM events WHERE kind = 'comment'")
        return found + [f"the journal has {events} old events"] * bool(events)

    def _young_rows_gone(self, ended: Ended) -> list[str]:
        """Results that are in the files, and that the journal should have, too."""
        with duckdb.connect(config={"autoinstall_known_extensions": "false"}) as duck:
            rows = duck.execute(
                "SELECT analyzer, epoch, cycle_number FROM "
                f"'{self._folder}/history/results/**/*.parquet' WHERE judged_at > ?",
                [ended.now - JOURNAL_KEEP],
            ).fetchall()
        with self._journal() as journal:
            held = set(journal.execute("SELECT analyzer, epoch, cycle_number FROM results"))
        return [f"gone from the journal too early: {key}" for key in set(rows) - held]


def _period(table: str, at: datetime) -> str:
    return at.strftime("%Y-%m-%d" if table == "traces" else "%Y-%m")


def _end(table: str, period: str) -> datetime:
    return end_of_period(table, datetime.fromisoformat(f"{period}-01"[:10]))
