"""The schemas of the history's tables, and rows from what they are made of. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import pyarrow as pa

from edgeflash import __version__
from edgeflash.history.columns import (
    AS_READ,
    COLUMNS,
    FINDINGS,
    TABLES,
    TableName,
    has_samples,
)
from edgeflash.history.filling import filled
from edgeflash.journal import Entry, EventLine
from edgeflash.model import LabResult

__all__ = [
    "AS_READ",
    "COLUMNS",
    "FINDINGS",
    "KEY",
    "NEVER_NULL",
    "ORDER",
    "SCHEMA_VERSION",
    "TABLES",
    "Row",
    "TableName",
    "has_samples",
    "part_of_schema",
    "rows",
    "schema",
]

SCHEMA_VERSION = 3
"""1: results and traces. 2: the row's place in its journal. 3: events and lab."""

KEY = TABLES[TableName.RESULTS].key
"""What names a cycle for ever."""

NEVER_NULL = TABLES[TableName.RESULTS].never_null
"""What every result has."""

ORDER = TABLES[TableName.RESULTS].order
"""How the results, and the traces, of one file are sorted."""

Row = Entry | EventLine | LabResult
"""What becomes a row: of `results` and `traces`, of `events`, of `lab`."""


@lru_cache(64)
def schema(table: TableName, rules_version: str = "") -> pa.Schema:
    """The table's schema, with the versions it was written by as metadata."""
    return pa.schema(
        [c.field for c in COLUMNS[table]],
        metadata={
            b"schema_version": str(SCHEMA_VERSION).encode(),
            b"gateway_version": __version__.encode(),
            b"rules_version": rules_version.encode(),
        },
    )


def part_of_schema(table: TableName, columns: Sequence[str] | None) -> pa.Schema:
    """The schema with these columns only, in their order; None: with all."""
    full = schema(table)
    if columns is None:
        return full
    return pa.schema([full.field(name) for name in columns]).with_metadata(full.metadata)


def rows(
    table: TableName, entries: Sequence[Row], columns: Sequence[str] | None = None
) -> pa.Table:
    """The entries as rows of the table; for traces only those that have a row there.

    columns: only these.
    """
    version = ""
    for entry in entries[-1:]:
        version = entry.result.rules_version if isinstance(entry, Entry) else ""
    if table is TableName.TRACES:
        entries = [e for e in entries if isinstance(e, Entry) and has_samples(e.result)]
    wanted = part_of_schema(table, columns).with_metadata(schema(table, version).metadata)
    declared = {c.name: c for c in COLUMNS[table]}
    arrays = [
        filled([declared[name].get(e) for e in entries], declared[name].type)
        for name in wanted.names
    ]
    return pa.Table.from_arrays(arrays, schema=wanted)
