"""Putting new rows to those a file holds: each key once, in order. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import pyarrow as pa

from edgeflash.history.columns import TABLES, TableName


def with_new_rows(
    held: pa.Table, new: pa.Table, table: TableName = TableName.RESULTS
) -> pa.Table | None:
    """Both together, sorted; None when every new row was held already.

    Both are rows of one analyzer and of this table. A held row wins over a new one with the same
    key, and the first new one over a later one, as in the journal. Columns of either stay.
    """
    declared = TABLES[table]
    fresh = _not_in(new, held, declared.key_in_file)
    if len(fresh) == 0:
        return None
    together = pa.concat_tables([held, fresh], promote_options="default") if len(held) else fresh
    # The versions in the file's metadata are those of the last writer.
    together = together.replace_schema_metadata(new.schema.metadata)
    return together.sort_by([(name, "ascending") for name in declared.order])


def in_schema(table: pa.Table, wanted: pa.Schema) -> pa.Table:
    """The table with the wanted columns first, in their types; null where it lacks one.

    Columns that only the table has (a newer edgeflash wrote them) stay behind the wanted ones.
    """
    held = set(table.column_names)
    extra = [table.schema.field(n) for n in table.column_names if n not in wanted.names]
    target = pa.schema([*wanted, *extra]).with_metadata(wanted.metadata)
    columns = [
        table[f.name].cast(f.type) if f.name in held else pa.nulls(len(table), f.type)
        for f in target
    ]
    return pa.Table.from_arrays(columns, schema=target)


def _keys(table: pa.Table, names: Sequence[str]) -> Iterator[tuple[Any, ...]]:
    columns: list[list[Any]] = [_comparable(table[name]).to_pylist() for name in names]
    return zip(*columns, strict=True)


def _comparable(column: pa.ChunkedArray[Any]) -> pa.ChunkedArray[Any]:
    # Whole numbers of microseconds: making times of them costs ten times as much.
    return column.cast(pa.int64()) if pa.types.is_timestamp(column.type) else column


def _not_in(table: pa.Table, held: pa.Table, names: Sequence[str]) -> pa.Table:
    seen = set(_keys(held, names))
    mask = []
    for key in _keys(table, names):
        mask.append(key not in seen)
        seen.add(key)
    return table if all(mask) else table.filter(pa.array(mask, pa.bool_()))
