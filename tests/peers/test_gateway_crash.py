"""A short campaign of kills; the long one: python -m tests.bench.crash --kills 300 --seed 1."""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest

from tests.faults.crash.campaign import Campaign
from tests.faults.crash.every_stage import STAGES

KILLS = 8


@pytest.mark.slow
@pytest.mark.peer("gcc", "mosquitto", "mosquitto_sub")
def test_killed_anywhere(tmp_path: Path) -> None:
    """Each cycle once in the history, once shipped and at least once at the subscriber, and readers
    that see nothing else. Another seed each time; EDGEFLASH_SEED repeats one."""
    seed = int(os.environ.get("EDGEFLASH_SEED") or random.randrange(10**6))
    print(f"EDGEFLASH_SEED={seed}")
    report = Campaign(tmp_path, seed, [make() for make in STAGES.values()]).run(KILLS)
    print(report.text())
    assert not report.wrong, report.text()
    assert report.kills.total() >= KILLS
    assert report.recorded > 0
