"""The tables of the history, each declared once: columns, key, order, and the time of its files.

Pure. All else, layout, merging, reading, retention and the documentation, follows from here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from edgeflash.history.column import TIMESTAMP, Column, TableName
from edgeflash.history.event_columns import EVENT_COLUMNS
from edgeflash.history.lab_columns import LAB_COLUMNS
from edgeflash.history.result_columns import AS_READ, CHECKS, FINDINGS, RESULT_COLUMNS
from edgeflash.history.trace_columns import TRACE_COLUMNS, has_samples

__all__ = [
    "AS_READ",
    "CHECKS",
    "COLUMNS",
    "CYCLE_KEY",
    "FINDINGS",
    "TABLES",
    "TIMESTAMP",
    "Column",
    "Table",
    "TableName",
    "has_samples",
]

CYCLE_KEY = ("analyzer", "epoch", "cycle_number")
"""What names a cycle for ever."""


@dataclass(frozen=True, slots=True)
class Table:
    """One table of the history.

    time: the column whose UTC month (or day) a row's file is of. key: names a row for ever.
    order: how the rows of one file are sorted. never_null: what every row has; without it no
    reader could place the row, or say what it is. day_files: one file for each day, else month.
    """

    columns: tuple[Column[Any], ...]
    time: str
    key: tuple[str, ...]
    order: tuple[str, ...]
    never_null: tuple[str, ...]
    day_files: bool = False

    @property
    def key_in_file(self) -> tuple[str, ...]:
        """What names a row among those of one file, which are all of one analyzer."""
        return tuple(name for name in self.key if name != "analyzer")


_CYCLE_ORDER = ("finished_at", "epoch", "cycle_number")

TABLES: Mapping[TableName, Table] = {
    TableName.RESULTS: Table(
        RESULT_COLUMNS,
        time="finished_at",
        key=CYCLE_KEY,
        order=_CYCLE_ORDER,
        never_null=(*CYCLE_KEY, "finished_at", "sampled_at", "judged_at", "verdict"),
    ),
    TableName.TRACES: Table(
        TRACE_COLUMNS,
        time="finished_at",
        key=CYCLE_KEY,
        order=_CYCLE_ORDER,
        never_null=(*CYCLE_KEY, "finished_at"),
        day_files=True,
    ),
    TableName.EVENTS: Table(
        EVENT_COLUMNS,
        time="at",
        key=("journal_begun_at", "journal_seq", "at"),
        order=("at", "journal_begun_at", "journal_seq"),
        never_null=("at", "kind", "journal_begun_at", "journal_seq"),
    ),
    TableName.LAB: Table(
        LAB_COLUMNS,
        time="sampled_at",
        key=("analyzer", "entry_id"),
        order=("sampled_at", "sample_id", "repeat_number", "entry_id"),
        never_null=("analyzer", "entry_id", "sampled_at", "status"),
    ),
}

COLUMNS: Mapping[TableName, tuple[Column[Any], ...]] = {
    name: table.columns for name, table in TABLES.items()
}
