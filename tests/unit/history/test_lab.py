"""The table of laboratory results: written, corrected, read; empty where nothing was entered."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from edgeflash.history import HistoryWriter, read_lab
from edgeflash.history.layout import Partition
from edgeflash.history.schema import TableName, schema
from edgeflash.journal import Journal
from edgeflash.model import LabResult, LabStatus

DRAWN = datetime(2026, 4, 30, 23, 30, tzinfo=UTC)
DAY = timedelta(days=1)

FIRST = LabResult(
    analyzer="kestrel-1",
    entry_id="e-1",
    sample_id="Q-117",
    sampled_at=DRAWN,
    value_c=62.5,
    status=LabStatus.PRELIMINARY,
    entered_at=DRAWN + DAY,
    entered_by="mara",
    reported_at=DRAWN + 0.9 * DAY,
    method="ISO 2719",
    laboratory="quay laboratory",
    product="diesel-b7",
    note="second half of the bottle",
)


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[HistoryWriter]:
    with Journal.open(tmp_path / "journal.sqlite3") as journal:
        yield HistoryWriter(journal, tmp_path / "history")


def test_what_was_entered_is_read(writer: HistoryWriter, folder: Path) -> None:
    """Every field, null where nothing was given; in the month of the sample."""
    bare = LabResult("kestrel-2", "e-2", "Q-118", DRAWN, None, LabStatus.FINAL, DRAWN + DAY)
    assert writer.add_lab([FIRST, bare]) == 2
    table = read_lab(folder)
    assert table.schema.equals(schema(TableName.LAB), check_metadata=True)
    assert table.schema.field("value_c").metadata[b"unit"].decode() == "°C"
    full, empty = table.to_pylist()
    assert full == {
        "analyzer": "kestrel-1",
        "entry_id": "e-1",
        "sample_id": "Q-117",
        "sampled_at": DRAWN,
        "reported_at": DRAWN + 0.9 * DAY,
        "value_c": 62.5,
        "method": "ISO 2719",
        "repeat_number": 1,
        "laboratory": "quay laboratory",
        "product": "diesel-b7",
        "note": "second half of the bottle",
        "status": "preliminary",
        "correction_of": None,
        "entered_by": "mara",
        "entered_at": DRAWN + DAY,
    }
    assert {name for name, value in empty.items() if value is None} == {
        "reported_at",
        "value_c",
        "method",
        "laboratory",
        "product",
        "note",
        "correction_of",
        "entered_by",
    }
    assert (folder / "lab/an=kestrel-1/month=2026-04/lab.parquet").is_file()


def test_a_correction_stands_beside_what_it_corrects(writer: HistoryWriter, folder: Path) -> None:
    """Months later, in the month of the same sample; both rows stay."""
    writer.add_lab([FIRST, replace(FIRST, entry_id="e-9", sampled_at=DRAWN + 40 * DAY)])
    right = replace(
        FIRST, entry_id="e-10", value_c=63.0, correction_of="e-1", entered_at=DRAWN + 90 * DAY
    )
    assert writer.add_lab([right]) == 1
    found = read_lab(folder, "kestrel-1", until=DRAWN + DAY)
    assert found["entry_id"].to_pylist() == ["e-1", "e-10"]
    assert found["correction_of"].to_pylist() == [None, "e-1"]
    assert found["value_c"].to_pylist() == [62.5, 63.0]
    assert len(list((folder / "lab").rglob("*.parquet"))) == 2


def test_the_same_entry_again_changes_nothing(writer: HistoryWriter, folder: Path) -> None:
    """Whoever enters may repeat after a crash; what stands is never overwritten."""
    writer.add_lab([FIRST])
    assert writer.add_lab([FIRST, replace(FIRST, value_c=99.0)]) == 0
    assert read_lab(folder)["value_c"].to_pylist() == [62.5]


def test_without_any_entry_the_table_is_there_and_empty(
    writer: HistoryWriter, folder: Path
) -> None:
    """So that joining it needs no special case."""
    folder.mkdir()
    assert writer.add_lab([]) == 0
    assert read_lab(folder).schema.equals(schema(TableName.LAB))
    assert len(read_lab(folder)) == 0


def test_an_unreadable_file_is_kept_aside(writer: HistoryWriter, folder: Path) -> None:
    """Nothing but a copy brings its rows back; new entries go on."""
    writer.add_lab([FIRST])
    path = Partition(TableName.LAB, "kestrel-1", "2026-04").path(folder)
    path.write_bytes(path.read_bytes()[:100])
    assert writer.add_lab([replace(FIRST, entry_id="e-2")]) == 1
    aside = folder / ".unreadable" / "lab~kestrel-1~2026-04~1.unreadable"
    assert aside.stat().st_size == 100
    assert read_lab(folder)["entry_id"].to_pylist() == ["e-2"]
