"""Rows of the history as DuckDB relations: nothing is read before something is asked."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import Any

import pyarrow as pa

from edgeflash.extras import analyst_library
from edgeflash.history.footers import by_schema


def connected() -> Any:
    """A connection in memory that fetches nothing from elsewhere and tells times in UTC.

    Raises MissingExtraError without duckdb.
    """
    duckdb = analyst_library("duckdb")
    connection = duckdb.connect(config={"autoinstall_known_extensions": "false"})
    connection.execute("SET TimeZone = 'UTC'")
    return connection


def of_files(connection: Any, paths: Sequence[str], schema: pa.Schema) -> Any:
    """Parquet files of any version, in the columns and types of the schema."""
    empty = connection.from_arrow(schema.empty_table())
    alike, untold = by_schema(paths)
    parts = [(files, False) for files in alike]
    if untold:
        parts.append((untold, True))
    rows = None
    for files, differ in parts:
        held = connection.read_parquet(files, union_by_name=differ, hive_partitioning=False)
        told = held.project(", ".join(_in_types(held, empty)))
        rows = told if rows is None else rows.union(told)
    return empty if rows is None else rows


def _in_types(held: Any, wanted: Any) -> Iterator[str]:
    """The wanted columns as SQL; null where the held rows lack one."""
    there = dict(zip(held.columns, held.types, strict=True))
    for name, kind in zip(wanted.columns, wanted.types, strict=True):
        if there.get(name) == kind:
            yield quoted(name)
        else:
            value = quoted(name) if name in there else "NULL"
            yield f"CAST({value} AS {kind}) AS {quoted(name)}"


def without(rows: Any, others: Any, key: Sequence[str]) -> Any:
    """Those of the rows whose key is not among the others'."""
    return _joined(rows, others, key, "anti")


def only(rows: Any, others: Any, key: Sequence[str]) -> Any:
    """Those of the rows whose key is among the others'."""
    return _joined(rows, others, key, "semi")


def in_time(rows: Any, column: str, since: datetime | None, until: datetime | None) -> Any:
    """Rows of a time at or after since, and before until."""
    for sign, moment in ((">=", since), ("<", until)):
        if moment is not None:
            stamp = moment.astimezone(UTC).isoformat(sep=" ")
            rows = rows.filter(f"{quoted(column)} {sign} TIMESTAMPTZ '{stamp}'")
    return rows


def quoted(name: str) -> str:
    """A column's name as SQL takes it."""
    return '"' + name.replace('"', '""') + '"'


def _joined(rows: Any, others: Any, key: Sequence[str], how: str) -> Any:
    names = ", ".join(quoted(name) for name in key)
    same = " AND ".join(f"one.{quoted(n)} = other.{quoted(n)}" for n in key)
    return rows.set_alias("one").join(others.project(names).set_alias("other"), same, how=how)
