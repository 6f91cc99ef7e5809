"""What keeps the history up to date and lets go of what is old enough."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import pytest

from edgeflash.config.load import load_site
from edgeflash.config.site import Site
from edgeflash.errors import StorageError
from edgeflash.fleet.site_ship import shipping
from edgeflash.gateway import history_keeper
from edgeflash.gateway.history_keeper import HistoryKeeper, limits_of, owed_from
from edgeflash.gateway.ship_runner import owed_to_store
from edgeflash.history import HistoryWriter, Limits, TableName, read_results
from edgeflash.history.layout import partitions_in
from edgeflash.journal import Journal
from edgeflash.model import EventEntry, EventKind
from tests.unit.journal.samples import sample_result
from tests.waiting import until

SITE = """
[site]
name = "depot of the tests"

[opcua]

[[analyzers]]
id = "kestrel-1"
number = 1
map = "examples:bench-cup.toml"
host = "127.0.0.1"
analyzer_corrects_barometer = false
"""
SIXTY_DAYS = """
[history]
flush_s = 0.05
results = { keep_days = 60 }
traces = { keep_days = 60 }
"""
NOW = datetime(2026, 6, 20, tzinfo=UTC)
DAY = timedelta(days=1)


def written_site(folder: Path, more: str) -> Site:
    """A site file in the folder, loaded."""
    path = folder / "site.toml"
    path.write_text(SITE + more, encoding="utf-8")
    return load_site(path)


@dataclass
class HandClock:
    """A clock that a test moves."""

    now: datetime = NOW
    seconds: float = 0.0

    def utc_now(self) -> datetime:
        return self.now

    def mono_s(self) -> float:
        return self.seconds


@dataclass
class Kept:
    """A keeper at work, and what it told."""

    site: Site
    journal: Journal
    writer: HistoryWriter
    clock: HandClock
    keeper: HistoryKeeper
    noted: list[EventEntry] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)

    def months(self) -> list[str]:
        """Those that there are results of."""
        return [p.period for p in partitions_in(self.site.history_dir, TableName.RESULTS)]


@pytest.fixture
async def kept(tmp_path: Path) -> AsyncIterator[Kept]:
    """A result in each month of 2026; results are kept for 60 days."""
    site = written_site(tmp_path, SIXTY_DAYS)
    clock = HandClock()
    noted, faults = list[EventEntry](), list[str]()
    with Journal.open(tmp_path / "journal.sqlite3") as journal:
        for month in range(1, 7):
            at = datetime(2026, month, 10, tzinfo=UTC)
            assert journal.append(sample_result(month, finished_at=at)).result(60)
        writer = HistoryWriter(journal, site.history_dir)
        keeper = HistoryKeeper(
            writer, journal, site, clock, noted.append, faults.append, ("mqtt:hub", "events:hub")
        )
        yield Kept(site, journal, writer, clock, keeper, noted, faults)


@contextlib.asynccontextmanager
async def running(keeper: HistoryKeeper) -> AsyncIterator[None]:
    """The keeper's task, ended at the end."""
    task = asyncio.create_task(keeper.run())
    try:
        yield
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def test_once_an_hour_what_is_old_goes_and_is_told(kept: Kept) -> None:
    """Not before; and what is not owed is trimmed from the journal too."""
    kept.journal.advance("mqtt:hub", 6)
    kept.journal.append_event(EventEntry(NOW - 90 * DAY, EventKind.LOGIN_FAILED)).result(60)
    kept.journal.advance("events:hub", 1)
    async with running(kept.keeper):
        await until(lambda: len(kept.months()) == 6, 30)
        await until(lambda: len(kept.faults) > 3, 30)
        assert len(kept.months()) == 6
        kept.clock.seconds = 3601.0
        await until(lambda: len(kept.noted) == 2, 30)
        await until(lambda: kept.months() == ["2026-04", "2026-05", "2026-06"], 30)
        await until(lambda: kept.journal.events_after(0, 10) == [], 30)
    assert {(e.kind, e.analyzer, e.subject) for e in kept.noted} == {
        (EventKind.HISTORY_DELETED, "fp-101", "results"),
        (EventKind.HISTORY_DELETED, "fp-101", "traces"),
    }
    assert set(kept.faults) == {""}


async def test_what_an_outlet_owes_stays_in_files_and_journal(kept: Kept) -> None:
    """A broker that was away since February: its results are kept until it has them."""
    kept.journal.advance("mqtt:hub", 1)
    kept.writer.flush()
    kept.keeper.upkeep(kept.noted.append)
    assert kept.months()[0] == "2026-02"
    assert kept.journal.count() == 6
    kept.journal.advance("mqtt:hub", 6)
    kept.keeper.upkeep(kept.noted.append)
    assert kept.months()[0] == "2026-04"


async def test_a_disk_that_refuses_does_not_keep_old_files(
    kept: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the history cannot be written, what goes makes room; the fault is told."""
    kept.journal.advance("mqtt:hub", 6)
    kept.writer.flush()

    def full() -> None:
        raise StorageError("no room")

    monkeypatch.setattr(kept.writer, "flush", full)
    async with running(kept.keeper):
        await until(lambda: kept.faults[-1:] == ["no room"], 30)
        kept.clock.seconds = 3601.0
        await until(lambda: kept.months() == ["2026-04", "2026-05", "2026-06"], 30)
    monkeypatch.undo()
    assert read_results(kept.site.history_dir)["cycle_number"].to_pylist() == [4, 5, 6]


async def test_what_cannot_be_deleted_is_no_fault_of_the_writing(
    kept: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is logged, and tried again an hour later; results go on to the files."""
    tried: list[datetime] = []

    def refuse(limits: object, now: datetime, *more: object) -> None:
        tried.append(now)
        raise StorageError("read only")

    monkeypatch.setattr(kept.writer, "delete_old", refuse)
    kept.journal.advance("mqtt:hub", 6)
    kept.journal.append_event(EventEntry(NOW - 90 * DAY, EventKind.LOGIN_FAILED)).result(60)
    kept.journal.advance("events:hub", 1)
    async with running(kept.keeper):
        await until(lambda: kept.faults, 30)
        for hour in (1, 2):
            kept.clock.seconds = hour * 3601.0
            await until(lambda wanted=hour: len(tried) == wanted, 30)
        await until(lambda: kept.journal.events_after(0, 10) == [], 30)  # trimmed all the same
    assert set(kept.faults) == {""}
    assert len(kept.months()) == 6


def test_owed_is_the_earliest_of_all(tmp_path: Path) -> None:
    """Of those who read the journal, and of those who take the files."""
    with Journal.open(tmp_path / "journal.sqlite3") as journal:
        assert owed_from(journal, ("mqtt:hub",), ("events:hub",), {}) == {}
        at = datetime(2026, 3, 10, tzinfo=UTC)
        assert journal.append(sample_result(1, finished_at=at)).result(60)
        journal.append_event(EventEntry(at + DAY, EventKind.COMMENT)).result(60)
        others = {TableName.RESULTS: at + 9 * DAY, TableName.TRACES: at - DAY}
        assert owed_from(journal, ("mqtt:hub",), ("events:hub",), others) == {
            TableName.RESULTS: at,
            TableName.TRACES: at - DAY,
            TableName.EVENTS: at + DAY,
        }


def test_limits_are_those_of_the_site_file(tmp_path: Path) -> None:
    """For ever without a line; 1 MB is 10^6 bytes."""
    site = written_site(tmp_path, "[history]\ntraces = { keep_days = 9, keep_mb = 1.5 }")
    limits = limits_of(site.file.history)
    assert limits.pop(TableName.TRACES) == Limits(9, 1_500_000)
    assert set(limits.values()) == {Limits()}
    assert set(limits) | {TableName.TRACES} == set(TableName)
    assert history_keeper.UPKEEP_EVERY_S == 3600.0


async def test_what_is_not_shipped_stays(kept: Kept, tmp_path: Path) -> None:
    """A site that ships, and has not yet: nothing goes, and the next hour it does."""
    target = tmp_path / "store"
    target.mkdir()
    site = written_site(tmp_path, SIXTY_DAYS + f'[ship]\nurl = "{target}"\n')
    kept.journal.advance("mqtt:hub", 6)
    keeper = HistoryKeeper(
        kept.writer,
        kept.journal,
        site,
        kept.clock,
        kept.noted.append,
        kept.faults.append,
        owed=partial(owed_to_store, site),
    )
    kept.writer.flush()
    keeper.upkeep(kept.noted.append)
    assert len(kept.months()) == 6
    with shipping(site) as passing:
        assert len(list(passing.begin(NOW)[1])) > 0
    keeper.upkeep(kept.noted.append)
    assert kept.months() == ["2026-04", "2026-05", "2026-06"]


async def test_a_fault_nobody_foresaw_stops_the_history_alone(
    kept: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is told as the fault of the history, and tried again; the gateway goes on."""
    real = kept.writer.flush

    def failing() -> object:
        raise SystemError("bad argument to internal function")

    monkeypatch.setattr(kept.writer, "flush", failing)
    async with running(kept.keeper):
        await until(lambda: any("bad argument" in fault for fault in kept.faults), 30)
        monkeypatch.setattr(kept.writer, "flush", real)
        await until(lambda: kept.faults[-1] == "", 30)
    assert len(kept.months()) == 6
