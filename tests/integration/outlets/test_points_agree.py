"""One catalogue: list, address space and registers agree, and one more point is one edit."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import Any

from edgeflash.points import CATALOGUE
from tests.integration.outlets import points_agree


def _run(*arguments: str) -> dict[str, Any]:
    done = subprocess.run(
        [sys.executable, "-m", points_agree.__name__, *arguments],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    told: dict[str, Any] = json.loads(done.stdout)
    return told


def test_list_address_space_and_registers_agree() -> None:
    """Each point of two analyzers, and each input, read by what the list says alone."""
    told = _run()
    assert told["differ"] == []
    assert told["compared"] >= 2 * len(CATALOGUE)


def test_adding_a_point_is_one_edit() -> None:
    """One Point appended to the catalogue is served, listed and documented everywhere."""
    told = _run("--add")
    assert told["differ"] == []
    assert points_agree.ADDED in told["points"]
    assert told["compared"] >= 2 * (len(CATALOGUE) + 1)
    assert set(told["told_in"]) == {"points page", "Modbus page", "history"}
