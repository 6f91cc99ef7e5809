"""A gateway at work: verified, mended by itself when asked, backed up, and restored elsewhere."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from edgeflash.errors import StorageError
from edgeflash.journal import JOURNAL_NAME, Journal
from tests.faults.processes import GatewayProcess, demo_site, simulators, start_gateway

SPEED = 40.0


def history(*words: str | Path) -> tuple[int, dict[str, Any]]:
    """Exit code and record of `edgeflash history ... --json`."""
    ended = subprocess.run(
        [sys.executable, "-m", "edgeflash", "history", *map(str, words), "--json"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert ended.returncode in (0, 1), ended.stderr
    assert ended.stdout, ended.stderr
    record: dict[str, Any] = json.loads(ended.stdout)
    return ended.returncode, record


def wait_for_files(gateway: GatewayProcess, state: Path) -> None:
    """Waits until results have come to the history, and the journal knows."""
    deadline_s = time.monotonic() + 240.0
    while not _has_history(state):
        assert time.monotonic() < deadline_s, gateway.log_path.read_text("utf-8")[-2000:]
        with suppress(subprocess.TimeoutExpired):
            gateway.process.wait(0.1)
            pytest.fail("the gateway ended by itself")


def _has_history(state: Path) -> bool:
    path = state / JOURNAL_NAME
    if not path.exists():
        return False
    with suppress(StorageError), Journal.open_readonly(path) as journal:
        return journal.position("history") > 0
    return False


@pytest.mark.slow
def test_a_running_gateway_mends_its_history_and_comes_back_from_a_backup(
    tmp_path: Path,
) -> None:
    """Damage made behind its back is found, mended by the gateway itself and noted in the event
    record; its backup, restored into an empty folder, is the start of a gateway that goes on with
    the same epochs."""
    with simulators(tmp_path, SPEED, "--scenario", "demo", "--seed", "3") as endpoints:
        site = demo_site(tmp_path, endpoints, SPEED)
        with start_gateway(site) as gateway:
            wait_for_files(gateway, tmp_path)
            gateway.process.terminate()
            assert gateway.process.wait(120) == 0
        # A flush would find a file of today unreadable by itself.
        site.write_text(site.read_text("utf-8").replace("flush_s = 5", "flush_s = 3600"), "utf-8")
        with start_gateway(site, 1) as gateway:
            gateway.wait_for("operator socket serving", 120.0)
            assert history("verify", site)[0] == 0
            spoiled = sorted((tmp_path / "history").glob("results/*/*/*.parquet"))[0]
            sound = spoiled.read_bytes()
            spoiled.write_bytes(sound[:-40])
            code, found = history("verify", site)
            assert (code, [f["problem"] for f in found["findings"]]) == (1, ["unreadable"])
            code, mended = history("verify", site, "--repair")
            assert (code, mended["left"]) == (0, [])
            assert [m["path"] for m in mended["mended"]] == [
                str(spoiled.relative_to(tmp_path / "history"))
            ]
            assert mended["mended"][0]["brought_back"] >= 1
            assert history("verify", site)[0] == 0
            code, made = history("backup", site, tmp_path / "backups")
            assert (code, made["doubtful"]) == (0, [])
            gateway.wait_for("history repair ended", 120.0)
            gateway.process.terminate()
            assert gateway.process.wait(120) == 0

        with Journal.open_readonly(tmp_path / JOURNAL_NAME) as journal:
            kinds = [e.kind.value for e in journal.events()]
            assert kinds.count("history_repaired") == 1

        other = tmp_path / "other"
        other.mkdir()
        moved = demo_site(other, endpoints, SPEED)
        code, restored = history("restore", made["folder"], moved)
        assert (code, restored["findings"]) == (0, [])
        with Journal.open_readonly(other / JOURNAL_NAME) as journal:
            before = {a.id: journal.latest(a.id) for a in endpoints}
        with start_gateway(moved, 2) as gateway:
            gateway.wait_for("cycle accepted", 120.0)
            gateway.process.terminate()
            assert gateway.process.wait(120) == 0
        with Journal.open_readonly(other / JOURNAL_NAME) as journal:
            after = {a.id: journal.latest(a.id) for a in endpoints}
        moved_on = [a.id for a in endpoints if after[a.id] != before[a.id]]
        assert moved_on
        for analyzer in moved_on:
            was, now = before[analyzer], after[analyzer]
            assert now is not None
            if was is not None:
                assert now.cycle.epoch == was.cycle.epoch
                assert now.cycle.cycle_number > was.cycle.cycle_number
        assert history("verify", moved, "--repair")[0] == 0
