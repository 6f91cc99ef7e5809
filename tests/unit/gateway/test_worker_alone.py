"""One analyzer's worker without its link: what it shows of a scan, and of faults of our own."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from pathlib import Path
from typing import Never

import pytest
from structlog.testing import capture_logs

from edgeflash.errors import StorageError
from edgeflash.gateway import worker as worker_module
from edgeflash.gateway.worker import AnalyzerWorker, Watchers
from edgeflash.journal import Journal
from edgeflash.model import Result, Role, Scan
from edgeflash.outlets.values import OutletUnits, shown
from edgeflash.points import CATALOGUE
from edgeflash.publication import Held, LinkState
from edgeflash.rules.judgement import Judgement
from edgeflash.service import SYSTEM_CLOCK
from edgeflash.trust import Quality, Trust
from tests.simulated_line import BENCH_CUP, GAS_OIL, bench_analyzer
from tests.unit.outlets.builders import result
from tests.waiting import until

POINTS = {point.name: point for point in CATALOGUE}
UNITS = OutletUnits("degC", "kPa")


class FullJournal(Journal):
    """A real journal on a disk that takes no result."""

    async def append_async(self, result: Result) -> bool:
        """Refuses."""
        raise StorageError("disk full")


@pytest.fixture
def alone(tmp_path: Path) -> Iterator[AnalyzerWorker]:
    """A worker that does not run."""
    journal = FullJournal.open(tmp_path / "journal.sqlite3")
    judgement = Judgement(bench_analyzer(port=9), BENCH_CUP, {"gas-oil": GAS_OIL})
    watchers = Watchers(lambda: None, lambda result: None)
    yield AnalyzerWorker(judgement, BENCH_CUP, journal, SYSTEM_CLOCK, watchers)
    journal.close()


def _scan(**told: str) -> Scan:
    statuses = {Role(role): status for role, status in told.items()}
    live = {Role.SAMPLE_TEMPERATURE: 44.25}
    now, mono_s = SYSTEM_CLOCK.utc_now(), SYSTEM_CLOCK.mono_s()
    return Scan("kestrel-1", now, mono_s, live, statuses=statuses)


async def test_a_doubt_of_the_analyzers_server_reaches_the_outlets(alone: AnalyzerWorker) -> None:
    """Until the next scan says otherwise."""
    point = POINTS["live_sample_temperature_c"]
    alone._on_link_state(LinkState.UP, "reading")
    await alone._on_scan(_scan(sample_temperature="UncertainSensorNotAccurate"))
    assert shown(point, alone.view(1), UNITS).quality is Quality.NOT_ACCURATE
    await alone._on_scan(_scan())
    assert shown(point, alone.view(2), UNITS).quality is Quality.GOOD


async def test_a_fault_of_ours_in_the_present_makes_the_value_bad_and_is_said_once(
    alone: AnalyzerWorker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It does not reach the caller, which looks at every analyzer in turn."""
    held = Held.since(result("kestrel-1"), SYSTEM_CLOCK.utc_now(), SYSTEM_CLOCK.mono_s())
    alone.standing = worker_module.with_result(alone.standing, held)

    def fails(*arguments: object) -> Never:
        raise ZeroDivisionError("a rule of ours")

    with monkeypatch.context() as patched, capture_logs() as told:
        patched.setattr(worker_module, "standing_findings", fails)
        alone.refresh()
        alone.refresh()
    view = alone.view(1)
    assert Trust.BAD is view.quality.trust
    assert view.value_c is None
    assert "a rule of ours" in view.reason_text
    assert sum("could not be judged" in line["event"] for line in told) == 1
    alone.refresh()
    assert "a rule of ours" not in alone.view(2).reason_text


async def test_a_failed_reading_is_shown_although_the_disk_refuses(
    alone: AnalyzerWorker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was judged waits for the disk, perhaps for hours; the link must not look alive."""

    def fails(*arguments: object) -> Never:
        raise ZeroDivisionError("a link of ours")

    monkeypatch.setattr(worker_module, "link_for", fails)
    alone._on_link_state(LinkState.UP, "reading")
    await alone._on_scan(_scan())
    assert alone.standing.link is LinkState.UP
    await alone._recorder.record(Held.since(result("kestrel-1"), SYSTEM_CLOCK.utc_now(), 0.0))
    reading = asyncio.create_task(alone._read_for_ever())
    try:
        await until(lambda: alone.standing.link is LinkState.DOWN)
        assert not alone._recorder.is_idle
    finally:
        reading.cancel()
        await asyncio.wait([reading])
