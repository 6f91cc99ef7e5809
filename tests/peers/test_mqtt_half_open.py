"""A network that is cut by dropped packets: neither side is told. In a namespace of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest


@pytest.mark.peer("ip", "iptables", "mosquitto", "mosquitto_sub")
def test_half_open() -> None:
    """Given up after timeout_s, connected again when packets pass, every result there in order."""
    scenario = f"ip link set lo up && exec {sys.executable} -m tests.peers.mqtt_half_open"
    become_root = [] if os.geteuid() == 0 else ["--map-root-user"]
    done = subprocess.run(
        ["unshare", *become_root, "--net", "sh", "-c", scenario],
        check=False,
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    seen = json.loads(done.stdout.splitlines()[-1])
    assert "not acknowledged within 2 s" in seen["fault"]
    assert list(dict.fromkeys(seen["ids"])) == [f"fp-101/0/{n}" for n in range(1, 301)]
    assert seen["reconnects"] == 1
