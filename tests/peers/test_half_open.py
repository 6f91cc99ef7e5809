"""An analyzer whose packets vanish: dropped in a network namespace of the test's own."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest

from tests.faults.test_unplugged import assert_promises
from tests.faults.unplugged import Seen


@pytest.mark.slow
@pytest.mark.peer("ip", "iptables")
def test_half_open() -> None:
    """Nobody is told that the link is gone; the promises are those of a stopped server."""
    scenario = f"ip link set lo up && exec {sys.executable} -m tests.faults.unplugged half-open"
    become_root = [] if os.geteuid() == 0 else ["--map-root-user"]
    done = subprocess.run(
        ["unshare", *become_root, "--net", "sh", "-c", scenario],
        check=False,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    assert_promises(Seen(**json.loads(done.stdout.splitlines()[-1])))
