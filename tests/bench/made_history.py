"""Many years of results, made fast and always the same, in the layout that the gateway writes.

Rows come from a pool of judged, simulated cycles, so that texts, findings and nulls are those of
real ones; times and keys go on, and every real number gets a little noise of its own, so that
nothing compresses better than it would.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from edgeflash.history.files import write_file
from edgeflash.history.layout import Partition
from edgeflash.history.rewriting import GROUP_ROWS, in_groups
from edgeflash.history.schema import AS_READ, TableName, schema

CYCLE_US = 300_000_000
FIRST_MONTH = np.datetime64("2016-01", "M")
PLAIN_GROUP_ROWS = 122_880
"""As DuckDB writes them by itself."""

_NOISE = 1e-3


def analyzer_name(number: int) -> str:
    """Of the analyzer with this number, from 1."""
    return f"kestrel-{number:02}"


def make_history(
    folder: Path, plain: Path, pool: pa.Table, analyzers: int, months: int
) -> Iterator[int]:
    """Writes both; gives the rows of each month's file as it is there.

    folder: of the history. plain: one file of all rows, sorted by analyzer and time.
    """
    wanted = schema(TableName.RESULTS, "bench")
    with pq.ParquetWriter(plain, wanted, compression="zstd") as writer:
        for number in range(1, analyzers + 1):
            waiting: list[pa.Table] = []
            first = 0
            for month in range(months):
                rows = _month(pool, wanted, number, month, first)
                first += len(rows)
                period = str(FIRST_MONTH + month)
                partition = Partition(TableName.RESULTS, analyzer_name(number), period)
                groups = in_groups([rows], GROUP_ROWS[TableName.RESULTS])
                write_file(folder, partition, wanted, groups)
                waiting.append(rows)
                if sum(map(len, waiting)) >= PLAIN_GROUP_ROWS or month == months - 1:
                    writer.write_table(pa.concat_tables(waiting), row_group_size=PLAIN_GROUP_ROWS)
                    waiting = []
                yield len(rows)


def _month(pool: pa.Table, wanted: pa.Schema, number: int, month: int, first: int) -> pa.Table:
    """One month of one analyzer. first: its first cycle number."""
    chance = np.random.default_rng((number, month))
    begin, end = (
        int((FIRST_MONTH + m).astype("datetime64[us]").astype(int)) for m in (month, month + 1)
    )
    finished_us = np.arange(begin + 7_000_000 * number, end, CYCLE_US)
    count = len(finished_us)
    taken = pool.take(pa.array(chance.integers(0, len(pool), count)))
    columns: dict[str, Any] = {}
    for field in wanted:
        column = taken[field.name].combine_chunks()
        if pa.types.is_floating(field.type):
            values = column.to_numpy(zero_copy_only=False) + chance.normal(0.0, _NOISE, count)
            column = pa.array(values, field.type, mask=np.isnan(values))
        columns[field.name] = column
    moments = {"finished_at": 0, "sampled_at": -90_000_000, "judged_at": 1_000_000}
    for name, offset_us in moments.items():
        jitter = chance.integers(0, 1_000_000, count)
        columns[name] = pa.array(finished_us + offset_us + jitter * (name != "finished_at")).cast(
            wanted.field(name).type
        )
    columns["analyzer"] = pa.array([analyzer_name(number)] * count)
    columns["epoch"] = pa.array(np.zeros(count, np.int64))
    columns["cycle_number"] = pa.array(first + np.arange(count))
    columns["journal_seq"] = pa.array((first + np.arange(count)) * 10 + number)
    columns["trace_digest"] = pa.array(chance.integers(0, 2**32, count))
    columns[AS_READ] = pa.nulls(count, pa.string())
    return pa.Table.from_arrays([columns[f.name] for f in wanted], schema=wanted)


def start_of(month: int) -> datetime:
    """When a month of the made history begins."""
    stamp = (FIRST_MONTH + month).astype("datetime64[s]").astype(int)
    return datetime.fromtimestamp(int(stamp), UTC)
