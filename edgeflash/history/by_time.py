"""One analyzer's results in the order in which their samples were taken, either way.

The files are by the time a result was made; the sample was taken earlier, by the analyzer's cycle
and the transport lag, which differ from stream to stream. So rows near the end of a month may
stand in the next one's file.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from edgeflash.history.columns import TIMESTAMP, TableName
from edgeflash.history.files import read_whole_rows
from edgeflash.history.layout import Partition, partitions_in
from edgeflash.history.merge import in_schema, with_new_rows
from edgeflash.history.retired import load_retired
from edgeflash.history.schema import part_of_schema
from edgeflash.history.tail import ResultsTail

LONGEST_DELAY = timedelta(days=2)
"""From the sample to its result: the longest transport lag of a site file, a day, and a cycle."""

_ORDER = ("sampled_at", "epoch", "cycle_number")
_SLICE = 1024
_MONTHS_KEPT = 4


class ResultsByTime:
    """The results of one analyzer as they stand at one instant, for several looks at them.

    columns: only these; those of the order among them. Reads files as they are needed, and keeps
    the last few. For one thread. Raises StorageError, as a look does.
    """

    def __init__(
        self, folder: Path, tail: ResultsTail, analyzer: str, columns: Sequence[str]
    ) -> None:
        self._folder = folder
        self._columns = tuple(columns)
        self._schema = part_of_schema(TableName.RESULTS, self._columns)
        # The journal first: what has left its tail by then is in its file.
        tails = tail.now(analyzer)
        found = set(partitions_in(folder, TableName.RESULTS, analyzer))
        retired = load_retired(folder)
        self._tails = {p: t for p, t in tails.items() if p in found or not retired.holds(p)}
        self._months = sorted({*found, *self._tails})
        self._kept: dict[Partition, pa.Table] = {}

    def rows(self, low: datetime, high: datetime, forward: bool) -> Iterator[Mapping[str, Any]]:
        """Rows whose sample was taken from low to high, both included, by time or against it."""
        for table in self._tables(low, high, forward):
            for start in range(0, len(table), _SLICE):
                yield from table.slice(start, _SLICE).to_pylist()

    def _tables(self, low: datetime, high: datetime, forward: bool) -> Iterator[pa.Table]:
        """The rows in order, in parts; a part holds what no file still to be read comes before."""
        months = [m for m in self._months if _may_hold(m, low, high)]
        if not forward:
            months.reverse()
        waiting = self._schema.empty_table()
        for place, month in enumerate(months):
            table = _between(self._month(month), low, high)
            if not forward:
                table = table[::-1] if len(table) else table
            if len(waiting):
                waiting = _sorted(pa.concat_tables([waiting, table]), forward)
            else:
                waiting = table
            following = months[place + 1] if place + 1 < len(months) else None
            settled = _settled(waiting, month, following, forward)
            yield waiting.slice(0, settled)
            waiting = waiting.slice(settled)
        yield waiting

    def _month(self, month: Partition) -> pa.Table:
        """The month's rows in order, its file's and the journal's."""
        kept = self._kept.pop(month, None)
        if kept is None:
            kept = self._read(month)
            while len(self._kept) >= _MONTHS_KEPT:
                del self._kept[next(iter(self._kept))]
        self._kept[month] = kept
        return kept

    def _read(self, month: Partition) -> pa.Table:
        try:
            held = read_whole_rows(self._folder, month, self._columns)
        except FileNotFoundError:
            # Not made yet, or set aside or deleted since we looked: its rows are not there.
            held = self._schema.empty_table()
        tail = self._tails.get(month)
        if tail is not None:
            merged = with_new_rows(held, tail.select(self._schema.names))
            held = held if merged is None else merged
        held = in_schema(held, self._schema).select(self._schema.names)
        return _sorted(held.combine_chunks(), forward=True)


def _may_hold(month: Partition, low: datetime, high: datetime) -> bool:
    # No moment is moved: there may be no such one.
    return month.end > low and month.start - high <= LONGEST_DELAY


def _between(table: pa.Table, low: datetime, high: datetime) -> pa.Table:
    times = table["sampled_at"]
    inside = pc.and_(
        pc.greater_equal(times, pa.scalar(low, TIMESTAMP)),
        pc.less_equal(times, pa.scalar(high, TIMESTAMP)),
    )
    return table.filter(inside)


def _sorted(table: pa.Table, forward: bool) -> pa.Table:
    direction = "ascending" if forward else "descending"
    return table.sort_by([(name, direction) for name in _ORDER])


def _settled(table: pa.Table, month: Partition, following: Partition | None, forward: bool) -> int:
    """How many rows come before all those of the months still to be read."""
    if following is None:
        return len(table)
    times = table["sampled_at"]
    if forward:
        sure = pc.less(times, pa.scalar(following.start - LONGEST_DELAY, TIMESTAMP))
    else:
        sure = pc.greater_equal(times, pa.scalar(following.end, TIMESTAMP))
    return int(pc.sum(sure).as_py() or 0)
