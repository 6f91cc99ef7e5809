"""Rows of the history as one CSV or Parquet file for people and other programs."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import IO, Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from edgeflash.errors import StorageError, UsageError
from edgeflash.history.files import sync_folder
from edgeflash.history.schema import AS_READ, FINDINGS


def export(
    rows: pa.Table | Iterable[pa.Table],
    path: Path,
    schema: pa.Schema | None = None,
    form: str | None = None,
) -> int:
    """Writes the rows to the path as `csv` or `parquet`, else by its suffix; how many.

    rows: one table, or tables of one schema that are written as they come (then `schema` says
    which, for the case that none comes). The file appears whole or not at all; one that was there
    is replaced. Raises UsageError for another form, StorageError when the disk refuses.
    """
    if isinstance(rows, pa.Table):
        return export([rows], path, rows.schema, form)
    if schema is None:
        raise UsageError("an export of several tables needs their schema")
    write = _WRITERS.get(form or path.suffix.lower().removeprefix("."))
    if write is None:
        raise UsageError(f"{path}: the form must be one of {', '.join(_WRITERS)}")
    pending = path.with_name(f".{path.name}.{os.getpid()}.pending")
    try:
        with pending.open("wb") as file:
            count = write(rows, schema, file)
            file.flush()
            os.fsync(file.fileno())
        pending.replace(path)
        sync_folder(path.absolute().parent)
    except OSError as error:
        raise StorageError(f"{path}: the export cannot be written: {error}") from error
    finally:
        with suppress(OSError):
            pending.unlink(missing_ok=True)
    return count


def flat(table: pa.Table) -> pa.Table:
    """The table as CSV can hold it: lists joined by "; ", findings by their sentences.

    Times are ISO 8601 with Z. Nothing becomes an empty field. Column names carry the units. The
    whole cycles as read are left out: nobody reads them in a spreadsheet.
    """
    names = [name for name in table.column_names if name != AS_READ]
    return pa.Table.from_arrays([_flat_column(table[name]) for name in names], names=names)


def _write_csv(tables: Iterable[pa.Table], schema: pa.Schema, file: IO[bytes]) -> int:
    count = 0
    header = flat(schema.empty_table()).schema
    with pa_csv.CSVWriter(file, header) as writer:
        for table in tables:
            writer.write_table(flat(table))
            count += len(table)
    return count


def _write_parquet(tables: Iterable[pa.Table], schema: pa.Schema, file: IO[bytes]) -> int:
    count = 0
    with pq.ParquetWriter(file, schema, compression="zstd") as writer:
        for table in tables:
            if len(table):
                writer.write_table(table)
            count += len(table)
    return count


_WRITERS: dict[str, Callable[[Iterable[pa.Table], pa.Schema, IO[bytes]], int]] = {
    "csv": _write_csv,
    "parquet": _write_parquet,
}


def _flat_column(column: pa.ChunkedArray[Any]) -> pa.ChunkedArray[Any]:
    kind = column.type
    if pa.types.is_timestamp(kind):
        # Without the zone first: with it, Arrow wants a time zone database, which not every
        # machine has.
        text: Any = column.cast(pa.timestamp("us")).cast(pa.string())
        stamped: pa.ChunkedArray[Any] = pc.binary_join_element_wise(
            pc.replace_substring(text, " ", "T"), "Z", ""
        )
        return stamped
    if kind == FINDINGS:
        return _joined([_sentences(row) for row in column.to_pylist()])
    if pa.types.is_list(kind):
        if pa.types.is_struct(kind.value_type):
            return _joined([_fields(row) for row in column.to_pylist()])
        if pa.types.is_floating(kind.value_type):
            column = column.cast(pa.list_(pa.string()))
        return _joined([_texts(row) for row in column.to_pylist()])
    return column


def _sentences(findings: list[dict[str, object]] | None) -> str | None:
    return None if findings is None else "; ".join(str(f["sentence"]) for f in findings)


def _fields(items: list[dict[str, object]] | None) -> str | None:
    """Each item as its fields, `name=value` with blanks between."""
    if items is None:
        return None
    return "; ".join(
        " ".join(f"{name}={_plain(value)}" for name, value in item.items()) for item in items
    )


def _plain(value: object) -> object:
    return value.strftime("%Y-%m-%dT%H:%M:%SZ") if isinstance(value, datetime) else value


def _texts(items: list[str | None] | None) -> str | None:
    return None if items is None else "; ".join("" if item is None else item for item in items)


def _joined(texts: list[str | None]) -> pa.ChunkedArray[Any]:
    return pa.chunked_array([pa.array(texts, pa.string())])
