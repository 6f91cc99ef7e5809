"""The event record: in order, on disk before it is told, bounded, and never in the way."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from concurrent.futures import Future
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from edgeflash.errors import StorageError
from edgeflash.gateway import event_record
from edgeflash.gateway.event_record import LONGEST_TEXT, MOST_REFUSALS, EventRecord
from edgeflash.journal import Journal
from edgeflash.model import EventEntry, EventKind
from tests.waiting import until

AT = datetime(2031, 4, 5, 6, 7, 8, tzinfo=UTC)
EVENT = EventEntry(AT, EventKind.ALARM, "kestrel-1", subject="clock", text="active")


class FullDisk(Journal):
    """A real journal whose disk has no room for events for a while."""

    is_full = False

    def append_event(self, entry: EventEntry) -> Future[int]:
        """Refuses while it is full."""
        if not self.is_full:
            return super().append_event(entry)
        done: Future[int] = Future()
        done.set_exception(StorageError("no room"))
        return done


@asynccontextmanager
async def at_work(path: Path) -> AsyncIterator[tuple[EventRecord, FullDisk, list[float]]]:
    """A record at work, its journal, and the clock of the rationing."""
    clock = [0.0]
    with FullDisk.open(path / "journal.sqlite3") as journal:
        assert isinstance(journal, FullDisk)
        record = EventRecord(journal, lambda: clock[0])
        work = asyncio.create_task(record.write_for_ever())
        try:
            yield record, journal, clock
        finally:
            work.cancel()
            await asyncio.wait([work])


async def test_an_event_is_on_disk_when_it_is_saved(tmp_path: Path) -> None:
    """In the order in which they came."""
    events = [replace(EVENT, text=str(n)) for n in range(100)]
    async with at_work(tmp_path) as (record, journal, _):
        assert record.is_saved
        for entry in events:
            record.note(entry)
        assert not record.is_saved
        await record.saved()
        assert list(journal.events()) == events


async def test_the_end_of_the_gateway_keeps_what_was_noted(tmp_path: Path) -> None:
    """Closing the journal writes what still waits for it."""
    async with at_work(tmp_path) as (record, _, _):
        record.note(EVENT)
    with Journal.open_readonly(tmp_path / "journal.sqlite3") as reader:
        assert list(reader.events()) == [EVENT]


async def test_a_full_disk_delays_and_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is lost and the order stays; the fault goes with the shortage."""
    monkeypatch.setattr(event_record, "RETRY_S", 0.01)
    events = [replace(EVENT, text=str(n)) for n in range(20)]
    async with at_work(tmp_path) as (record, journal, _):
        journal.is_full = True
        for entry in events[:10]:
            record.note(entry)
        await until(lambda: record.fault == "no room", 30.0)
        for entry in events[10:]:
            record.note(entry)
        journal.is_full = False
        async with asyncio.timeout(30.0):
            await record.saved()
        assert list(journal.events()) == events
        assert not record.fault


async def test_what_is_too_much_for_memory_is_counted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The next event tells how many are lost."""
    monkeypatch.setattr(event_record, "RETRY_S", 0.01)
    monkeypatch.setattr(event_record, "MOST_WAITING", 5)
    async with at_work(tmp_path) as (record, journal, _):
        journal.is_full = True
        record.note(EVENT)
        await until(lambda: record.fault, 30.0)
        for _ in range(7):
            record.note(EVENT)
        journal.is_full = False
        async with asyncio.timeout(30.0):
            await record.saved()
        record.note(EVENT)
        await record.saved()
        texts = [e.text for e in journal.events()]
        assert texts == ["active"] * 5 + ["active (3 events before it are lost)"]


async def test_refusals_are_rationed_and_nothing_else(tmp_path: Path) -> None:
    """Nobody fills the disk by being refused; what was left out is told."""
    refused = EventEntry(AT, EventKind.LOGIN_FAILED, who="ole", via="192.0.2.7", text="refused")
    async with at_work(tmp_path) as (record, journal, clock):
        for _ in range(MOST_REFUSALS + 12):
            record.note(refused)
            record.note(EVENT)
        clock[0] = 61.0
        record.note(refused)
        await record.saved()
        found = list(journal.events())
    assert sum(e.kind is EventKind.ALARM for e in found) == MOST_REFUSALS + 12
    texts = [e.text for e in found if e.kind is EventKind.LOGIN_FAILED]
    assert len(texts) == MOST_REFUSALS + 1
    assert texts[-1] == "refused (and 12 more before it were not recorded)"


async def test_whatever_somebody_sends_is_one_bounded_line(tmp_path: Path) -> None:
    """Line ends, half characters, a megabyte."""
    hostile = replace(EVENT, who="a\nb\ud800\0", text="x" * 1_000_000)
    async with at_work(tmp_path) as (record, journal, _):
        record.note(hostile)
        async with asyncio.timeout(30.0):
            await record.saved()
        (found,) = journal.events()
    assert found.who == "a b  "
    assert len(found.text) == LONGEST_TEXT
