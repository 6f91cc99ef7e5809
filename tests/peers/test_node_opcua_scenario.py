"""The whole interface to the control system in one story, by an independent OPC UA client.

Peer: node-opcua (scenario.js and the parts in scenario/), against the gateway and a simulated
analyzer as processes of their own, set up with the commands that a site uses. What is expected
comes from the point list (`edgeflash points --format json`), its quality table, the simulator's
record of the truth and the parts of OPC 10000 named beside the checks.
"""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.certificates import DAY, Made, key_of, make
from tests.faults.processes import (
    READY_EVENT,
    demo_site,
    simulators,
    start_gateway,
    truth_lines,
)
from tests.peers.programs import node_modules
from tests.peers.running import HERE, running
from tests.ports import free_port

pytestmark = [pytest.mark.peer("node", "node-opcua"), pytest.mark.slow]

SPEED = 40.0
ANALYZER = "kestrel-1"
PASSWORD = "a long enough password"
USERS = {"oscar": "observer", "olive": "operator", "erin": "engineer"}
MINIMUM_C = 55.0
HOLD_S = 12.5
PERIOD = 6
CYCLES_PLANNED = 240
LEAST_CHECKS = 140
"""There are 143: a part that is left out must not pass unseen."""
LINE_TIMEOUT_S = 180.0
"""For one line of the scenario: it waits up to 60 s for a condition, more than once in a part."""

SITE = """
[[inputs]]
id = "t10"
number = 1
description = "distillation, 10 % recovered"
unit = "degC"
low = 100.0
high = 300.0

[[inputs]]
id = "share"
number = 2
description = "share of the second component"
unit = "percent"
low = 0.0
high = 100.0

"""


def faults() -> list[str]:
    """Of six cycles: one with a wrong ramp, one without an ignition, one of a lower product."""
    words = ["--single"]
    for first in range(1, CYCLES_PLANNED, PERIOD):
        for kind, strength, place in (("ramp_fast", "1.25", 1), ("no_ignition", "", 2)):
            words += ["--fault", f"{kind}:{strength}:{first + place}:{first + place}"]
        words += ["--fault", f"grade_change:-10:{first + 4}:{first + 4}"]
    return words


def prepare_site(path: Path) -> None:
    """The demonstration's site with inputs that clients may write, and an alarm without delay."""
    text = path.read_text("utf-8")
    text = text.replace("allow_open_endpoint", "accept_inputs = true\nallow_open_endpoint", 1)
    text = text.replace("[[analyzers]]", SITE + "[[analyzers]]", 1)
    path.write_text(text + "\n[analyzers.alarms.unavailable]\non_delay_s = 0.5\n", "utf-8")


def command(*words: str | Path) -> str:
    """What an edgeflash command prints; it must end well."""
    done = subprocess.run(
        [sys.executable, "-m", "edgeflash", *map(str, words)],
        check=False,
        capture_output=True,
        text=True,
        timeout=120.0,
    )
    assert done.returncode == 0, f"{words}: {done.stdout}{done.stderr}"
    return done.stdout


def certificates(folder: Path) -> dict[str, Made]:
    """The client's certificates, by what is wrong with each."""
    return {
        "trusted": make(),
        "stranger": make(key=key_of("stranger")),
        "expired": make(begins=-9 * DAY, ends=-DAY, key=key_of("expired")),
        "early": make(begins=DAY, key=key_of("early")),
    }


def set_up(site: Path, made: dict[str, Made]) -> None:
    """Users and trusted certificates, with the commands for them."""
    password = site.parent / "password"
    password.write_text(PASSWORD + "\n", "utf-8")
    for name, role in USERS.items():
        command("users", "add", site, name, "--role", role, "--password-file", password)
    for name in ("trusted", "expired", "early"):
        command("keys", "trust", site, "--file", made[name].files(site.parent / name)[0])
    made["stranger"].files(site.parent / "stranger")


def plan_of(site: Path, made: dict[str, Made]) -> dict[str, Any]:
    """What the scenario is told."""
    listed = json.loads(command("points", site, "--format", "json"))
    points = [one for one in listed["points"] if one.get("analyzer") == ANALYZER]
    port = next(one["opcua"]["outlet"] for one in points).rstrip(")").rpartition(":")[2]
    return {
        "endpoint": f"opc.tcp://127.0.0.1:{port}/edgeflash",
        "serverCertificate": str(site.parent / "keys" / "own" / "certificate.der"),
        "pki": str(site.parent / "node-pki"),
        "certificates": {
            name: [str(path) for path in one.files(site.parent / name)]
            for name, one in made.items()
        },
        "password": PASSWORD,
        "analyzer": ANALYZER,
        "points": points,
        "qualities": listed["qualities"],
        "inputs": ["t10", "share"],
        "tooHigh": 500.0,
        "minimum": MINIMUM_C,
        "hold_s": HOLD_S,
        "truths": [52.0, 62.0],
    }


class Plant:
    """The simulated analyzer, which goes and comes back on the same port."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._port = free_port()
        self._context: Any = None
        self.endpoints: Any = ()

    def start(self, first: int = 1) -> None:
        """Starts the analyzer with this cycle number."""
        where = ("--port-base", str(self._port), "--start-number", str(first))
        self._context = simulators(self._folder, SPEED, *where, *faults())
        self.endpoints = self._context.__enter__()

    def stop(self) -> None:
        """Ends it, if it runs."""
        context, self._context = self._context, None
        if context is not None:
            context.__exit__(None, None, None)

    def restart(self) -> None:
        """Starts it after the cycles that it has made."""
        self.start(2 + max(int(str(line["cycle_number"])) for line in truth_lines(self._folder)))


async def heard(plan: Path, does: dict[str, Callable[[], object]]) -> tuple[list[str], list[str]]:
    """The checks that passed and those that failed; does what the scenario asks for."""
    passed: list[str] = []
    failed: list[str] = []
    environment = {"NODE_PATH": str(node_modules())}
    async with running(["node", HERE / "scenario.js", plan], environment) as peer:
        while (line := await peer.hear("", timeout_s=LINE_TIMEOUT_S)) != "end":
            print(line)
            word, _, rest = line.partition(" ")
            if word == "please":
                await asyncio.to_thread(does[rest])
                peer.say("done")
            elif word == "ok":
                passed.append(rest)
            elif line.startswith("not ok "):
                failed.append(line)
    return passed, failed


async def test_the_whole_interface(tmp_path: Path) -> None:
    """At least LEAST_CHECKS checks, each by its name, and none of them fails."""
    plant = Plant(tmp_path)
    plant.start()
    try:
        site = demo_site(tmp_path, plant.endpoints, SPEED)
        prepare_site(site)
        made = certificates(tmp_path)
        set_up(site, made)
        plan = tmp_path / "plan.json"
        plan.write_text(json.dumps(plan_of(site, made)), "utf-8")
        does: dict[str, Callable[[], object]] = {
            "trust the stranger": lambda: command("keys", "trust", site, made["stranger"].sha1),
            "kill the analyzer": plant.stop,
            "start the analyzer": plant.restart,
        }
        with start_gateway(site) as gateway:
            gateway.wait_for(READY_EVENT, timeout_s=90.0)
            passed, failed = await heard(plan, does)
            assert gateway.terminate(30.0) == 0
    finally:
        plant.stop()
    print(f"{len(passed)} checks passed, {len(failed)} failed")
    assert failed == []
    assert len(passed) == len(set(passed)), "every check has a name of its own"
    assert len(passed) >= LEAST_CHECKS
