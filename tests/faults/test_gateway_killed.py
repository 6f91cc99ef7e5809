"""Killed again and again while analyzers cycle: every cycle once in the history, none missing.

An end has one second for the last files; on a busy machine the rest waits in the journal for the
next start, so the catching up is finished here before anything is counted.
"""

from __future__ import annotations

import random
import subprocess
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import pytest

from edgeflash.history import HistoryWriter
from edgeflash.journal import JOURNAL_NAME, Journal
from tests.faults.processes import (
    GatewayProcess,
    demo_site,
    simulators,
    start_gateway,
    truth_lines,
)

KILLS = 20
SPEED = 25.0
"""A cycle takes about 7 s of real time: longer than a restart of the gateway."""

SETTLE_S = 2.0


def recorded(folder: Path) -> Counter[tuple[str, int, int]]:
    """How often each cycle stands in the history, by an independent reader."""
    pattern = f"{folder}/history/results/**/*.parquet"
    rows = duckdb.sql(f"SELECT analyzer, epoch, cycle_number FROM '{pattern}'").fetchall()
    return Counter((a, e, n) for a, e, n in rows)


def catch_up(folder: Path) -> None:
    """Brings the history to the journal's end, as the gateway's next start does."""
    journal = Journal.open(folder / JOURNAL_NAME)
    try:
        HistoryWriter(journal, folder / "history").flush()
    finally:
        journal.close()


def wait_for_time(gateway: GatewayProcess, seconds: float) -> None:
    """Lets the gateway run for a while; fails if it ends by itself."""
    try:
        gateway.process.wait(seconds)
    except subprocess.TimeoutExpired:
        return
    pytest.fail(f"the gateway ended by itself: {gateway.log_path.read_text('utf-8')[-2000:]}")


@pytest.mark.slow
def test_killed_twenty_times(tmp_path: Path) -> None:
    """SIGKILL at random moments, start-up included; then one clean end."""
    moments = random.Random(20)
    with simulators(tmp_path, SPEED, "--scenario", "demo", "--seed", "3") as endpoints:
        site = demo_site(tmp_path, endpoints, SPEED)
        for run in range(KILLS):
            with start_gateway(site, run) as gateway:
                if run == 0:
                    gateway.wait_for("cycle accepted")
                wait_for_time(gateway, moments.uniform(0.1, 4.0))
                gateway.kill()
        with start_gateway(site, KILLS) as gateway:
            gateway.wait_for("gateway ready")
            wait_for_time(gateway, 10.0)
            ended_at = datetime.now(UTC)
            assert gateway.terminate(timeout_s=10.0) == 0
    catch_up(tmp_path)
    cycles = recorded(tmp_path)
    assert set(cycles.values()) == {1}, "a cycle stands twice in the history"
    settled = ended_at - timedelta(seconds=SETTLE_S)
    made = {
        (str(t["analyzer"]), 0, int(str(t["cycle_number"])))
        for t in truth_lines(tmp_path)
        if datetime.fromisoformat(str(t["finished_at"])) < settled
    }
    first = {a: min(n for b, _, n in cycles if b == a) for a, _, _ in cycles}
    expected = {(a, e, n) for a, e, n in made if n >= first[a]}
    print(f"{KILLS} kills, {len(expected)} cycles made, {len(cycles)} recorded")
    assert len(first) == len(endpoints)
    assert expected <= set(cycles), f"missing: {sorted(expected - set(cycles))}"
    assert len(expected) >= 20
