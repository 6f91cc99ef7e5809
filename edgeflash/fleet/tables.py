"""What ship and collect must know of a table of the history: key, time, checksums. Pure."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from edgeflash.history.columns import TIMESTAMP
from edgeflash.history.schema import TABLES, TableName


def key_of(table: TableName) -> tuple[str, ...]:
    """The columns that name a row of a site's table for ever."""
    return TABLES[table].key


def time_of(table: TableName) -> str:
    """The column that says to which day a row belongs."""
    return TABLES[table].time


def rows_by_day(table: TableName, rows: pa.Table) -> Iterator[tuple[date, pa.Table]]:
    """The rows of each UTC day, days in order, sorted by key."""
    times = rows[time_of(table)]
    days = pc.unique(pc.floor_temporal(times, unit="day")).to_pylist()
    for day in sorted(moment.date() for moment in days if moment is not None):
        low, high = midnight(day), midnight(day + timedelta(days=1))
        inside = pc.and_(
            pc.greater_equal(times, pa.scalar(low, TIMESTAMP)),
            pc.less(times, pa.scalar(high, TIMESTAMP)),
        )
        yield day, in_order(table, rows.filter(inside))


def in_order(table: TableName, rows: pa.Table) -> pa.Table:
    """Sorted by key, each column in one piece."""
    return rows.sort_by([(name, "ascending") for name in key_of(table)]).combine_chunks()


def midnight(day: date) -> datetime:
    """The beginning of a UTC day."""
    return datetime.combine(day, time(), UTC)


def keys(table: TableName, rows: pa.Table, *more: str) -> list[str]:
    """Each row's key as text, `analyzer/epoch/cycle_number`; times in microseconds.

    more: columns that count as part of it.
    """
    parts = [_text(rows[name]) for name in (*key_of(table), *more)]
    joined = pc.binary_join_element_wise(*parts, "/", null_handling="replace", null_replacement="")
    found: list[str] = joined.to_pylist()
    return found


def keys_checksum(table: TableName, rows: pa.Table) -> str:
    """SHA-256 over the sorted keys, one a line; in hexadecimal."""
    text = "".join(f"{key}\n" for key in sorted(keys(table, rows)))
    return hashlib.sha256(text.encode()).hexdigest()


def content_digest(rows: pa.Table) -> str:
    """Equal only for equal rows in equal order; in hexadecimal.

    A column of nulls alone counts as none, so that one that a later version adds changes nothing.
    Equal rows may, rarely, differ in it: Arrow has more than one way to hold the same.
    """
    names = sorted(n for n in rows.column_names if rows[n].null_count < len(rows))
    bare = rows.select(names)
    bare = bare.cast(pa.schema([f.remove_metadata() for f in bare.schema]))
    # Taking each row anew lays the values out alike, however they came to be in memory.
    bare = bare.take(pa.array(range(len(bare)), pa.int64())).combine_chunks()
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, bare.schema) as writer:
        writer.write_table(bare)
    return hashlib.sha256(memoryview(sink.getvalue())).hexdigest()


def changed_rows(table: TableName, rows: pa.Table, known: pa.Table) -> pa.Table:
    """Those of the rows that `known` lacks, or holds with other content."""
    schema = pa.unify_schemas([_bare(rows.schema), _bare(known.schema)])
    ours, theirs = widened(rows, schema), widened(known, schema)
    place = {key: index for index, key in enumerate(keys(table, theirs))}
    chosen = [
        index
        for index, key in enumerate(keys(table, ours))
        if key not in place or not ours.slice(index, 1).equals(theirs.slice(place[key], 1))
    ]
    return rows.take(pa.array(chosen, pa.int64()))


def newest(table: TableName, parts: list[pa.Table], *more: str) -> pa.Table:
    """Parts, oldest first, as one table in which a later part's row takes an earlier one's place.

    more: columns that count as part of the key.
    Raises pa.ArrowException when a column has types that do not go together.
    """
    schema = pa.unify_schemas([p.schema for p in parts])
    together = pa.concat_tables([widened(p, schema) for p in parts])
    last = {key: index for index, key in enumerate(keys(table, together, *more))}
    return together.take(pa.array(sorted(last.values()), pa.int64())).combine_chunks()


def widened(rows: pa.Table, schema: pa.Schema) -> pa.Table:
    """The rows in this schema: its columns in its order, null where the rows have none."""
    held = set(rows.column_names)
    columns = [
        rows[f.name].cast(f.type) if f.name in held else pa.nulls(len(rows), f.type) for f in schema
    ]
    return pa.Table.from_arrays(columns, schema=schema)


def _bare(schema: pa.Schema) -> pa.Schema:
    return pa.schema([f.remove_metadata().with_nullable(True) for f in schema])


def _text(column: Any) -> Any:
    if pa.types.is_timestamp(column.type):
        column = column.cast(pa.int64())
    return column.cast(pa.string())
