"""What the journal promises: durable, once, in order, and never more than it was asked."""

from __future__ import annotations

import asyncio
import dataclasses
import os
import sqlite3
import threading
from collections.abc import Iterator
from concurrent.futures import Future
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from edgeflash.errors import StorageError
from edgeflash.journal import Journal
from edgeflash.journal.codec import UnstorableResultError
from edgeflash.journal.store import RESTART_ENTRIES
from edgeflash.model import EventEntry, EventKind, Verdict
from edgeflash.rules.memory import PAST_CYCLES
from tests.unit.journal.samples import CYCLE, START, sample_result

LATE = START + timedelta(days=400)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "state" / "journal.sqlite3"


@pytest.fixture
def journal(path: Path) -> Iterator[Journal]:
    with Journal.open(path) as opened:
        yield opened


def fill(journal: Journal, count: int, analyzer: str = "fp-101") -> None:
    for done in [journal.append(sample_result(n, analyzer)) for n in range(count)]:
        assert done.result(10)


def test_what_was_appended_is_there_after_a_restart(path: Path) -> None:
    """Results outlive the process that wrote them, equal to the last bit of their trace."""
    with Journal.open(path) as journal:
        fill(journal, 5)
    with Journal.open(path) as journal:
        expected = [sample_result(n) for n in range(5)]
        assert expected == [e.result for e in journal.entries_after(0, 10)]


def test_the_same_cycle_twice_changes_nothing(journal: Journal) -> None:
    """The first one stays, the second is answered False and takes no room."""
    first = sample_result(7)
    second = dataclasses.replace(first, product="other")
    assert journal.append(first).result(10) is True
    assert journal.append(second).result(10) is False
    assert journal.count() == 1
    assert first == journal.latest("fp-101")


def test_the_key_is_analyzer_epoch_and_number(journal: Journal) -> None:
    """After a restart of the analyzer's counter its numbers come again; they are other cycles."""
    for result in (sample_result(1), sample_result(1, epoch=1), sample_result(1, "fp-102")):
        assert journal.append(result).result(10)
    assert journal.count() == 3


async def test_append_async_answers_after_the_commit(journal: Journal, path: Path) -> None:
    """When the await returns, another connection sees the row."""
    assert await journal.append_async(sample_result(1)) is True
    other = sqlite3.connect(path)
    assert other.execute("SELECT count(*) FROM results").fetchone() == (1,)
    other.close()
    assert await journal.append_async(sample_result(1)) is False


async def test_a_cancelled_append_is_still_stored(journal: Journal) -> None:
    """Whoever stops waiting does not take the result with him."""
    task = asyncio.create_task(journal.append_async(sample_result(1)))
    await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    await journal.append_async(sample_result(2))
    assert journal.count() == 2


def test_commits_are_synced(journal: Journal) -> None:
    """Write-ahead mode with synchronous FULL (2 in SQLite's pragma documentation)."""
    done: Future[tuple[object, object]] = journal._submit(
        lambda connection: (
            connection.execute("PRAGMA journal_mode").fetchone()[0],
            connection.execute("PRAGMA synchronous").fetchone()[0],
        )
    )
    assert done.result(10) == ("wal", 2)


def test_a_burst_shares_commits(journal: Journal) -> None:
    """What waits during a sync goes into one commit: far fewer commits than results."""
    at_writer, go_on = threading.Event(), threading.Event()

    def hold(connection: sqlite3.Connection) -> None:
        at_writer.set()
        assert go_on.wait(10)

    holding = journal._submit(hold)
    assert at_writer.wait(10)
    burst = [journal.append(sample_result(n)) for n in range(300)]
    statements: list[str] = []
    journal._writer.set_trace_callback(statements.append)
    go_on.set()
    holding.result(10)
    assert all(done.result(30) for done in burst)
    assert statements.count("COMMIT") <= 3
    assert journal.count() == 300


def test_many_threads_may_append(journal: Journal) -> None:
    """Eight threads, each its own analyzer and all of one shared: every key once."""
    answers: list[bool] = []

    def work(index: int) -> None:
        for n in range(25):
            journal.append(sample_result(n, f"fp-{index}", with_trace=False)).result(30)
            answers.append(journal.append(sample_result(n, "shared", with_trace=False)).result(30))

    threads = [threading.Thread(target=work, args=(i,)) for i in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert answers.count(True) == 25
    assert journal.count() == 9 * 25


def test_latest_and_last_accepted(journal: Journal) -> None:
    """The latest is the one written last, though an older one may have come late."""
    for number, verdict in ((5, Verdict.ACCEPTED), (6, Verdict.REJECTED), (4, Verdict.DOUBTFUL)):
        journal.append(sample_result(number, verdict=verdict)).result(10)
    journal.append(sample_result(9, "fp-102", verdict=Verdict.REJECTED)).result(10)
    latest, accepted = journal.latest("fp-101"), journal.last_accepted("fp-101")
    assert latest is not None
    assert accepted is not None
    assert (latest.cycle.cycle_number, accepted.cycle.cycle_number) == (4, 5)
    assert journal.last_accepted("fp-102") is None
    assert journal.latest("fp-103") is None


def test_entries_come_in_order_and_by_pages(journal: Journal) -> None:
    """Going from page to page by the last seq meets every entry once."""
    fill(journal, 23)
    seen, seq = [], 0
    while page := journal.entries_after(seq, 5):
        seen += [e.result.cycle.cycle_number for e in page]
        seq = page[-1].seq
    assert seen == list(range(23))


def test_each_consumer_has_its_own_position(path: Path) -> None:
    """Positions are kept over a restart, never move back by advance, and start at 0."""
    with Journal.open(path) as journal:
        fill(journal, 5)
        journal.advance("history", 4)
        journal.advance("history", 2)
        assert (journal.position("history"), journal.position("mqtt")) == (4, 0)
        assert (journal.pending("history"), journal.pending("mqtt")) == (1, 5)
    with Journal.open(path) as journal:
        assert journal.position("history") == 4
        journal.rewind("history")
        assert journal.position("history") == 0


def test_trim_waits_for_every_consumer(journal: Journal) -> None:
    """What one consumer has not passed stays, however old."""
    fill(journal, 20 + RESTART_ENTRIES)
    journal.advance("history", 20)
    journal.advance("mqtt", 6)
    assert journal.trim(LATE, ("history", "mqtt", "never ran")) == 0
    assert journal.trim(LATE, ("history", "mqtt")) == 6
    left = [e.result.cycle.cycle_number for e in journal.entries_after(0, 99)]
    assert left == [*range(6, 20 + RESTART_ENTRIES)]


def test_trim_keeps_what_a_restart_needs(journal: Journal) -> None:
    """The last entries and the last accepted of each analyzer stay, however old."""
    kept = RESTART_ENTRIES
    fill(journal, 16)  # the last accepted of these is 13
    fill(journal, 1, "fp-102")
    late = [sample_result(n, verdict=Verdict.REJECTED) for n in range(16, 26 + kept)]
    assert all(done.result(10) for done in [journal.append(r) for r in late])
    journal.advance("history", 999)
    assert journal.trim(LATE, ("history",)) == 15 + 10
    left = [e.result.id for e in journal.entries_after(0, 999)]
    assert left[:2] == ["fp-101/0/13", "fp-102/0/0"]
    assert left[2:] == [r.id for r in late[-kept:]]
    assert late[-kept:] == journal.recent("fp-101", kept)


def test_trim_keeps_all_that_judging_remembers() -> None:
    """The journal may not import the rules, so that the two figures can part unseen."""
    assert RESTART_ENTRIES >= PAST_CYCLES


def test_trim_keeps_what_is_young(journal: Journal) -> None:
    """Only what was judged before the given time goes."""
    fill(journal, 20 + RESTART_ENTRIES)
    journal.advance("history", 999)
    assert journal.trim(START + 10 * CYCLE, ("history",)) == 10
    assert journal.count() == 10 + RESTART_ENTRIES


def test_trim_takes_more_than_one_commit(journal: Journal) -> None:
    """Thousands of rows go in portions, all of them, and numbers are never given again."""
    last = [journal.append(sample_result(n, with_trace=False)) for n in range(1301)]
    assert all(done.result(60) for done in last)
    journal.advance("history", 1301)
    assert journal.trim(LATE, ("history",)) == 1301 - RESTART_ENTRIES
    assert journal.append(sample_result(2000)).result(10)
    kept = range(1302 - RESTART_ENTRIES, 1303)
    assert [e.seq for e in journal.entries_after(0, 99)] == [*kept]


def test_states_outlive_a_restart(path: Path) -> None:
    """The last text of each key, whatever it holds; trimming does not touch them."""
    with Journal.open(path) as journal:
        assert journal.states() == {}
        journal.put_state("kestrel-1/low", "active")
        journal.put_state("kestrel-2/low", '{"by": "Ø"}')
        journal.put_state("kestrel-1/low", "")
        journal.trim(LATE, ())
    expected = {"kestrel-1/low": "", "kestrel-2/low": '{"by": "Ø"}'}
    with Journal.open(path) as journal:
        assert expected == journal.states()
        with Journal.open_readonly(path) as reader:
            assert expected == reader.states()
            journal.put_state("heron-1/low", "returned")
            assert reader.states()["heron-1/low"] == "returned"


def test_a_journal_of_before_there_were_states_opens(path: Path) -> None:
    """Looked at, it has none; opened to write, it gets room for them, and keeps its results."""
    with Journal.open(path) as journal:
        fill(journal, 3)
    with closing(sqlite3.connect(path)) as before:
        before.execute("DROP TABLE states")
    with Journal.open_readonly(path) as reader:
        assert reader.states() == {}
        assert reader.count() == 3
    with Journal.open(path) as journal:
        assert journal.states() == {}
        journal.put_state("kestrel-1/low", "active")
        assert journal.states() == {"kestrel-1/low": "active"}
        assert journal.count() == 3


EVENT = EventEntry(
    START, EventKind.TEST_ON, "kestrel-1", "mara", "opcua 192.0.2.7", "stream", "7 für 60 s", LATE
)


def test_events_outlive_the_process_and_are_found_again(path: Path) -> None:
    """In the order of writing, whatever their times; by time and by analyzer."""
    plain = EventEntry(START - timedelta(days=1), EventKind.LOGIN_FAILED, who="ole")
    with Journal.open(path) as journal:
        assert [journal.append_event(e).result(10) for e in (EVENT, plain)] == [1, 2]
    with Journal.open_readonly(path) as reader:
        assert list(reader.events()) == [EVENT, plain]
        assert list(reader.events(since=START)) == [EVENT]
        assert list(reader.events(analyzer="kestrel-1")) == [EVENT]
        assert reader.events_after(1, 10) == [(2, plain)]


def test_many_events_are_read_in_parts_and_trimmed(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By age and by number; what is left are the newest."""
    monkeypatch.setattr("edgeflash.journal.reading._EVENTS_AT_ONCE", 7)
    monkeypatch.setattr("edgeflash.journal.store._TRIM_ROWS", 10)
    days = [dataclasses.replace(EVENT, at=START + timedelta(days=n)) for n in range(50)]
    with Journal.open(path) as journal:
        for done in [journal.append_event(e) for e in days]:
            done.result(10)
        assert list(journal.events()) == days
        assert journal.trim_events(START + timedelta(days=25)) == 25
        assert list(journal.events()) == days[25:]
        monkeypatch.setattr("edgeflash.journal.store.MOST_EVENTS", 5)
        assert journal.trim_events(START) == 20
        assert list(journal.events()) == days[45:]


def test_a_journal_of_before_there_were_events_opens(path: Path) -> None:
    """Looked at, it has none; opened to write, it gets room for them, and keeps its results."""
    with Journal.open(path) as journal:
        fill(journal, 3)
    with closing(sqlite3.connect(path)) as before:
        before.execute("DROP TABLE events")
    with Journal.open_readonly(path) as reader:
        assert list(reader.events()) == []
    with Journal.open(path) as journal:
        journal.append_event(EVENT).result(10)
        assert list(journal.events()) == [EVENT]
        assert journal.count() == 3


def test_a_state_is_refused_when_the_journal_is_closed(journal: Journal) -> None:
    """The caller hears of it: nothing is kept that was not synced."""
    journal.close()
    with pytest.raises(StorageError, match="closed"):
        journal.put_state("kestrel-1/low", "active")


def test_readers_in_other_processes_look_on(journal: Journal, path: Path) -> None:
    """A read-only journal follows the writer, and has no way to write."""
    with Journal.open_readonly(path) as reader:
        assert reader.count() == 0
        fill(journal, 3)
        assert reader.count() == 3
        assert not hasattr(reader, "append")
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            reader._reader.execute("DELETE FROM results")


def test_a_reader_needs_no_right_to_write(path: Path) -> None:
    """After a clean stop, someone who may only read the folder reads the whole journal."""
    with Journal.open(path) as journal:
        fill(journal, 3)
    folder = path.parent
    folder.chmod(0o555)
    path.chmod(0o444)
    above = [p for p in path.parents if p.stat().st_uid == os.geteuid() and p != Path("/")]
    modes = [(p, p.stat().st_mode) for p in above[1:]]
    for p, mode in modes:
        p.chmod(mode | 0o111)
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)  # root may write everywhere: be nobody for a moment
    try:
        with Journal.open_readonly(path) as reader:
            assert reader.count() == 3
    finally:
        if root:
            os.seteuid(0)
        for p, mode in modes:
            p.chmod(mode)
        folder.chmod(0o755)


def test_a_second_gateway_is_refused(journal: Journal, path: Path) -> None:
    """Two writers would each think the positions theirs; the second is told who is there."""
    with pytest.raises(StorageError, match=rf"{path}.*process {os.getpid()}"):
        Journal.open(path)
    fill(journal, 1)


def test_a_closed_journal_refuses(path: Path) -> None:
    """After close: a StorageError, not a wait for ever. What was given before is on disk."""
    journal = Journal.open(path)
    before = [journal.append(sample_result(n)) for n in range(50)]
    journal.close()
    journal.close()
    assert all(done.result(0) for done in before)
    with pytest.raises(StorageError, match="closed"):
        journal.append(sample_result(99)).result(1)
    with Journal.open(path) as again:
        assert again.count() == 50


def test_an_unstorable_result_hurts_no_other(journal: Journal) -> None:
    """In the same commit, its neighbours are stored; the writer lives on."""
    bad = sample_result(1, finished_at=datetime(2026, 5, 1))  # noqa: DTZ001  # the mistake under test
    huge = sample_result(2**63, finished_at=START, with_trace=False)
    done = [journal.append(r) for r in (sample_result(0), bad, huge, sample_result(2))]
    assert done[0].result(10)
    for wrong in done[1:3]:
        with pytest.raises(UnstorableResultError):
            wrong.result(10)
    assert done[3].result(10)
    assert journal.count() == 2


def test_a_damaged_entry_hides_no_other(path: Path) -> None:
    """An entry whose bytes changed is passed over; the ones behind it are still delivered."""
    with Journal.open(path) as journal:
        fill(journal, 5)
    disk = sqlite3.connect(path)
    disk.execute("UPDATE results SET body = replace(body, '62.', '63.') WHERE seq = 2")
    disk.execute("UPDATE results SET trace = x'00' WHERE seq = 3")
    disk.execute("UPDATE results SET body = CAST(x'ff7b' AS TEXT) WHERE seq = 5")
    disk.commit()
    disk.close()
    with Journal.open(path) as journal:
        assert [e.seq for e in journal.entries_after(0, 2)] == [1, 4]
        assert journal.entries_after(4, 2) == []
        assert sample_result(3) == journal.latest("fp-101")


def test_a_foreign_file_is_named(path: Path) -> None:
    """Whatever stands at the path: a StorageError that names it, and the file untouched."""
    path.parent.mkdir(parents=True)
    path.write_bytes(b"not a database, but long enough to be taken for one" * 30)
    before = path.read_bytes()
    for opening in (Journal.open, Journal.open_readonly):
        with pytest.raises(StorageError, match=str(path)):
            opening(path)
    assert before == path.read_bytes()


def test_another_programs_database_is_refused(path: Path) -> None:
    """A sound SQLite file that is not a journal of ours is left alone."""
    path.parent.mkdir(parents=True)
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE recipes (name TEXT)")
    other.close()
    with pytest.raises(StorageError, match="not an edgeflash journal"):
        Journal.open(path)


def test_a_newer_journal_is_refused(path: Path) -> None:
    """A journal of a later version is not written by an earlier one."""
    Journal.open(path).close()
    disk = sqlite3.connect(path)
    disk.execute("PRAGMA user_version = 99")
    disk.close()
    for opening in (Journal.open, Journal.open_readonly):
        with pytest.raises(StorageError, match="schema version 99"):
            opening(path)


def test_a_missing_journal_is_not_made_by_a_reader(path: Path) -> None:
    """Looking does not create."""
    with pytest.raises(StorageError, match="no journal here"):
        Journal.open_readonly(path)
    assert not path.exists()


def test_times_are_exact_to_the_microsecond(journal: Journal) -> None:
    """judged_us counts microseconds since 1970 UTC: 2026-05-01T00:00Z is 1777593600 s."""
    moment = datetime(2026, 5, 1, 0, 0, 0, 1, tzinfo=UTC)
    journal.append(dataclasses.replace(sample_result(1), judged_at=moment)).result(10)
    assert journal._rows("SELECT judged_us FROM results", ()) == [(1_777_593_600_000_001,)]


# What is still owed


def test_what_is_owed_begins_with_the_earliest_cycle(journal: Journal) -> None:
    """By when it was finished, not by when it came: an old one may come late."""
    done = [journal.append(sample_result(n)) for n in (5, 6, 2, 7)]
    assert all(d.result(10) for d in done)
    assert journal.owed_since(()) is None
    assert journal.owed_since(("mqtt:hub",)) == START + 2 * CYCLE
    journal.advance("mqtt:hub", 3)
    assert journal.owed_since(("mqtt:hub",)) == START + 7 * CYCLE
    assert journal.owed_since(("mqtt:hub", "mqtt:new")) == START + 2 * CYCLE
    journal.advance("mqtt:hub", 4)
    assert journal.owed_since(("mqtt:hub",)) is None


def test_what_is_owed_is_found_among_many(
    journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In parts; whole seconds and parts of one sort as times do; a damaged entry owes nothing."""
    monkeypatch.setattr("edgeflash.journal.reading._ENTRIES_AT_ONCE", 3)
    first = START + timedelta(hours=1)
    times = [first + timedelta(hours=n) for n in range(9)]
    times[4] = first - timedelta(microseconds=1)
    times[7] = first - timedelta(seconds=1)
    results = [sample_result(n, finished_at=at) for n, at in enumerate(times)]
    assert all(d.result(10) for d in [journal.append(r) for r in results])
    assert journal.owed_since(("mqtt:hub",)) == times[7]
    with closing(sqlite3.connect(journal.path)) as other:
        other.execute("UPDATE results SET body = 'no {json' WHERE seq = 8")
        other.commit()
    assert journal.owed_since(("mqtt:hub",)) == times[4]


def test_what_is_owed_of_the_event_record(journal: Journal) -> None:
    """Its consumers have positions of their own."""
    for days in (3, 1, 2):
        journal.append_event(dataclasses.replace(EVENT, at=START + timedelta(days=days))).result(10)
    assert journal.events_owed_since(()) is None
    assert journal.events_owed_since(("events:hub",)) == START + timedelta(days=1)
    journal.advance("events:hub", 2)
    assert journal.events_owed_since(("events:hub",)) == START + timedelta(days=2)
    journal.advance("events:hub", 3)
    assert journal.events_owed_since(("events:hub",)) is None
