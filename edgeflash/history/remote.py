"""A copy of a history folder on an object store, or on any file system that Arrow knows.

It has no journal's tail. The layout is that of the folder; a file of it is replaced whole there
too, so each row is seen once.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.dataset as ds
import pyarrow.fs as pa_fs
import pyarrow.parquet as pq

from edgeflash.errors import StorageError
from edgeflash.history.columns import TableName
from edgeflash.history.layout import NO_ANALYZER, Partition, partition_at
from edgeflash.history.merge import in_schema
from edgeflash.history.query import Pass
from edgeflash.history.reader import cycle_keys, only_cycles
from edgeflash.history.relations import in_time, only
from edgeflash.history.schema import KEY, TABLES, part_of_schema
from edgeflash.history.selection import Selection


def object_store(where: str, filesystem: Any = None) -> ObjectStore:
    """The history at a URL, or at a path of the file system given. Raises StorageError."""
    try:
        if filesystem is None:
            filesystem, path = pa_fs.FileSystem.from_uri(where)
        else:
            path = where
        found = filesystem.get_file_info(path.rstrip("/"))
        listed = filesystem.get_file_info(
            pa_fs.FileSelector(path.rstrip("/"), allow_not_found=True)
        )
    except (OSError, pa.ArrowException) as error:
        raise StorageError(f"{where}: this place cannot be read: {error}") from error
    # Object stores have no folders: one with something in it is there.
    if found.type is not pa_fs.FileType.Directory and not listed:
        raise StorageError(f"{where}: there is no history here")
    return ObjectStore(filesystem, path.rstrip("/"), where)


@dataclass(frozen=True, slots=True)
class ObjectStore:
    """A history folder on a file system of Arrow's. where: for people."""

    filesystem: Any
    path: str
    where: str

    def reading(
        self, table: TableName, selection: Selection, columns: Sequence[str] | None
    ) -> Pass:
        """See `query.Source`."""
        return _StorePass(self, table, selection, columns)

    def relation(self, connection: Any, table: TableName, selection: Selection) -> Any:
        """See `query.Source`. Arrow reads for DuckDB, which by itself could not."""
        schema = part_of_schema(table, None)
        form = ds.ParquetFileFormat()
        fragments = [
            form.make_fragment(self.file(p), self.filesystem)
            for p in self.partitions(table, selection)
        ]
        files = ds.FileSystemDataset(fragments, schema, form, self.filesystem)
        rows = connection.from_arrow(files if fragments else schema.empty_table())
        rows = in_time(rows, TABLES[table].time, selection.since, selection.until)
        if selection.verdict is None:
            return rows
        if table is TableName.RESULTS:
            return rows.filter(f"verdict = '{selection.verdict.value}'")
        return only(rows, self.relation(connection, TableName.RESULTS, selection), KEY)

    def hold_s(self) -> Mapping[str, float]:
        """See `query.Source`."""
        return {}

    def analyzers(self, table: TableName) -> list[str]:
        """See `query.Source`."""
        return sorted({p.analyzer for p in self.partitions(table, Selection())} - {NO_ANALYZER})

    def sizes(self, table: TableName, selection: Selection) -> Mapping[str, int]:
        """See `query.Source`."""
        found = Counter[str]()
        for partition, size in self._listed(table):
            if selection.takes(partition):
                found[partition.analyzer] += size
        return found

    def partitions(self, table: TableName, selection: Selection) -> list[Partition]:
        """The files that can hold wanted rows, sorted. Raises StorageError."""
        return sorted(p for p, _ in self._listed(table) if selection.takes(p))

    def _listed(self, table: TableName) -> Iterator[tuple[Partition, int]]:
        selector = pa_fs.FileSelector(f"{self.path}/{table}", recursive=True, allow_not_found=True)
        try:
            infos = self.filesystem.get_file_info(selector)
        except (OSError, pa.ArrowException) as error:
            raise StorageError(f"{self.where}: this place cannot be read: {error}") from error
        for info in infos:
            partition = partition_at(info.path.removeprefix(f"{self.path}/"))
            if partition is not None:
                yield partition, info.size or 0

    def file(self, partition: Partition) -> str:
        """The path of a file on the file system."""
        return f"{self.path}/{partition.path(Path()).as_posix()}"

    def read(self, partition: Partition, columns: Sequence[str]) -> pa.Table:
        """These columns of one file, in the present types. Raises StorageError."""
        wanted = part_of_schema(partition.table, columns)
        path = self.file(partition)
        try:
            with (
                self.filesystem.open_input_file(path) as file,
                pq.ParquetFile(file, pre_buffer=True) as parquet,
            ):
                held = set(parquet.schema_arrow.names)
                table = parquet.read(columns=[name for name in columns if name in held])
        except (OSError, pa.ArrowException) as error:
            raise StorageError(
                f"{path}: this file of the history cannot be read: {error}"
            ) from error
        return in_schema(table, wanted).select(wanted.names)


class _StorePass:
    """A reading of an object store; see `query.Pass`."""

    def __init__(
        self,
        store: ObjectStore,
        table: TableName,
        selection: Selection,
        columns: Sequence[str] | None,
    ) -> None:
        self._store, self._table, self._selection = store, table, selection
        self._schema = part_of_schema(table, columns)

    def begin(self) -> tuple[int, Iterator[pa.Table]]:
        """See `query.Pass`."""
        partitions = self._store.partitions(self._table, self._selection)
        return len(partitions), self._tables(partitions)

    def all(self) -> pa.Table:
        """See `query.Pass`."""
        return pa.concat_tables([self._schema.empty_table(), *self.begin()[1]])

    def _tables(self, partitions: Sequence[Partition]) -> Iterator[pa.Table]:
        s, time = self._selection, TABLES[self._table].time
        needed = list(self._schema.names)
        if s.since is not None or s.until is not None:
            needed.append(time)
        keys = None
        if s.verdict is not None:
            if self._table is TableName.RESULTS:
                needed.append("verdict")
            else:
                needed += KEY
                judged = _StorePass(self._store, TableName.RESULTS, s, KEY).all()
                keys = set(cycle_keys(judged))
        for partition in partitions:
            table = self._store.read(partition, tuple(dict.fromkeys(needed)))
            table = s.filtered(table, time)
            if keys is not None:
                table = only_cycles(table, keys)
            yield table.select(self._schema.names)
