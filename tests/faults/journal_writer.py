"""The process that tests kill: stores results and flushes the history without pause.

    python -m tests.faults.journal_writer FOLDER FIRST_NUMBER

Each result is said on the output once it is acknowledged: "analyzer number".
"""

from __future__ import annotations

import itertools
import sys
import threading
from pathlib import Path

import structlog

from edgeflash.history.writer import HistoryWriter
from edgeflash.journal import Journal
from tests.unit.journal.samples import sample_result

ANALYZERS = ("fp-101", "fp-102")


def write(folder: Path, first: int) -> None:
    """Stores cycles of both analyzers from `first` on, for ever."""
    with Journal.open(folder / "journal.sqlite3") as journal:
        history = HistoryWriter(journal, folder / "history", max_batch=40)

        def keep_flushing() -> None:
            while True:
                history.flush()

        def store(number: int) -> None:
            for analyzer in ANALYZERS:
                journal.append(sample_result(number, analyzer)).result()
                print(analyzer, number, flush=True)

        # One flush loads all that is loaded late: from then on a flush is mostly work on files.
        store(first)
        history.flush()
        threading.Thread(target=keep_flushing, daemon=True).start()
        for number in itertools.count(first + 1):
            store(number)


if __name__ == "__main__":
    structlog.configure(logger_factory=structlog.PrintLoggerFactory(sys.stderr))
    write(Path(sys.argv[1]), int(sys.argv[2]))
