"""The real gateway while its wall clock is set, changes to summer time, and has a leap second.

The wall clock of gateway and simulated analyzer is faked below the C library. DuckDB reads the
history, pymodbus the outlet; the IANA time zone database says when zones change.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import duckdb
import pytest

from edgeflash.alarms.catalogue import BY_NAME
from edgeflash.journal import JOURNAL_NAME, Journal
from edgeflash.model import EventEntry, EventKind
from edgeflash.rules.catalogue import BY_NAME as RULES
from tests.faults.processes import (
    GatewayProcess,
    demo_site,
    simulators,
    start_gateway,
    truth_lines,
)
from tests.faults.test_gateway_killed import catch_up
from tests.faults.watched import GOOD, PATIENCE_S, Seen, watched
from tests.peers.faked_time import FakedTime
from tests.waiting import until

pytestmark = pytest.mark.peer("gcc")

SPEED = 40.0
"""A cycle takes some 4 s."""

STEADY = ("--scenario", "steady", "--analyzers", "1", "--seed", "3")

LIMITS = {"hold_s": 600, "longest_s": 300, "shortest_s": 0.01, "timeout_s": 20.0}
"""Wide, so that a busy machine changes no verdict; still far below the jumps of the clock."""

BUSY = {RULES[name].code for name in ("scans_stale", "cycle_too_long", "caught_up", "unwatched")}
"""Rules by which a gateway that gets no processor time tells so. None looks at the wall clock."""

HOUR_S = 3600.0


@contextmanager
def plant(
    folder: Path, clock: FakedTime, zone: str, environment: pytest.MonkeyPatch
) -> Iterator[GatewayProcess]:
    """One analyzer without faults and the gateway, as processes of their own; the clock is the
    gateway's. The analyzer's starts with it and is never set."""
    FakedTime(folder / "analyzer", clock.now()).apply_to(environment, "UTC")
    with simulators(folder, SPEED, *STEADY) as ends:
        site = demo_site(folder, ends, SPEED)
        text = site.read_text("utf-8")
        for key, value in LIMITS.items():
            text, changed = re.subn(rf"(?m)^{key} = .*$", f"{key} = {value}", text)
            assert changed
        # Not needed here, and most of the start.
        text, changed = re.subn(r"(?s)\[opcua\].*?(?=\n\[\[)", "", text)
        assert changed
        site.write_text(text, "utf-8")
        clock.apply_to(environment, zone)
        with start_gateway(site) as gateway:
            gateway.wait_for("gateway ready", PATIENCE_S)
            yield gateway


@dataclass(frozen=True)
class Recorded:
    """What the run left on disk. rows: cycle number, finish and file, in the order of judging."""

    rows: list[tuple[int, datetime, str]]
    traces: list[tuple[int, datetime, str]]
    events: list[EventEntry]


def end_and_read(folder: Path, gateway: GatewayProcess) -> Recorded:
    """Ends the gateway and reads the history with DuckDB."""
    made = max(int(str(t["cycle_number"])) for t in truth_lines(folder))
    with Journal.open_readonly(folder / JOURNAL_NAME) as journal:
        while max(e.result.cycle.cycle_number for e in journal.entries_after(0, 1000)) < made:
            assert gateway.process.poll() is None
    assert gateway.terminate(timeout_s=PATIENCE_S) == 0
    catch_up(folder)
    with Journal.open_readonly(folder / JOURNAL_NAME) as journal:
        events = list(journal.events())
    with duckdb.connect(config={"autoinstall_known_extensions": "false"}) as duck:
        duck.execute("SET TimeZone = 'UTC'")
        tables = [
            duck.execute(
                f"SELECT cycle_number, finished_at, filename "
                f"FROM read_parquet('{folder}/history/{table}/**/*.parquet', filename=true) "
                f"ORDER BY {order}"
            ).fetchall()
            for table, order in (("results", "journal_seq"), ("traces", "cycle_number"))
        ]
    recorded = Recorded(tables[0], tables[1], events)
    numbers = [number for number, _, _ in recorded.rows]
    assert numbers == list(range(numbers[0], numbers[-1] + 1)), "once each, in order"
    assert numbers[-1] >= made
    traced = [number for number, _, _ in recorded.traces]
    assert traced == sorted(set(traced) & set(numbers))
    return recorded


def assert_in_its_folder(recorded: Recorded) -> None:
    """Every row lies in the folder of its own month or day, UTC."""
    for _, at, file in recorded.rows:
        assert f"/month={at.astimezone(UTC):%Y-%m}/" in file
    for _, at, file in recorded.traces:
        assert f"/day={at.astimezone(UTC):%Y-%m-%d}/" in file


def assert_undisturbed(seen: list[Seen]) -> None:
    """A good value all the while, whose age grows with the monotonic clock."""
    assert {(s.quality, s.reason) for s in seen if s.reason not in BUSY} == {(GOOD, 0)}
    assert {s.clock for s in seen} == {2}
    assert {round(s.error_s, 6) for s in seen} == {0.05}
    for before, after in pairwise(seen):
        assert math.isfinite(after.age_s)
        assert after.age_s < LIMITS["hold_s"]
        if before.cycle == after.cycle:
            assert after.age_s >= before.age_s
    cycles = [s.cycle for s in seen]
    assert cycles == sorted(cycles)


def moves(folder: Path) -> int:
    """Jumps in the event record so far."""
    with Journal.open_readonly(folder / JOURNAL_NAME) as journal:
        return sum(e.kind is EventKind.CLOCK_MOVED for e in journal.events())


def texts(recorded: Recorded, kind: EventKind) -> list[str]:
    return [e.text for e in recorded.events if e.kind is kind]


CHANGES = [
    ("Europe/Berlin", datetime(2026, 3, 29, 1, 0, tzinfo=UTC), HOUR_S),
    pytest.param(
        "Pacific/Auckland",
        datetime(2026, 4, 4, 14, 0, tzinfo=UTC),
        -HOUR_S,
        marks=pytest.mark.slow,
    ),
]


@pytest.mark.parametrize(("zone", "instant", "shift_s"), CHANGES)
async def test_summer_time_does_nothing(
    zone: str, instant: datetime, shift_s: float, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both directions; Auckland's local date is not that of UTC at the change."""
    offsets = [
        (instant + timedelta(seconds=s)).astimezone(ZoneInfo(zone)).utcoffset() for s in (-1, 0)
    ]
    assert offsets[0] is not None
    assert offsets[1] is not None
    assert (offsets[1] - offsets[0]).total_seconds() == shift_s
    clock = FakedTime(tmp_path / "clock", instant - timedelta(minutes=30))
    with plant(tmp_path, clock, zone, monkeypatch) as gateway:
        async with watched(gateway) as watch:
            clock.set_to(instant - timedelta(seconds=4))
            await until(lambda: clock.now() > instant, PATIENCE_S)
            await watch.cycles(2)
            assert_undisturbed(watch.seen)
        recorded = end_and_read(tmp_path, gateway)
    assert_in_its_folder(recorded)
    finished = [at for _, at, _ in recorded.rows]
    assert finished == sorted(finished)
    assert finished[-1] - finished[-2] < timedelta(seconds=HOUR_S / 2)
    assert finished[0] < instant < finished[-1]
    # The one jump is the test's own, of half an hour.
    (moved,) = texts(recorded, EventKind.CLOCK_MOVED)
    assert moved.startswith("set forward by 1")
    assert texts(recorded, EventKind.CLOCK_STATE) == [
        "synchronised, wrong by 0.05 s at most at the start"
    ]


async def test_a_leap_second_does_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """At 2016-12-31T23:59:60Z (IERS Bulletin C 52) a POSIX clock is set back by one second."""
    midnight = datetime(2017, 1, 1, tzinfo=UTC)
    clock = FakedTime(tmp_path / "clock", midnight - timedelta(minutes=30))
    with plant(tmp_path, clock, "UTC", monkeypatch) as gateway:
        async with watched(gateway) as watch:
            clock.set_to(midnight - timedelta(seconds=4))
            await until(lambda: clock.now() >= midnight, PATIENCE_S, every_s=0.001)
            clock.move(-1.0)
            await until(lambda: clock.now() > midnight, PATIENCE_S)
            await watch.cycles(2)
            assert_undisturbed(watch.seen)
        recorded = end_and_read(tmp_path, gateway)
    assert_in_its_folder(recorded)
    assert {at.year for _, at, _ in recorded.rows} == {2016, 2017}
    assert len(texts(recorded, EventKind.CLOCK_MOVED)) == 1  # the test's own


async def test_jumps_of_two_hours(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Forward over a month's end and back again: noted and alarmed; no row lost, none doubled, no
    value older or younger for it."""
    clock = FakedTime(tmp_path / "clock", datetime(2026, 4, 30, 22, 30, tzinfo=UTC))
    with plant(tmp_path, clock, "Europe/Berlin", monkeypatch) as gateway:
        async with watched(gateway) as watch:
            assert watch.seen[-1].clock_alarm == 0
            for done, hours in enumerate((2, -2)):
                clock.move(hours * HOUR_S)
                await watch.cycles(2)
                await until(lambda: moves(tmp_path) > done, PATIENCE_S)  # noqa: B023
            await until(lambda: watch.seen[-1].clock_alarm == 1, PATIENCE_S)
            assert_undisturbed(watch.seen)
        recorded = end_and_read(tmp_path, gateway)
    assert_in_its_folder(recorded)
    assert {at.month for _, at, _ in recorded.rows} == {4, 5}
    steps = [(b - a).total_seconds() for (_, a, _), (_, b, _) in pairwise(recorded.rows)]
    assert [round(s / HOUR_S) for s in steps if abs(s) > HOUR_S] == [2, -2]
    moved = texts(recorded, EventKind.CLOCK_MOVED)
    assert [t.split(" by ")[0] for t in moved] == ["set forward", "set back"]
    assert all(
        re.search(r"by (7199|7200|7201)\.\d s: from 2026-\S+Z to 2026-\S+Z$", t) for t in moved
    )
    raised = [e for e in recorded.events if e.kind is EventKind.ALARM and e.subject == "clock"]
    assert [e.text.split(":")[0] for e in raised] == ["active"]
    assert "+7200" in raised[0].text or "+7199" in raised[0].text
    assert BY_NAME["clock"].off_delay_s > PATIENCE_S
