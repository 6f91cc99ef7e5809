"""One process at a time writes a history; a second one is refused, and nothing is lost by it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from edgeflash.history import HistoryWriter, read_results
from edgeflash.history.one_writer import FolderInUseError, held_folder
from edgeflash.journal import Journal
from tests.unit.history.made_history import HOLDING, another_process_in, store
from tests.unit.journal.samples import sample_result


def test_a_second_process_is_kept_off_until_the_first_has_ended(
    journal: Journal, folder: Path
) -> None:
    """However it ends; what could not be written waits in the journal."""
    with another_process_in(folder):
        store(journal, sample_result(1))
        writer = HistoryWriter(journal, folder)
        for _ in range(2):
            with pytest.raises(FolderInUseError, match="another gateway, or a repair"):
                writer.flush()
        with pytest.raises(FolderInUseError), writer.alone():
            pass
        assert list(folder.iterdir()) == []
    assert writer.flush().results == 1
    assert read_results(folder)["cycle_number"].to_pylist() == [1]
    ended = subprocess.run(
        [sys.executable, "-c", HOLDING, str(folder)],
        check=False,
        input="",
        capture_output=True,
        text=True,
    )
    assert "FolderInUseError" in ended.stderr


def test_a_folder_put_in_its_place_is_held_anew(journal: Journal, folder: Path) -> None:
    """The right goes with the folder, not with its name; within one process it is shared."""
    writer = HistoryWriter(journal, folder)
    writer.flush()
    first = held_folder(folder, "it")
    folder.rename(folder.with_name("before"))
    store(journal, sample_result(1))
    assert writer.flush().results == 1
    assert held_folder(folder, "it").place != first.place
    assert held_folder(folder.with_name("before"), "it") is first
