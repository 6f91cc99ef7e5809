"""One analyzer's worker when the journal fails it: dangers are told, nothing else is invented."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from edgeflash.access import UserRole, Who
from edgeflash.errors import StorageError
from edgeflash.gateway.worker import AnalyzerWorker, Watchers
from edgeflash.journal import Journal, UnstorableResultError
from edgeflash.model import AlarmState, Declared, Result
from edgeflash.publication import LinkState
from edgeflash.rules.judgement import Judgement
from edgeflash.service import SYSTEM_CLOCK
from simulators.faults import FaultKind, FaultPlan, fault
from simulators.fleet import Fleet
from simulators.scenarios import AnalyzerPlan
from tests.simulated_line import BENCH_CUP, GAS_OIL, bench_analyzer
from tests.waiting import until

SPEED = 60.0


class FailingJournal(Journal):
    """A real journal whose first appends fail as told; None: the id is taken already."""

    failures: list[Exception | None]
    refused: list[int]

    async def append_async(self, result: Result) -> bool:
        """Fails while there are failures left; the last one stays if it is a StorageError."""
        if self.failures:
            self.refused.append(result.cycle.cycle_number)
            failure = self.failures.pop(0)
            if failure is None:
                return False
            if type(failure) is StorageError:
                self.failures.append(failure)
            raise failure
        return await super().append_async(result)


@asynccontextmanager
async def working(
    folder: Path, failures: list[Exception | None], plan: FaultPlan
) -> AsyncIterator[tuple[AnalyzerWorker, list[Result], FailingJournal]]:
    """A worker on a simulated analyzer, with a journal that fails."""
    fleet = Fleet([AnalyzerPlan("kestrel-1", 62.0, plan)], seed=1, speed=SPEED)
    await fleet.start()
    stop = asyncio.Event()
    models = asyncio.create_task(fleet.run(stop))
    journal = FailingJournal.open(folder / "journal.sqlite3")
    assert isinstance(journal, FailingJournal)
    journal.failures, journal.refused = failures, []
    results: list[Result] = []
    analyzer = bench_analyzer(
        port=fleet.servers[0].port,
        poll_s=0.1,
        rules={"cycle_too_short": {"parameters": {"shortest_s": 0.5}}},
    )
    watchers = Watchers(lambda: None, results.append)
    judgement = Judgement(analyzer, BENCH_CUP, {"gas-oil": GAS_OIL})
    worker = AnalyzerWorker(judgement, BENCH_CUP, journal, SYSTEM_CLOCK, watchers)
    work = asyncio.create_task(worker.run())
    try:
        yield worker, results, journal
    finally:
        work.cancel()
        await asyncio.wait([work])
        stop.set()
        await models
        await fleet.close()
        journal.close()


@pytest.mark.slow
async def test_a_full_disk_does_not_silence_a_low_flash(tmp_path: Path) -> None:
    """The value is not published, since it is not on disk; the alarms stand at once."""
    contaminated = FaultPlan((fault(FaultKind.CONTAMINATION, 1),))
    async with working(tmp_path, [StorageError("disk full")], contaminated) as (worker, results, _):
        await until(lambda: worker.standing.low_flash_alarm, 15.0)
        await until(lambda: bool(worker.standing.standing), 15.0)
        view = worker.view(heartbeat=1)
        assert results == []
        assert view.value_c is None
        assert view.reason_code == 110
        assert worker.standing.link is LinkState.UP
        assert worker.standing.alarms["possible_low_flash"] is AlarmState.ACTIVE
        assert worker.standing.alarms["history_shortage"] is AlarmState.ACTIVE
        assert worker.standing.alarms["below_limit"] is AlarmState.NORMAL


@pytest.mark.slow
async def test_one_result_that_cannot_be_stored_does_not_block_the_next(tmp_path: Path) -> None:
    """Nor one that has another's id: said in the log, not shown, and the analyzer goes on."""
    poison = [UnstorableResultError("a foreign type"), RuntimeError("a bug"), None]
    async with working(tmp_path, poison, FaultPlan()) as (worker, results, journal):
        await until(lambda: len(results) >= 1, 30.0)
        assert worker.standing.latest is results[-1]
        assert len(journal.refused) == 3
        assert results[0].cycle.cycle_number > journal.refused[-1]


@pytest.mark.slow
async def test_a_link_that_comes_back_hides_nothing_declared_before(tmp_path: Path) -> None:
    """The cycle under way began before the break, and so lies partly in what was declared."""
    mara = Who("mara", UserRole.OPERATOR, "operator socket")
    async with working(tmp_path, [], FaultPlan()) as (worker, results, _):
        await until(lambda: results, 30.0)
        now, mono_s = SYSTEM_CLOCK.utc_now(), SYSTEM_CLOCK.mono_s()
        worker.declared.declare(Declared.MAINTENANCE, 5.0, mara, "", now, mono_s)
        worker.declared.end(Declared.MAINTENANCE, mara, "", now, SYSTEM_CLOCK.mono_s())
        before = len(results)
        worker._on_link_state(LinkState.UP, "back after a break")
        await until(lambda: len(results) > before, 30.0)
        assert results[before].cycle.declared == (Declared.MAINTENANCE,)


@pytest.mark.slow
async def test_what_is_declared_is_kept_until_its_cycle_is_on_disk(tmp_path: Path) -> None:
    """A crash before that reads the cycle again, and must find it; after that it is forgotten."""
    mara = Who("mara", UserRole.OPERATOR, "operator socket")
    full: list[Exception | None] = [StorageError("disk full")]
    async with working(tmp_path, full, FaultPlan()) as (worker, results, journal):
        now, mono_s = SYSTEM_CLOCK.utc_now(), SYSTEM_CLOCK.mono_s()
        worker.declared.declare(Declared.MAINTENANCE, 5.0, mara, "", now, mono_s)
        worker.declared.end(Declared.MAINTENANCE, mara, "", now, SYSTEM_CLOCK.mono_s())
        await until(lambda: len(worker._memory.past) >= 2, 30.0)
        assert "maintenance" in worker._memory.past[0].reasons
        assert "maintenance" in journal.states()["declared/kestrel-1"]
        full.clear()
        await until(lambda: journal.states()["declared/kestrel-1"] == "[]", 30.0)
        assert results[0].cycle.declared == (Declared.MAINTENANCE,)
