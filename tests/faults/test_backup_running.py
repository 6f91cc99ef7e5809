"""Backups made while a process stores results and flushes the history without pause."""

from __future__ import annotations

import threading
from datetime import UTC, datetime
from pathlib import Path

import pytest

from edgeflash.history import HistoryWriter, read_results, read_traces
from edgeflash.history.backup import back_up
from edgeflash.history.restore import restore
from edgeflash.history.verify import verify
from edgeflash.journal import JOURNAL_NAME, Journal
from tests.faults.test_journal_kill import Key, acknowledged, keys_read, running
from tests.unit.journal.samples import sample_result

BACKUPS = 4


@pytest.mark.slow
def test_a_backup_of_a_running_gateway_is_whole(tmp_path: Path) -> None:
    """What was acknowledged before a backup began is in it, once; the restored journal and history
    verify as sound, and go on."""
    safe: list[Key] = []
    with running(tmp_path, 0) as process:
        safe += acknowledged(process, 40)
        reading = threading.Thread(target=lambda: safe.extend(acknowledged(process)))
        reading.start()
        made = []
        with Journal.open_readonly(tmp_path / JOURNAL_NAME) as journal:
            for hour in range(BACKUPS):
                before = list(safe)
                now = datetime(2026, 5, 2, hour, tzinfo=UTC)
                done = back_up(tmp_path / "history", journal, tmp_path / "backups", now)
                made.append((before, done))
                assert verify(tmp_path / "history", journal).findings == ()
        process.kill()
        reading.join()
    assert len(safe) > len(made[0][0])
    for number, (before, done) in enumerate(made):
        assert done.doubtful == ()
        state = tmp_path / f"restored-{number}"
        assert restore(done.folder, state, state / "history").found.findings == ()
        with Journal.open(state / JOURNAL_NAME) as journal:
            HistoryWriter(journal, state / "history").flush()
            for table in (read_results(state / "history"), read_traces(state / "history")):
                found = keys_read(table)
                assert len(set(found)) == len(found)
                assert set(before) <= set(found)
            last = max(cycle for _, cycle in found)
            latest = journal.latest("fp-101")
            assert latest is not None
            assert latest.cycle.cycle_number in (last, last - 1)
            later = [sample_result(last + 1 + n) for n in range(3)]
            assert all(journal.append(r).result(30) for r in later)
            assert HistoryWriter(journal, state / "history").flush().results == 3
            assert verify(state / "history", journal).findings == ()
