"""The event record in the history: each line once, in its month, whoever looks."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from edgeflash.history import EVENTS_CONSUMER, HistoryWriter, read_events
from edgeflash.history import writer as history_writer
from edgeflash.history.layout import NO_ANALYZER, Partition, partitions_in
from edgeflash.history.schema import TableName, schema
from edgeflash.journal import Journal
from edgeflash.journal.ledger import FileNote
from edgeflash.model import EventEntry, EventKind
from tests.unit.journal.samples import START, sample_result

HOUR = timedelta(hours=1)

TEST_ON = EventEntry(
    START, EventKind.TEST_ON, "kestrel-1", "mara", "opcua 192.0.2.7", "stream", "7 für 60 s", START
)
LOGIN = EventEntry(START + 3 * HOUR, EventKind.LOGIN_FAILED, who="ole", via="opcua 192.0.2.9")


def note(journal: Journal, *events: EventEntry) -> None:
    for done in [journal.append_event(e) for e in events]:
        done.result(30)


def files_in(folder: Path) -> list[str]:
    return sorted(str(p.relative_to(folder)) for p in folder.rglob("*.parquet"))


def numbers(folder: Path, journal: Journal | None = None) -> list[int]:
    found: list[int] = read_events(folder, journal)["journal_seq"].to_pylist()
    return found


def test_a_row_says_what_the_line_says(journal: Journal, folder: Path) -> None:
    """Every field; nothing is null, not an empty text; times in UTC."""
    note(journal, TEST_ON, LOGIN)
    report = HistoryWriter(journal, folder).flush()
    assert (report.events, report.files, report.results) == (2, 2, 0)
    table = read_events(folder)
    assert table.schema.equals(schema(TableName.EVENTS), check_metadata=True)
    about_none, about_one = table.to_pylist()
    begun_at = about_one["journal_begun_at"]
    assert begun_at.tzinfo is not None
    assert about_one == {
        "analyzer": "kestrel-1",
        "at": START,
        "kind": "test_on",
        "subject": "stream",
        "text": "7 für 60 s",
        "who": "mara",
        "via": "opcua 192.0.2.7",
        "until": START,
        "journal_begun_at": begun_at,
        "journal_seq": 1,
    }
    assert [name for name, value in about_none.items() if value is None] == [
        "analyzer",
        "subject",
        "text",
        "until",
    ]


def test_files_lie_by_analyzer_and_month(journal: Journal, folder: Path) -> None:
    """What is about no analyzer lies apart; months change at midnight UTC."""
    note(journal, TEST_ON, replace(TEST_ON, at=START + 2 * HOUR), LOGIN)
    HistoryWriter(journal, folder).flush()
    assert files_in(folder) == [
        "events/an=_site/month=2026-05/events.parquet",
        "events/an=kestrel-1/month=2026-04/events.parquet",
        "events/an=kestrel-1/month=2026-05/events.parquet",
    ]


def test_no_analyzer_can_take_the_place_of_the_site(journal: Journal, folder: Path) -> None:
    """Even one with just that name has a folder of its own, and is read back as it was."""
    note(journal, LOGIN, replace(LOGIN, analyzer="_site"), replace(LOGIN, analyzer="%5Fsite"))
    HistoryWriter(journal, folder).flush()
    assert [f.split("/")[1] for f in files_in(folder)] == [
        "an=%255Fsite",
        "an=%5Fsite",
        "an=_site",
    ]
    assert [p.analyzer for p in partitions_in(folder, TableName.EVENTS)] == [
        NO_ANALYZER,
        "%5Fsite",
        "_site",
    ]
    for name, seq in ((NO_ANALYZER, 1), ("_site", 2), ("%5Fsite", 3)):
        assert read_events(folder, analyzer=name)["journal_seq"].to_pylist() == [seq]


def test_each_line_once_however_often_it_comes(journal: Journal, folder: Path) -> None:
    """Killed after the files and before the position, or told to take all again."""
    note(journal, TEST_ON, LOGIN, LOGIN)
    writer = HistoryWriter(journal, folder)
    writer.flush()
    journal.rewind(EVENTS_CONSUMER)
    note(journal, LOGIN)
    assert numbers(folder, journal) == [2, 3, 4, 1]
    report = writer.flush()
    assert (report.events, journal.position(EVENTS_CONSUMER)) == (1, 4)
    assert numbers(folder) == numbers(folder, journal) == [2, 3, 4, 1]


def test_a_second_flush_touches_no_file(journal: Journal, folder: Path) -> None:
    """Without news."""
    note(journal, TEST_ON)
    writer = HistoryWriter(journal, folder)
    writer.flush()
    before = [(folder / f).stat().st_mtime_ns for f in files_in(folder)]
    assert writer.flush().files == 0
    assert before == [(folder / f).stat().st_mtime_ns for f in files_in(folder)]


def test_a_late_line_lands_in_its_own_month_in_its_place(journal: Journal, folder: Path) -> None:
    """The record is in the order of writing, the file in that of time."""
    note(journal, replace(TEST_ON, at=START + 30 * 24 * HOUR), TEST_ON)
    writer = HistoryWriter(journal, folder)
    writer.flush()
    note(journal, replace(TEST_ON, at=START - HOUR))
    writer.flush()
    table = read_events(folder, until=START + HOUR)
    assert table["journal_seq"].to_pylist() == [3, 2]
    assert table["at"].to_pylist() == [START - HOUR, START]


def test_a_new_journal_counts_anew_and_loses_no_line(folder: Path, tmp_path: Path) -> None:
    """After the loss of a journal its numbers come again, for other lines."""
    for name, event in (("first", TEST_ON), ("second", replace(TEST_ON, text="another"))):
        with Journal.open(tmp_path / name) as journal:
            note(journal, event)
            HistoryWriter(journal, folder).flush()
    table = read_events(folder)
    assert table["journal_seq"].to_pylist() == [1, 1]
    assert set(table["text"].to_pylist()) == {"7 für 60 s", "another"}
    assert len(set(table["journal_begun_at"].to_pylist())) == 2


def test_a_journal_put_back_from_a_backup_loses_no_line(folder: Path, tmp_path: Path) -> None:
    """It goes on from the number it had: the same numbers stand for other lines then."""
    path, copy = tmp_path / "journal.sqlite3", tmp_path / "copy.sqlite3"
    with Journal.open(path) as journal:
        note(journal, TEST_ON)
        HistoryWriter(journal, folder).flush()
        with closing(sqlite3.connect(path)) as live, closing(sqlite3.connect(copy)) as backup:
            live.backup(backup)
        note(journal, replace(TEST_ON, at=START + HOUR, text="after the backup"))
        HistoryWriter(journal, folder).flush()
    with Journal.open(copy) as journal:
        note(journal, replace(TEST_ON, at=START + 1.5 * HOUR, text="after the restart"))
        HistoryWriter(journal, folder).flush()
    assert read_events(folder)["text"].to_pylist() == [
        "7 für 60 s",
        "after the backup",
        "after the restart",
    ]


def test_by_analyzer_and_time_with_what_is_only_in_the_journal(
    journal: Journal, folder: Path
) -> None:
    """The same rows before and after they come to the files."""
    note(journal, *(replace(TEST_ON, at=START + n * HOUR) for n in range(4)), LOGIN)
    folder.mkdir()
    for _ in ("in the journal", "in the files"):
        assert len(read_events(folder, journal)) == 5
        found = read_events(folder, journal, "kestrel-1", START + HOUR, START + 3 * HOUR)
        assert found["at"].to_pylist() == [START + HOUR, START + 2 * HOUR]
        assert read_events(folder, journal, NO_ANALYZER)["who"].to_pylist() == ["ole"]
        HistoryWriter(journal, folder).flush()
    assert len(read_events(folder)) == 5


def test_an_unreadable_file_is_filled_again(journal: Journal, folder: Path) -> None:
    """From the journal; the results are not taken again for it."""
    note(journal, TEST_ON, LOGIN)
    assert journal.append(sample_result(1)).result(30)
    HistoryWriter(journal, folder).flush()
    damaged = Partition(TableName.EVENTS, "kestrel-1", "2026-04").path(folder)
    damaged.write_bytes(b"no Parquet file")
    report = HistoryWriter(journal, folder).flush()
    (aside,) = report.set_aside
    assert aside.name == "events~kestrel-1~2026-04~1.unreadable"
    assert (report.events, report.results) == (1, 0)
    assert numbers(folder) == [2, 1]


def test_many_events_come_in_batches(
    journal: Journal, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Memory is bounded by the batch, as with results."""
    monkeypatch.setattr(history_writer, "_CHUNK_EVENTS", 4)
    note(journal, *(replace(TEST_ON, at=START + n * HOUR) for n in range(30)))
    seen: list[int] = []
    advance = Journal.advance

    def watched(self: Journal, consumer: str, seq: int, files: Sequence[FileNote] = ()) -> None:
        advance(self, consumer, seq, files)
        seen.append(seq)

    monkeypatch.setattr(Journal, "advance", watched)
    HistoryWriter(journal, folder, max_batch=12).flush()
    assert seen == [12, 24, 30]
    assert numbers(folder) == list(range(1, 31))


def test_a_trim_leaves_what_the_history_does_not_hold(
    journal: Journal, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By age and by number alike; another consumer that is behind holds them as well."""
    monkeypatch.setattr("edgeflash.journal.store.MOST_EVENTS", 2)
    late = datetime(2100, 1, 1, tzinfo=UTC)
    note(journal, *(replace(TEST_ON, at=START + n * HOUR) for n in range(5)))
    assert journal.trim_events(late, (EVENTS_CONSUMER,)) == 0
    HistoryWriter(journal, folder).flush()
    note(journal, LOGIN)
    assert journal.trim_events(late, (EVENTS_CONSUMER, "events:another")) == 0
    assert journal.trim_events(late, (EVENTS_CONSUMER,)) == 5
    assert [seq for seq, _ in journal.events_after(0, 10)] == [6]
    HistoryWriter(journal, folder).flush()
    assert sorted(numbers(folder)) == [1, 2, 3, 4, 5, 6]


def test_a_line_of_a_newer_version_is_passed_over(journal: Journal, folder: Path) -> None:
    """After going back to an earlier one: it hides none behind it and stops no flush."""
    note(journal, *(replace(TEST_ON, at=START + n * HOUR) for n in range(5)))
    with closing(sqlite3.connect(journal.path)) as other:
        other.execute("UPDATE events SET kind = 'of the future' WHERE seq IN (1, 3)")
        other.commit()
    assert [seq for seq, _ in journal.events_after(0, 1)] == [2]
    assert [seq for seq, _ in journal.events_after(0, 10)] == [2, 4, 5]
    assert HistoryWriter(journal, folder).flush().events == 3
    assert numbers(folder) == [2, 4, 5]
    assert journal.position(EVENTS_CONSUMER) == 5
