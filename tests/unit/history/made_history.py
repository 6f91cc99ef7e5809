"""Histories made for tests: cycles put into the journal, and files spoiled as others would."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypeAlias

import pyarrow as pa
import pyarrow.parquet as pq

from edgeflash.journal import Journal
from edgeflash.model import Result

Change: TypeAlias = Callable[[pa.Table], pa.Table]
"""What another program does to the rows of a file."""


def store(journal: Journal, *results: Result) -> None:
    """Puts results into the journal; none of them is there already."""
    for done in [journal.append(r) for r in results]:
        assert done.result(30)


def changed(folder: Path, name: str, change: Change) -> None:
    """The file as another program would write it."""
    table = change(pq.ParquetFile(folder / name).read())
    pq.write_table(table, folder / name)


def with_value(name: str, row: int, value: object) -> Change:
    """One value of one row in place of what was there."""

    def change(table: pa.Table) -> pa.Table:
        values = table[name].to_pylist()
        values[row] = value
        place = table.schema.get_field_index(name)
        field = table.schema.field(name)
        return table.set_column(place, field, pa.array(values, field.type))

    return change


def flipped(path: Path, place: int) -> None:
    """One bit of a file, as a disk that ages would have it."""
    data = bytearray(path.read_bytes())
    data[place] ^= 1
    path.write_bytes(data)


HOLDING = """
import sys
from pathlib import Path
from edgeflash.history.one_writer import held_folder
held = held_folder(Path(sys.argv[1]), "it")
print("held", flush=True)
sys.stdin.read()
"""


@contextmanager
def another_process_in(folder: Path) -> Iterator[None]:
    """Another process holds the right to write in a folder, and is killed at the end."""
    other = subprocess.Popen(
        [sys.executable, "-c", HOLDING, str(folder)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    with other:
        try:
            assert other.stdout is not None
            assert other.stdout.readline() == "held\n"
            yield
        finally:
            other.kill()
