"""Putting new rows to those a file holds: each key once, in order. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, TypeAlias

import pyarrow as pa

from edgeflash.history.schema import ORDER

Place: TypeAlias = tuple[int, int, int]
"""Where a row stands in its file: when it was finished, in microseconds, epoch, cycle number."""

_NO_TIME_US = 2**63 - 1


def with_new_rows(held: pa.Table, new: pa.Table) -> pa.Table | None:
    """Both together, sorted; None when every new row was held already.

    Both are rows of one analyzer. A held row wins over a new one with the same key, and the first
    new one over a later one, as in the journal. Columns of either stay.
    """
    fresh = new_rows(held, new)
    if len(fresh) == 0:
        return None
    together = pa.concat_tables([held, fresh], promote_options="default") if len(held) else fresh
    # The versions in the file's metadata are those of the last writer.
    return in_order(together.replace_schema_metadata(new.schema.metadata))


def new_rows(held: pa.Table, new: pa.Table) -> pa.Table:
    """Those of the new rows that are not held, each once. held: its keys are enough."""
    return _not_in(new, _keys(held))


def in_order(table: pa.Table) -> pa.Table:
    """The rows as a file has them."""
    return table.sort_by([(name, "ascending") for name in ORDER])


def places(table: pa.Table) -> list[Place]:
    """Where each row stands; those without a time stand last, as sorting puts them."""
    times = table["finished_at"].cast(pa.int64()).fill_null(_NO_TIME_US).to_pylist()
    return [(at_us, *key) for at_us, key in zip(times, _each_key(table), strict=True)]


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


def _keys(table: pa.Table) -> set[tuple[int, int]]:
    return set(_each_key(table))


def _each_key(table: pa.Table) -> Iterator[tuple[int, int]]:
    epochs: list[Any] = table["epoch"].to_pylist()
    numbers: list[Any] = table["cycle_number"].to_pylist()
    return zip(epochs, numbers, strict=True)


def _not_in(table: pa.Table, keys: set[tuple[int, int]]) -> pa.Table:
    seen = set(keys)
    mask = []
    for key in _each_key(table):
        mask.append(key not in seen)
        seen.add(key)
    return table if all(mask) else table.filter(pa.array(mask, pa.bool_()))
