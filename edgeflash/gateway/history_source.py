"""Where the outlets get the history of a point from: the Parquet files and the journal's tail."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import islice
from pathlib import Path

from edgeflash.config.site import Analyzer
from edgeflash.history.by_time import ResultsByTime
from edgeflash.history.tail import ResultsTail
from edgeflash.journal import JournalReader
from edgeflash.outlets.history_rows import HISTORIC, Query, Reader, Row, columns_of, row_of
from edgeflash.outlets.values import OutletUnits
from edgeflash.points import Point


class HistorySource:
    """The history of every analyzer of the site. Its readers block: for a thread of their own."""

    def __init__(self, folder: Path, journal: JournalReader, analyzers: Sequence[Analyzer]) -> None:
        self._folder = folder
        columns = {name: None for point in HISTORIC for name in columns_of(point)}
        self._tail = ResultsTail(journal, tuple(columns))
        self._hold_s = {a.id: a.hold_s for a in analyzers}

    def reader(self, analyzer: str, point: Point, units: OutletUnits) -> Reader:
        """Reads one point as it stands now; for a few reads by one thread.

        Raises StorageError when the journal cannot be read.
        """
        results = ResultsByTime(self._folder, self._tail, analyzer, columns_of(point))
        hold_s = self._hold_s[analyzer]

        def read(query: Query) -> Sequence[Row]:
            low, high = query.low, query.high
            if query.after is not None:
                low, high = (query.after.at, high) if query.forward else (low, query.after.at)
            rows = (
                row_of(point, cells, units, hold_s)
                for cells in results.rows(low, high, query.forward)
            )
            return list(islice((r for r in rows if query.takes(r.place)), query.limit))

        return read
