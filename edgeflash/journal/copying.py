"""A copy of the journal as it stands at one instant, while a gateway writes in it."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterable, Mapping
from contextlib import closing
from pathlib import Path

from edgeflash.errors import StorageError
from edgeflash.journal.ledger import FileNote, note_file
from edgeflash.journal.reading import JournalReader


def copy_journal(
    journal: JournalReader,
    target: Path,
    positions: Mapping[str, int],
    files: Iterable[FileNote],
) -> None:
    """Copies the journal into a new file, whole in itself and synced.

    positions: no further than this are the positions of these consumers in the copy. files: the
    only fingerprints of the history that the copy has.
    Raises StorageError, also when the copy is not sound.
    """
    try:
        with closing(sqlite3.connect(target)) as copy:
            journal.copy_into(copy)
            # Without a write-ahead file beside it: one file, with one sum.
            copy.execute("PRAGMA journal_mode = DELETE")
            copy.execute("PRAGMA synchronous = FULL")
            with copy:
                for consumer, seq in positions.items():
                    copy.execute(
                        "UPDATE positions SET seq = min(seq, ?) WHERE consumer = ?",
                        (seq, consumer),
                    )
                if journal.has_table("history_files"):
                    copy.execute("DELETE FROM history_files")
                    for note in files:
                        note_file(copy, note)
            (told,) = copy.execute("PRAGMA integrity_check(1)").fetchone()
        if told != "ok":
            raise StorageError(f"{journal.path}: the journal is damaged: {told}")
        with target.open("rb") as file:
            os.fsync(file.fileno())
    except (sqlite3.Error, OSError) as error:
        raise StorageError(f"{target}: the journal cannot be copied: {error}") from error
