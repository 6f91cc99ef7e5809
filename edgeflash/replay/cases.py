"""The recorded cycles of a history and its journal's tail, in the order they were judged.

Reads only. The memory it takes is that of a month of results and a day of traces, whatever the
length of the history.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from edgeflash.config.site import Site
from edgeflash.errors import StorageError
from edgeflash.history.files import read_whole_rows
from edgeflash.history.layout import Partition, partition_of, partitions_in, rows_by_partition
from edgeflash.history.merge import with_new_rows
from edgeflash.history.retired import load_retired
from edgeflash.history.schema import TableName, part_of_schema
from edgeflash.history.writer import CONSUMER
from edgeflash.journal import JOURNAL_NAME, Journal, JournalReader
from edgeflash.model import Pulse, Trace, TraceSource
from edgeflash.replay.recorded import RECORDED_COLUMNS, Key, Recorded, recorded

SHARD_CYCLES = 512
"""At most so many cycles go to another process at once; bounds what waits in memory."""

_MONTHS_KEPT = 2
_CHUNK_RESULTS = 256
_LONG_AGO = datetime.min.replace(tzinfo=UTC)
_PLACE_COLUMNS = (
    "analyzer",
    "epoch",
    "cycle_number",
    "finished_at",
    "judged_at",
    "verdict",
    "journal_begun_at",
    "journal_seq",
)
_TRACE_COLUMNS = (
    "analyzer",
    "epoch",
    "cycle_number",
    "finished_at",
    "source",
    "time_s",
    "temperature_c",
    "pressure_kpa",
    "pulse_interval_s",
    "pulse_kpa",
)


@dataclass(frozen=True, slots=True)
class Place:
    """Where a recorded cycle stands: its key and what the search for it needs."""

    key: Key
    finished_at: datetime
    judged_at: datetime
    is_accepted: bool


@dataclass(frozen=True, slots=True)
class Shard:
    """Cycles of one analyzer and day, to be looked at together.

    tail: rows of `traces` of that day that only the journal holds; None when there are none.
    """

    analyzer: str
    day: Partition
    recorded: tuple[Recorded, ...]
    tail: pa.Table | None


class Recordings:
    """The recorded cycles of a history folder, with what only the journal holds.

    Raises StorageError for a missing folder or a file that cannot be read, from any method.
    """

    def __init__(self, folder: Path, journal: JournalReader | None) -> None:
        if journal is None and not folder.is_dir():
            raise StorageError(f"{folder}: there is no history here")
        self.folder = folder
        # The journal first: a row that leaves its tail meanwhile is in the files by then.
        self._tails = {} if journal is None else _tails(journal)
        self._months: OrderedDict[Partition, dict[Key, dict[str, Any]]] = OrderedDict()

    def analyzers(self) -> list[str]:
        """The analyzers with recorded cycles, by name."""
        found = {p.analyzer for p in partitions_in(self.folder, TableName.RESULTS)}
        return sorted(found | {p.analyzer for p in self._tails})

    def places(self, analyzer: str) -> list[Place]:
        """Where every cycle of the analyzer stands, in the order they were judged."""
        months = set(partitions_in(self.folder, TableName.RESULTS, analyzer))
        months |= {
            p for p in self._tails if p.analyzer == analyzer and p.table is TableName.RESULTS
        }
        found: list[tuple[tuple[Any, ...], Place]] = []
        for month in sorted(months):
            rows: list[dict[str, Any]] = self._table(month, _PLACE_COLUMNS).to_pylist()
            found.extend((_order_of_judging(row), _place(row)) for row in rows)
        return [place for _, place in sorted(found, key=itemgetter(0))]

    def rows(self, analyzer: str, places: Sequence[Place]) -> list[Recorded]:
        """The recorded cycles at these places, in their order."""
        return [self._row(analyzer, place) for place in places]

    def shards(self, analyzer: str, places: Sequence[Place]) -> Iterator[Shard]:
        """The recorded cycles at these places, in their order, a day at a time at most."""

        def day_of(place: Place) -> Partition:
            return partition_of(TableName.TRACES, analyzer, place.finished_at)

        for day, group in groupby(places, day_of):
            of_day = list(group)
            for first in range(0, len(of_day), SHARD_CYCLES):
                some = of_day[first : first + SHARD_CYCLES]
                rows = tuple(self.rows(analyzer, some))
                yield Shard(analyzer, day, rows, self._tails.get(day))

    def _row(self, analyzer: str, place: Place) -> Recorded:
        month = partition_of(TableName.RESULTS, analyzer, place.finished_at)
        found = self._month(month).get(place.key)
        path = month.path(self.folder)
        if found is None:
            raise StorageError(f"{path}: a row vanished while it was read; try again")
        try:
            return recorded(found)
        except (ValueError, TypeError) as error:
            name = f"{analyzer}/{place.key[0]}/{place.key[1]}"
            raise StorageError(f"{path}: the row of {name} is damaged: {error}") from error

    def _month(self, month: Partition) -> dict[Key, dict[str, Any]]:
        """The rows of one file by their key; the last few files are kept."""
        if month not in self._months:
            rows: Any = self._table(month, RECORDED_COLUMNS).to_pylist()
            self._months[month] = {(row["epoch"], row["cycle_number"]): row for row in rows}
            while len(self._months) > _MONTHS_KEPT:
                self._months.popitem(last=False)
        return self._months[month]

    def _table(self, partition: Partition, columns: Sequence[str]) -> pa.Table:
        return with_tail(self.folder, partition, columns, self._tails.get(partition))


def open_recordings(site: Site, folder: Path | None = None) -> Recordings:
    """The recordings of a site's gateway, running or not; folder: of this history only.

    Raises StorageError.
    """
    if folder is not None:
        return Recordings(folder, None)
    path = site.state_dir / JOURNAL_NAME
    if not path.exists():
        return Recordings(site.history_dir, None)
    with Journal.open_readonly(path) as journal:
        return Recordings(site.history_dir, journal)


class DayOfTraces:
    """The traces of one analyzer and day."""

    def __init__(self, folder: Path, shard: Shard) -> None:
        """Raises StorageError when the day's file cannot be read."""
        self._is_deleted = load_retired(folder).holds(shard.day)
        table = with_tail(folder, shard.day, _TRACE_COLUMNS, shard.tail)
        epochs: Any = table["epoch"].to_pylist()
        numbers: Any = table["cycle_number"].to_pylist()
        self._index = {key: n for n, key in enumerate(zip(epochs, numbers, strict=True))}
        self._columns: Mapping[str, Any] = {
            name: table[name].combine_chunks() for name in _TRACE_COLUMNS[4:]
        }

    def why_not(self, key: Key, error: Exception) -> str:
        """Why a cycle cannot be had with what `of` gives, which ended in this error."""
        if self._is_deleted and key not in self._index:
            return "its trace has been deleted: the site keeps results longer than traces"
        return f"its row is damaged: {error}"

    def of(self, key: Key) -> tuple[Trace | None, Pulse | None]:
        """The trace and the fast pulse of a cycle, as far as it has them.

        Raises ValueError for a damaged row.
        """
        n = self._index.get(key)
        if n is None:
            return None, None
        source = self._columns["source"][n].as_py()
        interval_s = self._columns["pulse_interval_s"][n].as_py()
        trace = pulse = None
        if source is not None:
            arrays = (self._array(name, n) for name in ("time_s", "temperature_c", "pressure_kpa"))
            trace = Trace(TraceSource(source), *arrays)
        if interval_s is not None:
            pulse = Pulse(interval_s, self._array("pulse_kpa", n))
        return trace, pulse

    def _array(self, name: str, n: int) -> np.ndarray[Any, Any]:
        """One list; null, which stands for what was no number, as NaN."""
        values = self._columns[name][n]
        if not values.is_valid:
            raise ValueError(f"the list {name} is missing")
        found: np.ndarray[Any, Any] = values.values.to_numpy(zero_copy_only=False)
        return found


def with_tail(
    folder: Path, partition: Partition, columns: Sequence[str], tail: pa.Table | None
) -> pa.Table:
    """The rows of one file and those that only the journal holds."""
    try:
        held = read_whole_rows(folder, partition, columns)
    except FileNotFoundError:
        held = part_of_schema(partition.table, columns).empty_table()
    if tail is None:
        return held
    merged = with_new_rows(held, tail.select(list(columns)))
    return held if merged is None else merged.select(list(columns))


def selected(
    places: Sequence[Place], since: datetime | None, until: datetime | None
) -> tuple[int, int]:
    """From which place to before which the cycles finished at or after since and before until.

    One run in the order of judging: what was judged between two of its cycles belongs to it.
    """
    wanted = [
        n
        for n, place in enumerate(places)
        if (since is None or place.finished_at >= since)
        and (until is None or place.finished_at < until)
    ]
    return (wanted[0], wanted[-1] + 1) if wanted else (0, 0)


def _place(row: Mapping[str, Any]) -> Place:
    return Place(
        (row["epoch"], row["cycle_number"]),
        row["finished_at"],
        row["judged_at"],
        row["verdict"] == "accepted",
    )


def _order_of_judging(row: Mapping[str, Any]) -> tuple[Any, ...]:
    """By the journal's own count: the wall clock may be set back, and judged_at with it.

    The count begins again in a new journal, so journals come by the time they were made: only a
    clock that was behind just when a journal was lost can still mix up the order. Rows without a
    place, of an older edgeflash, are the older ones; among them there is judged_at alone. The
    analyzer's counter would not do for any of this: it begins again too.
    """
    place = (row["journal_begun_at"] or _LONG_AGO, row["journal_seq"] or 0)
    return (*place, row["judged_at"], row["epoch"], row["cycle_number"])


def _tails(journal: JournalReader) -> dict[Partition, pa.Table]:
    """What only the journal holds, as rows by the file they will come to; for both tables."""
    found: dict[Partition, list[pa.Table]] = {}
    seq = journal.position(CONSUMER)
    while entries := journal.entries_after(seq, _CHUNK_RESULTS):
        seq = entries[-1].seq
        for partition, new in rows_by_partition(entries).items():
            found.setdefault(partition, []).append(new)
    return {partition: pa.concat_tables(tables) for partition, tables in found.items()}
