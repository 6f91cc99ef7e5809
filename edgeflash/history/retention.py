"""Which files of the history have been kept long enough. Pure.

Nothing is deleted but what the site file asks for, and never a file whose period has not ended, nor
one that somebody still owes rows from. Of each table the oldest files go first, whosever they are.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from edgeflash.history.columns import TableName
from edgeflash.history.layout import Partition

UNSEEN = timedelta(days=2)
"""A longer time since the last look is either a gateway that was off or a clock that is wrong."""

WAIT = timedelta(days=7)
"""So long nothing is deleted by its age after that: time for somebody to see the clock."""


class Reason(StrEnum):
    """Why a file is deleted."""

    AGE = "age"
    SIZE = "size"


@dataclass(frozen=True, slots=True)
class Limits:
    """How long a table is kept: so many days after the end of a file's period, and so many bytes
    of all its files together. None: no limit."""

    keep_days: float | None = None
    keep_bytes: int | None = None


@dataclass(frozen=True, slots=True)
class HeldFile:
    """One file of the history and its size."""

    partition: Partition
    size_bytes: int


@dataclass(frozen=True, slots=True)
class Deletion:
    """One file to delete, and why."""

    file: HeldFile
    reason: Reason


@dataclass(frozen=True, slots=True)
class AgeWatch:
    """What guards the deletion by age against a wall clock that is set years ahead.

    looked_at: when the files were last looked at. waits_until: nothing is deleted by its age
    before this; None while the clock is trusted.
    """

    looked_at: datetime | None = None
    waits_until: datetime | None = None

    def looked(self, now: datetime, newest_end: datetime | None) -> AgeWatch:
        """The watch after a look now. newest_end: of the newest period with a file; it stands for
        the last look where there was none."""
        before = self.looked_at
        if before is None:
            before = now if newest_end is None else min(newest_end, now)
        waits_until = self.waits_until
        if now - before > UNSEEN:
            waits_until = now + WAIT
        elif waits_until is not None and not now < waits_until <= now + WAIT:
            # The wait is over, or the clock that asked for it has been set back.
            waits_until = None
        return AgeWatch(now, waits_until)


def to_delete(
    files: Iterable[HeldFile],
    limits: Mapping[TableName, Limits],
    now: datetime,
    owed_from: Mapping[TableName, datetime],
    *,
    by_age: bool = True,
) -> tuple[Deletion, ...]:
    """The files to delete, oldest first in each table.

    owed_from: somebody still wants the rows of this time and later. by_age: False while the wall
    clock is not trusted for it.
    """
    by_table: defaultdict[TableName, list[HeldFile]] = defaultdict(list)
    for file in files:
        by_table[file.partition.table].append(file)
    return tuple(
        deletion
        for table in TableName
        for deletion in _of_table(
            by_table[table],
            limits.get(table, Limits()),
            now,
            min(now, owed_from.get(table, now)),
            by_age,
        )
    )


def _of_table(
    files: list[HeldFile], limits: Limits, now: datetime, free_until: datetime, by_age: bool
) -> Iterable[Deletion]:
    """free_until: only files whose period ended by then may go."""
    left_bytes = sum(f.size_bytes for f in files)
    for file in sorted(files, key=lambda f: (f.partition.period, f.partition.analyzer)):
        end = file.partition.end
        if end > free_until:
            return
        if by_age and limits.keep_days is not None and _age(end, now) >= limits.keep_days:
            yield Deletion(file, Reason.AGE)
        elif limits.keep_bytes is not None and left_bytes > limits.keep_bytes:
            yield Deletion(file, Reason.SIZE)
        else:
            return
        left_bytes -= file.size_bytes


def _age(end: datetime, now: datetime) -> float:
    return (now - end) / timedelta(days=1)
