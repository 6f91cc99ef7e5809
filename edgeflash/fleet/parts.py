"""The parts of a site as they stand in the store: read, checked against their manifests."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from edgeflash.errors import EdgeflashError
from edgeflash.fleet.manifest import (
    Manifest,
    ManifestError,
    decoded,
    folder_number,
    manifest_path,
    manifests_folder,
    serial_in,
)
from edgeflash.fleet.store import Store
from edgeflash.fleet.tables import keys, keys_checksum, midnight, time_of
from edgeflash.history.columns import TIMESTAMP
from edgeflash.history.schema import TableName

_AT_ONCE = 8
"""Requests on their way: object storage answers slowly, and many at once."""


LARGEST_PART_BYTES = 1 << 28
"""A day of traces has some 10 MB; a part is read whole into memory."""

LARGEST_DECODED_BYTES = 1 << 29
"""Of a part as rows. A file of some kB can be made to hold any number of them."""

MOST_COLUMNS = 1000
"""With those inside of others."""

_WIDE_GAP = 1000
_FOLDER = re.compile(r"[0-9]{6}")


class MissingManifestError(ManifestError):
    """A serial without a manifest, though later ones have theirs."""


class DamagedPartError(EdgeflashError):
    """A part whose file is missing, or does not hold what its manifest says."""


def manifests_after(
    store: Store, site: str, table: TableName, serial: int
) -> Iterator[tuple[int, Manifest | ManifestError]]:
    """The manifests behind a serial, in order; an unreadable or missing one as its error.

    Gateways leave no gap. One that is there all the same was deleted, or has not come yet through
    whatever copies the store; a wide one is told by its last serial alone. Raises StoreError.
    """
    found = _serials_after(store, site, table, serial)
    with ThreadPoolExecutor(_AT_ONCE) as pool:
        for start in range(0, len(found), _AT_ONCE):
            chosen = found[start : start + _AT_ONCE]
            paths = [manifest_path(site, table, number) for number in chosen]
            contents = pool.map(store.read, paths)
            for number, path, content in zip(chosen, paths, contents, strict=True):
                yield from _missing(site, table, serial, number)
                serial = number
                try:
                    if content is None:
                        raise MissingManifestError(f"{path}: was there, and is gone")
                    yield number, decoded(content, site, table, number)
                except ManifestError as error:
                    yield number, error


def _missing(
    site: str, table: TableName, before: int, after: int
) -> Iterator[tuple[int, ManifestError]]:
    """What is missing between two serials."""
    gone = range(before + 1, after)
    if len(gone) > _WIDE_GAP:
        first, last = (manifest_path(site, table, n) for n in (gone[0], gone[-1]))
        yield gone[-1], MissingManifestError(f"{first} to {last}: {len(gone)} parts are missing")
        return
    for number in gone:
        yield number, MissingManifestError(f"{manifest_path(site, table, number)}: is missing")


def _serials_after(store: Store, site: str, table: TableName, serial: int) -> list[int]:
    """Serials of manifests that are there, in order."""
    first = folder_number(serial + 1)
    folders = [
        name
        for name in store.names(manifests_folder(site, table))
        if _FOLDER.fullmatch(name) and int(name) >= first
    ]
    serials = (
        serial_in(folder, name)
        for folder in folders
        for name in store.names(f"{manifests_folder(site, table)}/{folder}")
    )
    return sorted(n for n in serials if n is not None and n > serial)


def read_part(store: Store, manifest: Manifest) -> pa.Table:
    """The rows of a part. Raises DamagedPartError, or StoreError when the store cannot say."""
    where = f"{store.url.rstrip('/')}/{manifest.data_path}"
    size = store.size(manifest.data_path)
    if size is None:
        raise DamagedPartError(f"{where}: the file is missing")
    if size != manifest.size or size > LARGEST_PART_BYTES:
        raise DamagedPartError(
            f"{where}: {size} bytes; its manifest says {manifest.size}, and more than "
            f"{LARGEST_PART_BYTES} are never taken"
        )
    content = store.read(manifest.data_path, size)
    if content is None:
        raise DamagedPartError(f"{where}: the file is missing")
    if hashlib.sha256(content).hexdigest() != manifest.sha256:
        raise DamagedPartError(f"{where}: its SHA-256 is not that of its manifest")
    try:
        rows = _decoded(content)
    except (pa.ArrowException, OSError, ValueError) as error:
        raise DamagedPartError(f"{where}: not a readable Parquet file: {error}") from error
    if why := _disagreement(manifest, rows):
        raise DamagedPartError(f"{where}: {why}")
    return rows


def _decoded(content: bytes) -> pa.Table:
    """The rows of a Parquet file. Raises ValueError when they are too large, and as the library."""
    with pq.ParquetFile(pa.BufferReader(content)) as file:
        told = file.metadata
        groups = [told.row_group(n) for n in range(told.num_row_groups)]
        packed = max(1, sum(group.total_byte_size for group in groups))
        if told.num_columns > MOST_COLUMNS or packed > LARGEST_DECODED_BYTES:
            raise ValueError(f"{told.num_columns} columns, {packed} bytes are not taken")
        batches: list[pa.RecordBatch] = []
        size = 0
        # A value that stands in the file once can be that of every row: no batch may grow beyond
        # what is taken of all.
        for batch in file.iter_batches(max(1, LARGEST_DECODED_BYTES // packed), use_threads=False):
            size += batch.nbytes
            if size > LARGEST_DECODED_BYTES:
                raise ValueError(f"more than {LARGEST_DECODED_BYTES} bytes of rows are not taken")
            batches.append(batch)
        return pa.Table.from_batches(batches, file.schema_arrow)


def _disagreement(manifest: Manifest, rows: pa.Table) -> str:
    """What of the manifest is not true of the rows; empty when all is."""
    table, moment = manifest.table, time_of(manifest.table)
    try:
        if len(rows) != manifest.rows:
            return f"{len(rows)} rows, its manifest says {manifest.rows}"
        if keys_checksum(table, rows) != manifest.keys_sha256:
            return "the checksum of its keys is not that of its manifest"
        if len(set(keys(table, rows))) != len(rows):
            return "a key stands in it twice"
        analyzers = pc.unique(pc.fill_null(rows["analyzer"], "")).to_pylist()
        if len(rows) and analyzers != [manifest.analyzer]:
            return f"it holds rows of others than analyzer '{manifest.analyzer}'"
        low, high = midnight(manifest.day), midnight(manifest.day + timedelta(days=1))
        inside = pc.and_(
            pc.greater_equal(rows[moment], pa.scalar(low, TIMESTAMP)),
            pc.less(rows[moment], pa.scalar(high, TIMESTAMP)),
        )
        if not pc.all(inside, skip_nulls=False, min_count=0).as_py():
            return f"it holds rows of another day than {manifest.day}"
    except (KeyError, pa.ArrowException) as error:
        return f"it is no file of {table}: {error}"
    return ""
