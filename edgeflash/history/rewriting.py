"""Rows put into the file they belong to, which is made anew a group of rows at a time.

In memory are a few groups, however long the month or the day has become: a process that runs for
years does not give back what a whole file once took.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, suppress
from itertools import pairwise
from pathlib import Path

import pyarrow as pa

from edgeflash.history.files import (
    Note,
    RowGroups,
    UnreadableFileError,
    no_note,
    opened,
    sync_place,
    write_file,
)
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


def rows_of_a_group(table: TableName, total: int, first: int) -> int:
    """How many rows the groups of a new file have. total: its rows. first: those of the first group
    of the file that it replaces; 0 for none.

    Never as many in the first group as there: a reader that opens a file twice (Polars by a path)
    and takes the old file's footer and the new one's pages then finds pages of another size, and
    fails, where it could else take a late row's neighbours for what stood there before.
    """
    usual = GROUP_ROWS[table]
    return usual if min(usual, total) != first else max(1, first - 1)


def first_group_of(folder: Path, partition: Partition) -> int:
    """How many rows the first group of a file has; 0 where there is none that can be read."""
    try:
        with opened(folder, partition) as held:
            return _first_group_of(held)
    except (FileNotFoundError, UnreadableFileError):
        return 0


def _first_group_of(held: RowGroups | None) -> int:
    return 0 if held is None or len(held) == 0 else held.row_count(0)


def add_rows(folder: Path, partition: Partition, new: pa.Table, note: Note = no_note) -> int:
    """Puts the rows into their file, which is replaced whole; how many were new to it.

    new: in any order; a row whose key is held changes nothing. note: as `write_file`.
    Raises UnreadableFileError for a file that cannot be read, which then stands, and StorageError
    when the disk refuses.
    """
    with ExitStack() as stack:
        held = None
        # Only what the opening raises means that there is no file.
        with suppress(FileNotFoundError):
            held = stack.enter_context(opened(folder, partition))
        return _rewritten(folder, partition, held, new, note)


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
        # They are from before a crash, perhaps one between the file's rename and its folder's sync;
        # who asked goes on to forget them.
        sync_place(folder, partition)
        return 0
    fresh = in_schema(in_order(fresh, table), wanted)
    parts = iter([fresh]) if held is None else _together(held, keys, fresh, wanted, table)
    size = rows_of_a_group(table, len(keys) + len(fresh), _first_group_of(held))
    write_file(folder, partition, wanted, in_groups(parts, size), note)
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
