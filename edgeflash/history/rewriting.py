"""Rows put into the file they belong to, which is made anew a group of rows at a time.

In memory are a few groups, however long the month or the day has become: a process that runs for
years does not give back what a whole file once took.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from itertools import pairwise
from pathlib import Path

import pyarrow as pa

from edgeflash.history.files import Note, RowGroups, no_note, opened, write_file
from edgeflash.history.layout import Partition
from edgeflash.history.merge import in_order, in_schema, new_rows, places
from edgeflash.history.schema import TABLES, TableName, schema

GROUP_ROWS = {
    TableName.RESULTS: 4096,
    TableName.TRACES: 128,
    TableName.EVENTS: 8192,
    TableName.LAB: 8192,
}
"""Rows of a row group: some 10 MB in memory, and enough for an engine to scan."""


def add_rows(folder: Path, partition: Partition, new: pa.Table, note: Note = no_note) -> int:
    """Puts the rows into their file, which is replaced whole; how many were new to it.

    new: in any order; a row whose key is held changes nothing. note: as `write_file`.
    Raises UnreadableFileError for a file that cannot be read, which then stands, and StorageError
    when the disk refuses.
    """
    try:
        with opened(folder, partition) as held:
            return _rewritten(folder, partition, held, new, note)
    except FileNotFoundError:
        return _rewritten(folder, partition, None, new, note)


def in_groups(tables: Iterable[pa.Table], rows: int) -> Iterator[pa.Table]:
    """The same rows in tables of so many; the last one may have fewer."""
    waiting: list[pa.Table] = []
    for table in tables:
        waiting.append(table)
        while sum(map(len, waiting)) >= rows:
            joined = waiting[0] if len(waiting) == 1 else pa.concat_tables(waiting)
            yield joined.slice(0, rows)
            waiting = [joined.slice(rows)] if len(joined) > rows else []
    if waiting:
        yield pa.concat_tables(waiting)


def _rewritten(
    folder: Path, partition: Partition, held: RowGroups | None, new: pa.Table, note: Note
) -> int:
    table = partition.table
    wanted = schema(table) if held is None else held.schema
    # The versions in the file's metadata are those of the last writer.
    wanted = wanted.with_metadata(new.schema.metadata)
    names = list(dict.fromkeys((*TABLES[table].order, *TABLES[table].key_in_file)))
    keys = schema(table).empty_table() if held is None else held.read(names)
    fresh = new_rows(keys, new, table)
    if len(fresh) == 0:
        return 0
    fresh = in_schema(in_order(fresh, table), wanted)
    parts = iter([fresh]) if held is None else _together(held, keys, fresh, wanted, table)
    write_file(folder, partition, wanted, in_groups(parts, GROUP_ROWS[table]), note)
    return len(fresh)


def _together(
    held: RowGroups, keys: pa.Table, fresh: pa.Table, wanted: pa.Schema, table: TableName
) -> Iterator[pa.Table]:
    """Held and fresh rows in order. keys: of the held rows, the order; fresh: sorted, as wanted."""
    old, coming = places(keys, table), places(fresh, table)
    if any(before > after for before, after in pairwise(old)):
        # Not a file of ours: whole, once.
        yield in_order(pa.concat_tables([in_schema(held.read(), wanted), fresh]), table)
        return
    begin, taken = 0, 0
    for number in range(len(held)):
        group = in_schema(held.group(number), wanted)
        begin += len(group)
        until = len(coming)
        if number < len(held) - 1:
            until = bisect_right(coming, old[begin - 1], taken) if len(group) else taken
        if until > taken:
            group = pa.concat_tables([group, fresh.slice(taken, until - taken)])
            group = in_order(group, table)
            taken = until
        yield group
    if taken < len(coming):
        yield fresh.slice(taken)
