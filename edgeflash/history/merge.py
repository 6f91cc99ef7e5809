"""Putting new rows to those a file holds: each key once, in order. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, TypeAlias

import pyarrow as pa

from edgeflash.history.columns import TABLES, TableName

Place: TypeAlias = tuple[Any, ...]
"""Where a row stands in its file: the columns of its table's order, times in microseconds."""

_LAST = {pa.int64(): 2**63 - 1, pa.string(): "\U0010ffff"}
"""What stands for null: after all else."""


def with_new_rows(
    held: pa.Table, new: pa.Table, table: TableName = TableName.RESULTS
) -> pa.Table | None:
    """Both together, sorted; None when every new row was held already.

    Both are rows of one analyzer and of this table. A held row wins over a new one with the same
    key, and the first new one over a later one, as in the journal. Columns of either stay.
    """
    fresh = new_rows(held, new, table)
    if len(fresh) == 0:
        return None
    together = pa.concat_tables([held, fresh], promote_options="default") if len(held) else fresh
    # The versions in the file's metadata are those of the last writer.
    return in_order(together.replace_schema_metadata(new.schema.metadata), table)


def new_rows(held: pa.Table, new: pa.Table, table: TableName) -> pa.Table:
    """Those of the new rows that are not held, each once. held: its keys are enough."""
    names = TABLES[table].key_in_file
    seen = set(_keys(held, names))
    mask = []
    for key in _keys(new, names):
        mask.append(key not in seen)
        seen.add(key)
    return new if all(mask) else new.filter(pa.array(mask, pa.bool_()))


def in_order(rows: pa.Table, table: TableName) -> pa.Table:
    """The rows as a file of this table has them."""
    return rows.sort_by([(name, "ascending") for name in TABLES[table].order])


def places(rows: pa.Table, table: TableName) -> list[Place]:
    """Where each row stands; nulls stand last, as sorting puts them."""
    return list(_keys(rows, TABLES[table].order))


def in_schema(table: pa.Table, wanted: pa.Schema) -> pa.Table:
    """The table with the wanted columns first, in their types; null where it lacks one.

    Columns that only the table has (a newer edgeflash wrote them) stay behind the wanted ones.
    """
    if table.schema.equals(wanted, check_metadata=False):
        return pa.Table.from_arrays(table.columns, schema=wanted)
    held = set(table.column_names)
    extra = [table.schema.field(n) for n in table.column_names if n not in wanted.names]
    target = pa.schema([*wanted, *extra]).with_metadata(wanted.metadata)
    columns = [
        table[f.name].cast(f.type) if f.name in held else pa.nulls(len(table), f.type)
        for f in target
    ]
    return pa.Table.from_arrays(columns, schema=target)


def _keys(rows: pa.Table, names: Sequence[str]) -> Iterator[tuple[Any, ...]]:
    return zip(*(_comparable(rows[name]) for name in names), strict=True)


def _comparable(column: pa.ChunkedArray[Any]) -> list[Any]:
    # Whole numbers of microseconds: making times of them costs ten times as much.
    plain = column.cast(pa.int64()) if pa.types.is_timestamp(column.type) else column
    values: list[Any] = plain.fill_null(_LAST[plain.type]).to_pylist()
    return values
