"""One file of the history as verification sees it: its bytes, and what each row says of itself.

Reads every page of every column, a row group at a time, and keeps a few figures of each row only.
"""

from __future__ import annotations

import hashlib
import struct
from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from edgeflash.errors import StorageError
from edgeflash.history.files import UnreadableFileError
from edgeflash.history.layout import Partition
from edgeflash.history.merge import in_schema
from edgeflash.history.schema import SCHEMA_VERSION, TABLES, TableName, schema
from edgeflash.journal.digest import (
    EVENT_FIGURES,
    RESULT_FIGURES,
    TRACE_FIGURES,
    Figure,
    row_digest,
)

_DAY_US = 86_400_000_000
_1970_ORDINAL = date(1970, 1, 1).toordinal()

Key = tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class Facts:
    """What verification must know of a table beside its declaration. figures: of the digest; none
    for a table that does not come from the journal. journal_key: the part of the key that the
    journal has. names_journal: its rows say which journal they came from; ..._in_key: in their key.
    """

    figures: tuple[Figure, ...]
    journal_key: tuple[str, ...]
    names_journal: bool = False
    names_journal_in_key: bool = False


_CYCLE = ("epoch", "cycle_number")
FACTS: dict[TableName, Facts] = {
    TableName.RESULTS: Facts(RESULT_FIGURES, _CYCLE, True),
    TableName.TRACES: Facts(TRACE_FIGURES, _CYCLE),
    TableName.EVENTS: Facts(EVENT_FIGURES, ("journal_seq",), True, True),
    TableName.LAB: Facts((), ("entry_id",)),
}


@dataclass(slots=True)
class FileRows:
    """What a file holds. Of each row that has a key and a time: its key (as the journal has it),
    day, digest, and when its journal was made (microseconds; None: not said).

    version: of its schema; None when it says none. damaged: rows without key or time.
    doubled: rows whose key stands before them. misplaced: of another analyzer or period.
    has_figures: False when a column of the digest is missing, so that digests say nothing.
    """

    sha256: str
    bytes: int
    version: int | None = None
    rows: int = 0
    damaged: int = 0
    doubled: int = 0
    misplaced: int = 0
    is_sorted: bool = True
    has_figures: bool = True
    keys: list[Key] = field(default_factory=list)
    days: list[str] = field(default_factory=list)
    digests: array[int] = field(default_factory=lambda: array("q"))
    journals_us: list[int | None] = field(default_factory=list)


class UnknownSchemaError(StorageError):
    """A file was written by a newer edgeflash, or by another program."""


def look_at(file: pa.NativeFile, path: Path, partition: Partition) -> FileRows:
    """Everything of an open file. path: for the words only.

    Raises UnreadableFileError, UnknownSchemaError, or StorageError when the disk refuses.
    """
    try:
        file.seek(0)
        sha256 = hashlib.file_digest(file, "sha256").hexdigest()
        found = FileRows(sha256, file.tell())
        file.seek(0)
        with pq.ParquetFile(file, page_checksum_verification=True) as parquet:
            found.version = _version(parquet, path)
            _read_all(parquet, partition, found)
        return found
    except (pa.ArrowException, ValueError, KeyError, struct.error) as error:
        raise UnreadableFileError(f"{path}: cannot be read: {str(error).rstrip('.')}") from error
    except OSError as error:
        # Arrow also says OSError for damaged pages; errno tells the disk's own errors apart.
        if error.errno is None:
            raise UnreadableFileError(f"{path}: damaged: {error}") from error
        raise StorageError(f"{path}: the disk refuses to read this file: {error}") from error


def _version(parquet: pq.ParquetFile, path: Path) -> int:
    told = (parquet.schema_arrow.metadata or {}).get(b"schema_version", b"")
    if not told.isdigit():
        raise UnknownSchemaError(f"{path}: it does not say by which schema it was written")
    version = int(told)
    if not 1 <= version <= SCHEMA_VERSION:
        raise UnknownSchemaError(
            f"{path}: written by schema version {version}, this edgeflash knows those up to "
            f"{SCHEMA_VERSION}: update edgeflash"
        )
    return version


def _read_all(parquet: pq.ParquetFile, partition: Partition, found: FileRows) -> None:
    facts, table = FACTS[partition.table], TABLES[partition.table]
    there = set(parquet.schema_arrow.names)
    missing = {*table.key, table.time} - there
    if missing:
        raise ValueError(f"it has no column {', '.join(sorted(missing))}")
    found.has_figures = all(f.name in there for f in facts.figures)
    seen: set[Key] = set()
    last: tuple[Any, ...] | None = None
    for number in range(parquet.num_row_groups):
        group = parquet.read_row_group(number, use_threads=False)
        found.rows += len(group)
        for row in _rows(group, partition.table, found.has_figures):
            if row.at_us is None or None in row.key:
                found.damaged += 1
                continue
            # As Arrow sorts: what is not known comes last.
            place = (row.at_us, *((value is None, value) for value in row.order))
            found.is_sorted &= last is None or last <= place
            last = place
            found.doubled += row.key in seen
            seen.add(row.key)
            day = day_of_us(row.at_us)
            found.misplaced += (row.analyzer or "") != partition.analyzer or not day.startswith(
                partition.period
            )
            found.keys.append(row.journal_key)
            found.days.append(day)
            found.digests.append(row.digest)
            found.journals_us.append(row.journal_us)


@dataclass(frozen=True, slots=True)
class _Row:
    analyzer: str | None
    at_us: int | None
    key: Key
    order: tuple[Any, ...]
    journal_key: Key
    digest: int
    journal_us: int | None


def _rows(group: pa.Table, table: TableName, has_figures: bool) -> Iterator[_Row]:
    """The rows of a group, by the columns that the digest and the place are made of."""
    facts, declared = FACTS[table], schema(table)
    key, time = TABLES[table].key_in_file, TABLES[table].time
    order = [name for name in TABLES[table].order if name != time]
    names = {f.name for f in facts.figures} | {*key, *order, time, "analyzer"}
    if facts.names_journal:
        names.add("journal_begun_at")
    wanted = pa.schema([declared.field(name) for name in sorted(names)])
    part = in_schema(group.select([n for n in wanted.names if n in group.column_names]), wanted)
    plain = {name: plain_values(part[name]) for name in wanted.names}

    def tuples(of: Sequence[str]) -> Iterator[tuple[Any, ...]]:
        return zip(*(plain[name] for name in of), strict=True)

    journals = plain.get("journal_begun_at", [None] * len(part))
    for at_us, analyzer, key_values, order_values, journal_key, journal_us, values in zip(
        plain[time],
        plain["analyzer"],
        tuples(key),
        tuples(order),
        tuples(facts.journal_key),
        journals,
        tuples([f.name for f in facts.figures]) if facts.figures else [()] * len(part),
        strict=True,
    ):
        digest = row_digest(facts.figures, values) if has_figures else 0
        yield _Row(analyzer, at_us, key_values, order_values, journal_key, digest, journal_us)


def plain_values(column: pa.ChunkedArray[Any]) -> Sequence[Any]:
    """The values as a digest takes them: times as microseconds, samples as arrays with NaN."""
    if pa.types.is_list(column.type):
        return [samples for chunk in column.chunks for samples in _samples(chunk)]
    is_time = pa.types.is_timestamp(column.type)
    values: list[Any] = (column.cast(pa.int64()) if is_time else column).to_pylist()
    return values


def _samples(chunk: Any) -> Iterator[Any]:
    values = np.asarray(chunk.values.to_numpy(zero_copy_only=False), np.float32)
    ends = chunk.offsets.to_numpy()
    for row, is_null in enumerate(chunk.is_null().to_pylist()):
        yield None if is_null else values[ends[row] : ends[row + 1]]


@lru_cache(4096)
def _day(number: int) -> str:
    return date.fromordinal(_1970_ORDINAL + number).isoformat()


def day_of_us(at_us: int) -> str:
    """The UTC day of a time in microseconds since 1970."""
    return _day(at_us // _DAY_US)
