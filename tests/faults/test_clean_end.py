"""SIGTERM and Ctrl-C end within 5 s with everything on disk; the log is JSON under a manager."""

from __future__ import annotations

import signal
from pathlib import Path

import duckdb
import pytest

from tests.faults.processes import demo_site, simulators, start_gateway

END_WITHIN_S = 5.0


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_everything_is_on_disk(tmp_path: Path, number: signal.Signals) -> None:
    """Exit code 0, every logged cycle is in the history, and no temporary file is left."""
    with (
        simulators(tmp_path, 40.0, "--scenario", "demo", "--seed", "3") as endpoints,
        start_gateway(demo_site(tmp_path, endpoints, 40.0)) as gateway,
    ):
        gateway.wait_for("gateway ready")
        gateway.wait_for("cycle rejected")
        gateway.process.send_signal(number)
        assert gateway.process.wait(END_WITHIN_S) == 0
    events = gateway.events()
    logged = {str(e["id"]) for e in events if str(e["event"]).startswith("cycle ")}
    rows = duckdb.sql(
        f"SELECT analyzer, epoch, cycle_number FROM '{tmp_path}/history/results/**/*.parquet'"
    ).fetchall()
    assert {f"{a}/{e}/{n}" for a, e, n in rows} == logged
    assert not [p for p in (tmp_path / "history").rglob(".*") if p.is_file()]
    assert events[-1]["event"] == "gateway ended"
    assert all(e["level"] in ("info", "warning") for e in events), events
