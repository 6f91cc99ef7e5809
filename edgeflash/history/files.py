"""The files of the history on disk: replaced whole, read whole, set aside when unreadable."""

from __future__ import annotations

import os
import struct
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import IO, Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from edgeflash.errors import StorageError
from edgeflash.history.layout import PENDING_FOLDER, UNREADABLE_FOLDER, Partition
from edgeflash.history.merge import in_schema
from edgeflash.history.schema import AS_READ, TABLES, part_of_schema

_MAGIC = b"PAR1"


class UnreadableFileError(StorageError):
    """A file of the history that is not a whole Parquet file."""


def read_file(folder: Path, partition: Partition, columns: Sequence[str] | None = None) -> pa.Table:
    """The rows of one file, in the present schema (or these columns of it).

    The file is opened once: it may be replaced meanwhile, and then the rows are those from before.
    Raises FileNotFoundError, UnreadableFileError, or StorageError when the disk refuses.
    """
    path = partition.path(folder)
    wanted = part_of_schema(partition.table, columns)
    try:
        with path.open("rb") as file, pq.ParquetFile(file) as parquet:
            held = None if columns is None else [*_held(parquet, columns)]
            return in_schema(parquet.read(columns=held), wanted)
    except FileNotFoundError:
        raise
    except (pa.ArrowException, ValueError, struct.error) as error:
        raise UnreadableFileError(
            f"{path}: this file of the history cannot be read: {str(error).rstrip('.')}. "
            "The gateway sets it aside at its next start and writes again what the journal "
            "still holds"
        ) from error
    except OSError as error:
        # Arrow also says OSError for damaged pages; errno tells the disk's own errors apart.
        if error.errno is None:
            raise UnreadableFileError(f"{path}: damaged: {error}") from error
        raise StorageError(f"{path}: the disk refuses to read this file: {error}") from error


def read_whole_rows(
    folder: Path, partition: Partition, columns: Sequence[str] | None = None
) -> pa.Table:
    """As `read_file`; raises StorageError too for a row that lacks what every row has.

    For those who look at rows. The writer goes on with such a file: it keeps what it finds.
    """
    table = read_file(folder, partition, columns)
    for name in TABLES[partition.table].never_null:
        if name in table.column_names and table[name].null_count:
            row = pc.index(table[name].is_null(), True).as_py() + 1
            raise StorageError(
                f"{partition.path(folder)}: row {row} is damaged: it has no {name}. Put the file "
                "back from a copy, or move it away to go on without it"
            )
    return table


def write_file(folder: Path, partition: Partition, table: pa.Table) -> Path:
    """Replaces the file whole: written aside, synced, renamed, folder synced; its path.

    At every instant, and after a crash at any, the path holds the old file or the new one.
    Raises StorageError when the disk refuses; the old file then stands.
    """
    path = partition.path(folder)
    pending = folder / PENDING_FOLDER / f"{partition.flat_name}~{os.getpid()}"
    try:
        pending.parent.mkdir(parents=True, exist_ok=True)
        _make_folder(path.parent, folder)
        with pending.open("wb") as file:
            _write_parquet(table, file)
            file.flush()
            os.fsync(file.fileno())
        pending.replace(path)
        sync_folder(path.parent)
    except (OSError, pa.ArrowException) as error:
        with suppress(OSError):
            pending.unlink(missing_ok=True)
        raise StorageError(
            f"{path}: the history cannot be written: {error}. Nothing is lost: the journal keeps "
            "the rows until there is room"
        ) from error
    return path


def delete_pending(folder: Path) -> int:
    """Deletes what a killed writer left half-written; the number of files."""
    left = [p for p in (folder / PENDING_FOLDER).glob("*") if p.is_file()]
    for path in left:
        path.unlink(missing_ok=True)
    return len(left)


def looks_whole(path: Path) -> bool:
    """Whether a file begins and ends as Parquet does. Cheap: finds truncated and foreign files.

    Layout: magic, pages, footer, footer length (4 bytes), magic (Apache Parquet format).
    """
    with path.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        if size < 12:
            return False
        file.seek(0)
        if file.read(4) != _MAGIC:
            return False
        file.seek(size - 8)
        (footer_bytes,) = struct.unpack("<I", file.read(4))
        return file.read(4) == _MAGIC and footer_bytes + 12 <= size


def set_aside(folder: Path, partition: Partition) -> Path:
    """Moves an unreadable file out of the readers' sight, keeping it; its new path."""
    path = partition.path(folder)
    aside = folder / UNREADABLE_FOLDER
    aside.mkdir(parents=True, exist_ok=True)
    number = 1
    while (target := aside / f"{partition.flat_name}~{number}.unreadable").exists():
        number += 1
    path.rename(target)
    sync_folder(path.parent)
    sync_folder(aside)
    return target


def sync_folder(path: Path) -> None:
    """Makes the names in a folder durable."""
    descriptor = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _make_folder(path: Path, top: Path) -> None:
    """Makes the folder and syncs each folder above that got a new name in it."""
    if path.is_dir():
        return
    path.mkdir(parents=True, exist_ok=True)
    for parent in path.parents:
        sync_folder(parent)
        if parent == top:
            return


def _write_parquet(table: pa.Table, file: IO[bytes]) -> None:
    # What hardly repeats, measured figures and whole cycles, needs no dictionary: it only costs.
    texts: Any = [f.name for f in table.schema if pa.types.is_string(f.type) and f.name != AS_READ]
    pq.write_table(table, file, compression="zstd", use_dictionary=texts, store_schema=True)


def _held(parquet: pq.ParquetFile, columns: Sequence[str]) -> list[str]:
    names = set(parquet.schema_arrow.names)
    return [name for name in columns if name in names]
