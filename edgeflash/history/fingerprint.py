"""What a file of the history looks like, byte for byte, as the ledger notes it."""

from __future__ import annotations

import hashlib
from pathlib import Path

from edgeflash.history.layout import Partition
from edgeflash.journal.ledger import FileNote


def fingerprint(path: Path, partition: Partition, rows: int) -> FileNote:
    """The note of a file that holds the rows of a partition, wherever it lies. Raises OSError."""
    with path.open("rb") as file:
        sha256 = hashlib.file_digest(file, "sha256").hexdigest()
        size = file.tell()
    table = partition.table.value
    return FileNote(table, partition.analyzer, partition.period, sha256, size, rows)
