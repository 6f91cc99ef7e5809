"""The real gateway on a disk that fills: outlets live, the alarm stands, all is caught up later."""

from __future__ import annotations

import os
import re
from contextlib import suppress
from pathlib import Path

import pytest

from edgeflash.history import HistoryWriter
from edgeflash.journal import JOURNAL_NAME, Journal
from edgeflash.rules.catalogue import BY_NAME as RULES
from edgeflash.trust import Quality, Trust
from tests.faults.processes import demo_site, simulators, start_gateway, truth_lines
from tests.faults.test_gateway_killed import recorded
from tests.faults.watched import GOOD, NOT_THERE, PATIENCE_S, watched
from tests.unit.journal.test_full_disk import small_tmpfs
from tests.waiting import until

SPEED = 40.0
"""A cycle takes some 4 s."""

HOLD_S = 20.0
BAD = {q.value.modbus for q in Quality if q.trust is Trust.BAD}
NOT_RECORDED = RULES["not_recorded"].code
as_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root can mount a file system")


def fill(disk: Path) -> None:
    """Takes all the room there is."""
    with (disk / "filler").open("wb", buffering=0) as file:
        for size in (65_536, 4096, 512, 1):
            with suppress(OSError):
                while True:
                    file.write(bytes(size))


def made(folder: Path) -> int:
    """The analyzer's newest cycle."""
    return max((int(str(t["cycle_number"])) for t in truth_lines(folder)), default=0)


def newest_in_journal(disk: Path) -> int:
    with Journal.open_readonly(disk / JOURNAL_NAME) as journal:
        latest = journal.latest("kestrel-1")
        assert latest is not None
        return latest.cycle.cycle_number


@as_root
async def test_a_disk_that_fills(tmp_path: Path) -> None:
    """Nothing is shown that is not in the journal; the value held goes bad in its time; with room
    again every cycle is there once."""
    disk = tmp_path / "disk"
    disk.mkdir()
    steady = ("--scenario", "steady", "--analyzers", "1", "--seed", "3")
    with small_tmpfs(disk) as room, simulators(tmp_path, SPEED, *steady) as ends:
        site = demo_site(tmp_path, ends, SPEED)
        text = site.read_text("utf-8")
        for key, value in {
            "state_dir": '"disk"',
            "folder": '"history"',  # below state_dir
            "flush_s": "0.5",
            "hold_s": HOLD_S,
            "longest_s": HOLD_S,
            "timeout_s": 20.0,
        }.items():
            text, changed = re.subn(rf"(?m)^{key} = .*$", f"{key} = {value}", text)
            assert changed
        site.write_text(re.sub(r"(?s)\[opcua\].*?(?=\n\[\[)", "", text), "utf-8")
        with start_gateway(site) as gateway:
            gateway.wait_for("gateway ready", PATIENCE_S)
            async with watched(gateway) as watch:
                # Less than 500 MB are free from the start on: a shortage already.
                await watch.sees(lambda s: s.shortage_alarm == 1)
                fill(disk)
                await watch.sees(lambda s: s.reason == NOT_RECORDED)
                watch.seen.clear()
                was_made = made(tmp_path)
                await until(lambda: bool(watch.seen), PATIENCE_S)
                held, heartbeat = watch.cycle(), watch.seen[-1].heartbeat
                await watch.sees(lambda s: s.quality in BAD)
                await until(lambda: made(tmp_path) >= was_made + 3, PATIENCE_S)
                await watch.sees(lambda s: s.heartbeat > heartbeat + 5)
                assert newest_in_journal(disk) == held
                assert {s.cycle for s in watch.seen} == {held}
                assert {s.reason for s in watch.seen} == {NOT_RECORDED}
                assert GOOD not in {s.quality for s in watch.seen}
                assert {s.shortage_alarm for s in watch.seen} == {1}
                assert all(s.age_s < HOLD_S + 5.0 for s in watch.seen if s.quality not in BAD)
                again = made(tmp_path)
                room()
                await watch.sees(lambda s: s.quality == GOOD and again <= s.cycle != NOT_THERE)
                until_number = made(tmp_path)
                await until(lambda: newest_in_journal(disk) >= until_number, PATIENCE_S)
            assert gateway.terminate(timeout_s=PATIENCE_S) == 0
            told = {line["event"] for line in gateway.events()}
        assert {"the journal cannot be written", "the journal can be written again"} <= told
        with Journal.open(disk / JOURNAL_NAME) as journal:
            HistoryWriter(journal, disk / "history").flush()
        rows = recorded(disk)
        assert set(rows.values()) == {1}
        numbers = sorted(n for _, _, n in rows)
        assert numbers == list(range(numbers[0], numbers[-1] + 1))
        assert numbers[0] <= held < was_made
        assert numbers[-1] >= until_number
