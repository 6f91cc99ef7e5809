"""What lies in a history's folder beside its files."""

from __future__ import annotations

import os
from pathlib import Path

from edgeflash.history.findings import Finding, Problem
from edgeflash.history.layout import PENDING_FOLDER, Partition, partition_at
from edgeflash.history.retired import RETENTION_FOLDER
from edgeflash.history.schema import TableName


def strangers(folder: Path) -> tuple[list[Finding], tuple[str, ...]]:
    """Files that are not of the history: those in its tables' folders, which its readers would take
    for a part of it, and the left-overs beside them."""
    tables = {table.value for table in TableName}
    foreign, left_over = list[Finding](), list[str]()
    for top, _, names in os.walk(folder):
        for path in (Path(top) / name for name in names):
            inside = path.relative_to(folder)
            # By its name: one that was listed before may be followed by others meanwhile.
            if partition_at(inside.as_posix()) is not None:
                continue
            if inside.parts[0] in tables:
                sentence = "a file that the gateway did not put there; readers may take it for rows"
                foreign.append(Finding(Problem.FOREIGN_FILE, str(inside), sentence))
            elif inside.parts[0] != RETENTION_FOLDER:
                left_over.append(str(inside))
    return foreign, tuple(sorted(left_over))


def is_being_written(folder: Path, partition: Partition) -> bool:
    """Whether a writer is at work at this file, or was killed while it was."""
    return any((folder / PENDING_FOLDER).glob(f"{partition.flat_name}~*"))
