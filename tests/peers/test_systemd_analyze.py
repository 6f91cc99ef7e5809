"""systemd reads the service unit. The peer is systemd-analyze of the machine's systemd."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.peer("systemd-analyze")

UNIT = Path(__file__).parents[2] / "deploy" / "edgeflash.service"
PROGRAM = "/opt/edgeflash/bin/edgeflash"

# In tenths: an exposure level of 1.6 at most; systemd calls up to 2.0 "OK" (from memory). What
# remains is the network, which a gateway needs, and the system calls that tell how the clock is
# kept: the score takes them for a right to set it, which the missing capability denies.
EXPOSURE_LIMIT = 16


def verify(unit: Path) -> subprocess.CompletedProcess[str]:
    """`verify` of one unit file; the exit code covers that file and not the machine's units."""
    command = ["systemd-analyze", "verify", "--man=no", "--recursive-errors=no", str(unit)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)


@pytest.fixture
def installed_unit(tmp_path: Path) -> Path:
    """The unit as on a machine where its program is installed: systemd looks for the file."""
    text = UNIT.read_text(encoding="utf-8")
    assert f"ExecStart={PROGRAM} " in text
    unit = tmp_path / UNIT.name
    unit.write_text(text.replace(PROGRAM, sys.executable), encoding="utf-8")
    return unit


def test_systemd_has_nothing_to_say_against_the_unit(installed_unit: Path) -> None:
    """No unknown key, no wrong value, no contradiction."""
    done = verify(installed_unit)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("name", ["ship", "collect"])
def test_units_of_the_fleet_are_sound(tmp_path: Path, name: str) -> None:
    """The pass and its timer, as on a machine where the program is installed."""
    for kind in ("service", "timer"):
        text = (UNIT.parent / f"edgeflash-{name}.{kind}").read_text("utf-8")
        (tmp_path / f"edgeflash-{name}.{kind}").write_text(text.replace(PROGRAM, sys.executable))
    for kind in ("service", "timer"):
        done = verify(tmp_path / f"edgeflash-{name}.{kind}")
        assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize(
    ("right", "wrong"), [("WatchdogSec=", "WatchdogSecs="), ("Restart=always", "Restart=sometimes")]
)
def test_systemd_would_have_found_a_mistake(installed_unit: Path, right: str, wrong: str) -> None:
    """The check above can fail: a misspelt key and a wrong value are reported."""
    text = installed_unit.read_text(encoding="utf-8")
    assert right in text
    installed_unit.write_text(text.replace(right, wrong), encoding="utf-8")
    done = verify(installed_unit)
    assert done.stderr != ""


def members(name: str) -> set[str]:
    """The system calls of a set, by systemd's own list, sets within it resolved."""
    command = ["systemd-analyze", "syscall-filter", "--no-pager", name]
    listed = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60)
    words = [line.strip() for line in listed.stdout.splitlines()[1:]]
    calls = {word for word in words if word and word[0] not in "#@"}
    return calls.union(*(members(word) for word in words if word.startswith("@")))


def test_the_clock_can_be_looked_at_and_not_set() -> None:
    """By systemd's own sets: what a reading takes is allowed, what only sets a clock is not. What
    the allowed calls could set takes a capability (capabilities(7), CAP_SYS_TIME)."""
    allowed: set[str] = set()
    lines = UNIT.read_text(encoding="utf-8").splitlines()
    for words in (x.partition("=")[2] for x in lines if x.startswith("SystemCallFilter=")):
        named = [members(w) if w[0] == "@" else {w} for w in words.removeprefix("~").split()]
        change = allowed.difference_update if words[0] == "~" else allowed.update
        change(*named)
    assert {"adjtimex", "clock_adjtime"} <= allowed
    assert allowed.isdisjoint({"settimeofday", "clock_settime", "stime"})
    assert "ProtectClock=no" in lines, "ProtectClock forbids the reading too"
    assert "CapabilityBoundingSet=" in lines
    assert "AmbientCapabilities=" in lines


def test_the_unit_exposes_little() -> None:
    """systemd's own exposure score stays under the limit."""
    command = ["systemd-analyze", "security", "--offline=true", "--no-pager"]
    done = subprocess.run(
        [*command, f"--threshold={EXPOSURE_LIMIT}", str(UNIT)],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 0, done.stdout[-200:] + done.stderr
