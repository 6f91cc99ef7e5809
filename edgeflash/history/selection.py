"""Which rows of the history are wanted. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import pyarrow as pa
import pyarrow.compute as pc

from edgeflash.errors import UsageError
from edgeflash.history.columns import TIMESTAMP
from edgeflash.history.layout import Partition, overlaps
from edgeflash.model import Verdict


@dataclass(frozen=True, slots=True)
class Selection:
    """Rows of this analyzer and verdict, of a time at or after `since` and before `until`.

    The time is that of the table: finished_at of results and traces, at of events, sampled_at of
    lab. None takes all; an empty analyzer, the events that are about none. Raises UsageError for a
    time that is no datetime, or without its timezone.
    """

    analyzer: str | None = None
    since: datetime | None = None
    until: datetime | None = None
    verdict: Verdict | None = None

    def __post_init__(self) -> None:
        for name, moment in (("since", self.since), ("until", self.until)):
            if moment is None:
                continue
            if not isinstance(moment, datetime):
                raise UsageError(
                    f"{name}: {moment!r} is no datetime; it must be one with a timezone"
                )
            if moment.tzinfo is None:
                raise UsageError(f"{name}: {moment.isoformat()} lacks its timezone (for UTC add Z)")

    def takes(self, partition: Partition) -> bool:
        """Whether the file can hold wanted rows."""
        right_analyzer = self.analyzer is None or self.analyzer == partition.analyzer
        return right_analyzer and overlaps(partition, self.since, self.until)

    def holds_all_of(self, partition: Partition) -> bool:
        """Whether no row of the file is outside the time."""
        late_enough = self.since is None or self.since <= partition.start
        return late_enough and (self.until is None or partition.end <= self.until)

    def filtered(self, table: pa.Table, time: str = "finished_at") -> pa.Table:
        """The wanted rows, in their order; the verdict only where the table has a column of it.

        time: the table's column of time; a table without it is taken whole (see `holds_all_of`).
        """
        # Masks, not a filter expression: an expression runs in threads and may mix up the order.
        timed = time in table.column_names
        if self.since is not None and timed:
            table = table.filter(pc.greater_equal(table[time], pa.scalar(self.since, TIMESTAMP)))
        if self.until is not None and timed:
            table = table.filter(pc.less(table[time], pa.scalar(self.until, TIMESTAMP)))
        if self.verdict is not None and "verdict" in table.column_names:
            table = table.filter(pc.equal(table["verdict"], pa.scalar(self.verdict.value)))
        return table
