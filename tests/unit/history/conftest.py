"""A journal and the folder of its history, for the tests of this room."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from edgeflash.journal import Journal


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    """Empty, open for writing."""
    with Journal.open(tmp_path / "journal.sqlite3") as opened:
        yield opened


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Of a history that is still to be written."""
    return tmp_path / "history"
