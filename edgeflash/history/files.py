"""The files of the history on disk: replaced whole, read, set aside when unreadable."""

from __future__ import annotations

import os
import struct
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from functools import cached_property
from pathlib import Path
from typing import IO, Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from edgeflash.errors import StorageError
from edgeflash.history.layout import PENDING_FOLDER, UNREADABLE_FOLDER, Partition
from edgeflash.history.merge import in_schema
from edgeflash.history.samples import SAMPLES
from edgeflash.history.schema import AS_READ, TABLES, schema

_MAGIC = b"PAR1"

UNREADABLE = ".unreadable"
"""How the names of files end that were set aside."""

_SAMPLES_LEVEL = 3
"""Of zstd: half the bytes of its lowest level, in the same time."""

_REPEATING = ("temperature_c", "pressure_kpa")


Note = Callable[[Path, int], None]
"""Takes note of a file, synced, and the number of its rows, before it comes to its place."""


def no_note(path: Path, rows: int) -> None:
    """Nobody wants to know."""


class UnreadableFileError(StorageError):
    """A file of the history that is not a whole Parquet file."""


def read_file(folder: Path, partition: Partition, columns: Sequence[str] | None = None) -> pa.Table:
    """The rows of one file, in the present schema (or these columns of it).

    The file is opened once: it may be replaced meanwhile, and then the rows are those from before.
    Raises FileNotFoundError, UnreadableFileError, or StorageError when the disk refuses.
    """
    with opened(folder, partition) as held:
        return held.read(columns)


class RowGroups:
    """One open file of the history, whole or a group of rows at a time; see `opened`."""

    def __init__(self, parquet: pq.ParquetFile, path: Path, wanted: pa.Schema) -> None:
        self._parquet = parquet
        self._path = path
        self._wanted = wanted

    @cached_property
    def schema(self) -> pa.Schema:
        """The present one, and behind it what only the file has. What is read is in it."""
        return in_schema(self._parquet.schema_arrow.empty_table(), self._wanted).schema

    def __len__(self) -> int:
        return int(self._parquet.num_row_groups)

    def row_count(self, group: int) -> int:
        """Rows of one group."""
        return int(self._parquet.metadata.row_group(group).num_rows)

    def read(self, columns: Sequence[str] | None = None) -> pa.Table:
        """Every row, or these columns of it. Raises as `read_file`."""
        with _reading(self._path):
            if columns is None:
                return in_schema(self._parquet.read(), self.schema)
            declared = self._wanted if set(columns) <= set(self._wanted.names) else self.schema
            wanted = pa.schema([declared.field(name) for name in columns])
            wanted = wanted.with_metadata(self._wanted.metadata)
            # Arrow passes over a name that the file does not have.
            return in_schema(self._parquet.read(columns=list(columns)), wanted)

    def group(self, number: int) -> pa.Table:
        """The rows of one group. Raises as `read_file`.

        In the calling thread: each thread of Arrow's pool would keep memory of its own.
        """
        with _reading(self._path):
            return in_schema(self._parquet.read_row_group(number, use_threads=False), self.schema)


def open_for_arrow(path: Path) -> pa.NativeFile:
    """A file open for Arrow to read, which may be replaced meanwhile. Raises OSError.

    Not by Python: Arrow's threads let go of a file of Python's when they like, and where that is
    while a short program ends, it is aborted after its work is done.
    """
    return pa.OSFile(os.fspath(path), "rb")


@contextmanager
def opened(folder: Path, partition: Partition) -> Iterator[RowGroups]:
    """One file of the history, open; it may be replaced meanwhile. Raises as `read_file`."""
    path = partition.path(folder)
    with ExitStack() as stack:
        with _reading(path):
            file = stack.enter_context(open_for_arrow(path))
            parquet = stack.enter_context(pq.ParquetFile(file))
            groups = RowGroups(parquet, path, schema(partition.table))
        yield groups


@contextmanager
def _reading(path: Path) -> Iterator[None]:
    try:
        yield
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


def rows_in(folder: Path, partition: Partition) -> int:
    """How many rows a file has by its footer; 0 where there is none. Raises as `read_file`."""
    try:
        with opened(folder, partition) as held:
            return sum(map(held.row_count, range(len(held))))
    except FileNotFoundError:
        return 0


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


def write_file(
    folder: Path,
    partition: Partition,
    wanted: pa.Schema,
    groups: Iterable[pa.Table],
    note: Note = no_note,
) -> Path:
    """Replaces the file whole: written aside, synced, renamed, folder synced; its path.

    groups: tables in the wanted schema, each of which becomes a row group as it comes.
    At every instant, and after a crash at any, the path holds the old file or the new one.
    Raises StorageError when the disk refuses; the old file then stands, as it does for whatever
    `groups` or `note` raises.
    """
    path = partition.path(folder)
    pending = folder / PENDING_FOLDER / f"{partition.flat_name}~{os.getpid()}"
    rows = 0
    try:
        pending.parent.mkdir(parents=True, exist_ok=True)
        _make_folder(path.parent, folder)
        with pending.open("wb") as file:
            with _parquet_writer(file, wanted) as writer:
                for group in groups:
                    writer.write_table(group, row_group_size=max(1, len(group)))
                    rows += len(group)
            file.flush()
            os.fsync(file.fileno())
        note(pending, rows)
        pending.replace(path)
        sync_folder(path.parent)
    except (OSError, pa.ArrowException) as error:
        raise StorageError(
            f"{path}: the history cannot be written: {error}. Nothing is lost: the journal keeps "
            "the rows until there is room"
        ) from error
    finally:
        with suppress(OSError):
            pending.unlink(missing_ok=True)
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
    while (target := aside / f"{partition.flat_name}~{number}{UNREADABLE}").exists():
        number += 1
    path.rename(target)
    sync_folder(path.parent)
    sync_folder(aside)
    return target


def sync_place(folder: Path, partition: Partition) -> None:
    """Makes the place of a file durable that is there already. Raises StorageError."""
    path = partition.path(folder)
    try:
        sync_folder(path.parent)
    except OSError as error:
        raise StorageError(f"{path}: the disk refuses to keep this file: {error}") from error


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


def _tells_groups_apart(field: pa.Field[Any]) -> bool:
    """Whether a reader may pass over a group of rows because of what is least and most in it.

    Of a measured figure every group has its whole range, and of a whole cycle a text of kilobytes
    would stand in the footer, twice.
    """
    kind = field.type
    return field.name != AS_READ and not (pa.types.is_floating(kind) or pa.types.is_nested(kind))


def _parquet_writer(file: IO[bytes], wanted: pa.Schema) -> pq.ParquetWriter:
    """Encodings that every reader knows, chosen by tests/bench/bench_history.py, part size.

    Byte stream split would save a tenth of the traces more, which not every engine can read.
    """
    # What hardly repeats, measured figures and whole cycles, needs no dictionary: it only costs.
    texts = [f.name for f in wanted if pa.types.is_string(f.type) and f.name != AS_READ]
    samples = {f.name: f"{f.name}.list.element" for f in wanted if f.type == SAMPLES}
    # A transducer at rest gives few different values; so does every sensor behind a converter.
    repeating = [samples[name] for name in _REPEATING if name in samples]
    levels: Any = dict.fromkeys(samples.values(), _SAMPLES_LEVEL) or None
    return pq.ParquetWriter(
        file,
        wanted,
        compression="zstd",
        compression_level=levels,
        use_dictionary=[*texts, *repeating],
        write_statistics=[f.name for f in wanted if _tells_groups_apart(f)],
        store_schema=True,
    )
