"""Made sites whose history can be shipped, and what stands in a shared table. Invented names."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from pathlib import Path

import pyarrow as pa
from deltalake import DeltaTable

from edgeflash.fleet.collect import Collector, CollectReport
from edgeflash.fleet.ledger import LEDGER_NAME, Ledger
from edgeflash.fleet.sealed import still_in_journal
from edgeflash.fleet.ship import Shipper, ShipReport
from edgeflash.fleet.store import Store, open_store
from edgeflash.history import HistoryWriter
from edgeflash.history.schema import TableName
from edgeflash.journal import JOURNAL_NAME, Journal
from edgeflash.model import EventEntry, LabResult, Result
from tests.unit.journal.samples import START

NOW = START + timedelta(days=40)
"""Long after every made cycle."""

TWO = (TableName.RESULTS, TableName.TRACES)


class MadeSite:
    """The state folder of one gateway."""

    def __init__(self, folder: Path, name: str) -> None:
        self.name = name
        self.state = folder
        self.history = folder / "history"
        folder.mkdir(parents=True, exist_ok=True)

    def add(
        self,
        results: Iterable[Result] = (),
        events: Iterable[EventEntry] = (),
        lab: Sequence[LabResult] = (),
        *,
        flush: bool = True,
    ) -> None:
        """Into the journal, and into the files unless told otherwise; lab: into the files."""
        with Journal.open(self.state / JOURNAL_NAME) as journal:
            waiting = [journal.append(result) for result in results]
            for done in (*waiting, *(journal.append_event(event) for event in events)):
                done.result()
            writer = HistoryWriter(journal, self.history)
            if lab:
                writer.add_lab(lab)
            if flush:
                writer.flush()

    def ship(self, store: Store, now: datetime = NOW, *, doubt: bool = False) -> ShipReport:
        """One pass."""
        with Journal.open_readonly(self.state / JOURNAL_NAME) as journal:
            tail = still_in_journal(journal)
        with Ledger(self.state / LEDGER_NAME, store.url, self.name) as ledger:
            shipper = Shipper(self.history, store, ledger, self.name, "gateway")
            if doubt:
                shipper.doubt()
            for _ in shipper.work(now, tail)[1]:
                pass
            return shipper.report


def folder_store(folder: Path) -> Store:
    """A store in a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    return open_store(str(folder))


def collected(store: Store, root: Path, table: TableName = TableName.RESULTS) -> CollectReport:
    """One pass of a collector."""
    return Collector(store, str(root), table, {}).collect()


def shared(root: Path, table: TableName = TableName.RESULTS) -> pa.Table:
    """The rows of a shared table, sorted by key."""
    order = [(n, "ascending") for n in ("site", "analyzer", "epoch", "cycle_number")]
    return DeltaTable(str(root / table.value)).to_pyarrow_table().sort_by(order)


def keys(rows: pa.Table) -> list[tuple[str, str, int, int]]:
    """Site, analyzer, epoch and number of each row."""
    names = ("site", "analyzer", "epoch", "cycle_number")
    return list(zip(*(rows[n].to_pylist() for n in names), strict=True))
