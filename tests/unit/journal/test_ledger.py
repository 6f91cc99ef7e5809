"""The ledger: every row counted in the commit that stores it, whatever is trimmed later."""

from __future__ import annotations

import sqlite3
import struct
import threading
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from hashlib import blake2b
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings

from edgeflash.errors import StorageError
from edgeflash.history.schema import TableName, rows
from edgeflash.journal import Entry, Journal
from edgeflash.journal.codec import decode, encode
from edgeflash.journal.digest import (
    RESULT_FIGURES,
    TRACE_FIGURES,
    added,
    event_digest,
    result_digest,
    row_digest,
    trace_digest,
)
from edgeflash.journal.ledger import FileNote, Tally, day_of, rows_of_result
from edgeflash.journal.ledger_reading import counted_days, ledger_page, ledger_state
from edgeflash.model import EventEntry, EventKind, Result
from tests.unit.journal.made import results
from tests.unit.journal.samples import START, sample_pulse, sample_result


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite3"


@pytest.fixture
def journal(path: Path) -> Iterator[Journal]:
    with Journal.open(path) as opened:
        yield opened


def store(journal: Journal, *made: Result) -> None:
    for done in [journal.append(r) for r in made]:
        done.result(30)


def days(journal: Journal, table: str, period: str = "2026-05") -> dict[str, Tally]:
    return dict(ledger_page(journal, table, "fp-101", period, "history").days)


def expected(*made: Result) -> Tally:
    total = Tally()
    for result in made:
        total += Tally(1, result_digest(result))
    return total


def without_ledger(path: Path) -> None:
    """As an edgeflash of before the ledger leaves a journal."""
    with closing(sqlite3.connect(path)) as before:
        for table in ("ledger", "ledger_state", "ledger_gaps", "history_files", "history_deleted"):
            before.execute(f"DROP TABLE {table}")


def test_the_digest_is_that_of_rfc_7693() -> None:
    """The stated packing, done by hand, of a trace without a pulse."""
    r = sample_result(7)
    assert r.cycle.trace is not None
    finished_us = round((START - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds()) * 10**6
    finished_us += 7 * 4 * 60 * 10**6
    packed = b"t" + struct.pack("<I", 6) + b"fp-101" + b"w" + struct.pack("<q", 0)
    packed += b"w" + struct.pack("<q", 7) + b"u" + struct.pack("<q", finished_us)
    packed += b"t" + struct.pack("<I", 5) + b"block"
    for name in ("time_s", "temperature_c", "pressure_kpa"):
        packed += b"a" + struct.pack("<I", 60)
        packed += getattr(r.cycle.trace, name).astype("<f4").tobytes()
    packed += b"\0\0"
    digest = blake2b(packed, digest_size=8).digest()
    assert struct.unpack("<q", digest)[0] == trace_digest(r)


@settings(deadline=None, max_examples=60)
@given(results)
def test_a_row_alone_gives_the_same_digest(result: Result) -> None:
    """Of any result, as stored, read again from the journal, and as a row of either table."""
    again = decode(encode(result))
    assert rows_of_result(result) == rows_of_result(again)
    for table, figures, digest in (
        (TableName.RESULTS, RESULT_FIGURES, result_digest(result)),
        (TableName.TRACES, TRACE_FIGURES, trace_digest(result)),
    ):
        made = rows(table, [Entry(1, again, START)])
        if digest is None:
            assert len(made) == 0
            continue
        values = [made[f.name][0].as_py() for f in figures]
        values = [
            np.array(v, np.float32) if isinstance(v, list) else v for v in values
        ]  # None becomes NaN
        assert row_digest(figures, values) == digest


def test_a_commit_that_fails_counts_nothing_twice(journal: Journal) -> None:
    """One job of a group asks for what cannot be: each is done again alone, and counted once."""
    begin = threading.Event()
    begun = journal._submit(lambda connection: begin.wait(30))
    made = [sample_result(n) for n in range(30, 34)]
    kept = [journal.append(result) for result in made]
    refused = journal._submit(
        lambda connection: connection.execute("INSERT INTO nowhere VALUES (1)")
    )
    begin.set()
    assert begun.result(30)
    assert all(done.result(30) for done in kept)
    with pytest.raises(StorageError, match="nowhere"):
        refused.result(30)
    assert sum(days(journal, "results").values(), Tally()) == expected(*made)


def test_the_sum_wraps_and_forgets_the_order() -> None:
    """Modulo 2^64, signed, as SQLite keeps whole numbers."""
    numbers = [2**63 - 1, -(2**63), 5, 2**62, 2**62, 2**62]
    forward = backward = 0
    for number in numbers:
        forward = added(forward, number)
    for number in reversed(numbers):
        backward = added(backward, number)
    assert forward == backward
    assert (sum(numbers) - forward) % 2**64 == 0
    assert -(2**63) <= forward < 2**63


def test_each_day_and_table_is_counted_once(journal: Journal) -> None:
    """By the UTC day of the finish; a repeat counts nothing; a cycle without samples has no
    trace."""
    april, may = [sample_result(n) for n in range(30)], [sample_result(n) for n in range(30, 40)]
    bare, pulsed = (
        sample_result(50, with_trace=False),
        sample_result(51, with_trace=False, pulse=sample_pulse(51)),
    )
    store(journal, *april, *may, bare, pulsed, april[0], may[0])
    assert days(journal, "results") == {"2026-05-01": expected(*may, bare, pulsed)}
    assert days(journal, "results", "2026-04") == {"2026-04-30": expected(*april)}
    assert days(journal, "traces")["2026-05-01"].rows == 11
    assert days(journal, "traces", "2026-05-01") == days(journal, "traces")
    assert counted_days(journal) == [
        (table, "fp-101", day)
        for table in ("results", "traces")
        for day in ("2026-04-30", "2026-05-01")
    ]
    assert ledger_state(journal).whole_after == ""


def test_a_trim_takes_nothing_from_the_ledger(journal: Journal) -> None:
    """And says how far entries may be gone."""
    made = [sample_result(n) for n in range(100)]
    store(journal, *made)
    before = days(journal, "results", "2026-04"), days(journal, "results")
    assert journal.trim(datetime.now(UTC) + timedelta(days=1), ()) > 0
    assert (days(journal, "results", "2026-04"), days(journal, "results")) == before
    assert before[0]["2026-04-30"] + before[1]["2026-05-01"] == expected(*made)
    assert 0 < ledger_state(journal).trimmed_to < 100


def test_a_refused_result_is_not_counted(journal: Journal) -> None:
    """What the journal cannot store is not in the ledger either."""
    naive = sample_result(1, finished_at=datetime(2026, 5, 1))  # noqa: DTZ001
    assert journal.append(naive).exception(30) is not None
    store(journal, sample_result(31))
    assert counted_days(journal) == [
        ("results", "fp-101", "2026-05-01"),
        ("traces", "fp-101", "2026-05-01"),
    ]


@pytest.mark.parametrize("is_trimmed_first", [False, True])
def test_a_journal_of_before_the_ledger_is_counted_and_called_incomplete(
    is_trimmed_first: bool, path: Path
) -> None:
    """What is still there is counted, nothing twice; days up to now may have had more."""
    old, new = [sample_result(n) for n in range(700)], [sample_result(n) for n in range(700, 720)]
    with Journal.open(path) as journal:
        store(journal, *old)
    without_ledger(path)
    with Journal.open_readonly(path) as reader:
        assert ledger_state(reader).whole_after > "2026-05-31"
        assert ledger_page(reader, "results", "fp-101", "2026-05", "history").last_seq == 700
    with Journal.open(path) as journal:
        store(journal, *new)
        assert ledger_state(journal).gaps == ((0, 700),)
        if is_trimmed_first:
            # Nothing is deleted that is not counted.
            assert journal.trim(datetime.now(UTC) + timedelta(days=1), ()) > 600
        else:
            assert journal.fill_ledger() == 700
        assert journal.fill_ledger() == 0
        state = ledger_state(journal)
        assert (state.gaps, state.counted_to) == ((), 720)
        assert state.whole_after >= day_of(datetime.now(UTC))
        april, may = days(journal, "results", "2026-04"), days(journal, "results")
        total = april["2026-04-30"]
        for tally in may.values():
            total += tally
        assert total == expected(*old, *new)
    with Journal.open(path) as journal:
        assert ledger_state(journal) == state


def test_events_are_counted_too(path: Path) -> None:
    """By the day they happened; those of before the ledger once it fills itself."""
    lines = [
        EventEntry(START + timedelta(hours=n), EventKind.ALARM, "fp-101", subject="stale", text="x")
        for n in range(4)
    ]
    with Journal.open(path) as journal:
        for line in lines[:3]:
            journal.append_event(line).result(30)
    without_ledger(path)
    with Journal.open(path) as journal:
        journal.append_event(lines[3]).result(30)
        assert ledger_state(journal, "events").gaps == ((0, 3),)
        assert journal.fill_ledger() == 3
        page = ledger_page(journal, "events", "fp-101", "2026-05", "events:history")
        assert page.last_seq == 4
        assert dict(page.days) == {
            "2026-05-01": Tally(1, event_digest(3, lines[2])) + Tally(1, event_digest(4, lines[3]))
        }
        assert journal.trim_events(START + timedelta(hours=2)) == 2
        assert ledger_state(journal, "events").trimmed_to == 2
        assert ledger_state(journal, "results").trimmed_to == 0
        april = ledger_page(journal, "events", "fp-101", "2026-04", "events:history")
        assert april.days["2026-04-30"].rows == 2


def test_what_an_older_edgeflash_adds_is_counted_later(path: Path) -> None:
    """It knows nothing of the ledger; the next opening sees that it was there."""
    with Journal.open(path) as journal:
        store(journal, *(sample_result(n) for n in range(30, 35)))
    stored = encode(sample_result(35))
    with closing(sqlite3.connect(path)) as older, older:
        older.execute(
            "INSERT INTO results (analyzer, epoch, cycle_number, verdict, judged_us, checksum, "
            "body, trace) VALUES ('fp-101', 0, 35, 'accepted', 0, ?, ?, ?)",
            (stored.checksum, stored.body, stored.trace),
        )
    with Journal.open(path) as journal:
        assert ledger_state(journal).gaps == ((5, 6),)
        assert journal.fill_ledger() == 1
        assert days(journal, "results")["2026-05-01"] == expected(
            *(sample_result(n) for n in range(30, 36))
        )


def test_a_file_has_one_of_the_fingerprints_noted(journal: Journal) -> None:
    """The new one beside the old one until it is confirmed; then alone."""
    first = FileNote("results", "fp-101", "2026-05", "aa", 100, 1)
    second = FileNote("results", "fp-101", "2026-05", "bb", 200, 2)
    other = FileNote("traces", "fp-101", "2026-05-01", "cc", 300, 3)

    def noted() -> tuple[FileNote, ...]:
        return ledger_page(journal, "results", "fp-101", "2026-05", "history").fingerprints

    journal.note_file(other)
    journal.note_file(first)
    journal.confirm_files([first])
    journal.note_file(second)
    assert noted() == (first, second)
    journal.advance("history", 0, [second])
    assert noted() == (second,)
    page = ledger_page(journal, "traces", "fp-101", "2026-05-01", "history")
    assert (page.fingerprints, page.was_deleted) == ((other,), False)
    journal.note_deleted([("traces", "fp-101", "2026-05-01")])
    page = ledger_page(journal, "traces", "fp-101", "2026-05-01", "history")
    assert (page.fingerprints, page.was_deleted) == ((other,), True)
