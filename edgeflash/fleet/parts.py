"""The parts of a site as they stand in the store: read, checked against their manifests."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from edgeflash.errors import EdgeflashError
from edgeflash.fleet.manifest import Manifest, ManifestError, decoded, manifest_path
from edgeflash.fleet.store import Store
from edgeflash.fleet.tables import keys, keys_checksum, midnight, time_of
from edgeflash.history.columns import TIMESTAMP
from edgeflash.history.schema import TableName

_AT_ONCE = 8
"""Requests on their way: object storage answers slowly, and many at once."""


LARGEST_PART_BYTES = 1 << 30
"""A day of traces has some 10 MB; a part is read whole into memory."""


class DamagedPartError(EdgeflashError):
    """A part whose file is missing, or does not hold what its manifest says."""


def manifests_after(
    store: Store, site: str, table: TableName, serial: int
) -> Iterator[tuple[int, Manifest | ManifestError]]:
    """The manifests behind a serial, in order, without a gap; an unreadable one as its error."""
    with ThreadPoolExecutor(_AT_ONCE) as pool:
        while True:
            chosen = range(serial + 1, serial + 1 + _AT_ONCE)
            # The next one alone first: mostly there is none, and that should cost one request.
            contents = [store.read(manifest_path(site, table, chosen[0]))]
            if contents[0] is None:
                return
            paths = [manifest_path(site, table, number) for number in chosen[1:]]
            contents += pool.map(store.read, paths)
            for number, content in zip(chosen, contents, strict=True):
                if content is None:
                    return
                serial = number
                try:
                    yield number, decoded(content, site, table, number)
                except ManifestError as error:
                    yield number, error


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
    content = store.read(manifest.data_path)
    if content is None:
        raise DamagedPartError(f"{where}: the file is missing")
    if hashlib.sha256(content).hexdigest() != manifest.sha256:
        raise DamagedPartError(f"{where}: its SHA-256 is not that of its manifest")
    try:
        rows = pq.read_table(pa.BufferReader(content))
    except (pa.ArrowException, OSError, ValueError) as error:
        raise DamagedPartError(f"{where}: not a readable Parquet file: {error}") from error
    if why := _disagreement(manifest, rows):
        raise DamagedPartError(f"{where}: {why}")
    return rows


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
