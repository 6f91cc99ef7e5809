"""The demo scenario and the command line."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from pathlib import Path
from typing import IO

import pytest

from simulators.__main__ import main
from simulators.analyzer import SimulatedAnalyzer
from simulators.faults import FaultKind
from simulators.fuel import product
from simulators.scenarios import demo, steady

COMMAND = [sys.executable, "-m", "simulators"]
ROOT = Path(__file__).parents[3]


def test_demo_shows_everything_within_a_minute_at_twenty_fold_speed() -> None:
    """1200 simulated seconds hold clean cycles and every kind of trouble the demo promises."""
    kinds: set[FaultKind] = set()
    clean = 0
    for plan in demo():
        analyzer = SimulatedAnalyzer(
            plan.name, seed=7, faults=plan.plan, fuel=product(plan.flash_c), stream=plan.stream
        )
        for truth in analyzer.advance(1200.0):
            kinds.update(one.kind for one in truth.faults)
            clean += not truth.faults
            if any(one.kind is FaultKind.CONTAMINATION for one in truth.faults):
                assert truth.sparks == 1
    assert clean >= 8
    assert kinds >= {
        FaultKind.NO_IGNITION,
        FaultKind.REPORTED_BIAS,
        FaultKind.WEAK_IGNITION,
        FaultKind.SAMPLE_FLOW_LOW,
        FaultKind.CONTAMINATION,
        FaultKind.RAMP_FAST,
        FaultKind.CHECK_SAMPLE,
        FaultKind.SENTINEL,
        FaultKind.DEVICE_FAULT_BIT,
    }


def test_demo_is_half_clean() -> None:
    """Of every eight cycles of an analyzer four are clean."""
    for plan in demo():
        faulty = [cycle for cycle in range(1, 9) if plan.plan.active(cycle).faults]
        assert len(faulty) == 4


def test_steady_has_no_faults_and_as_many_analyzers_as_asked() -> None:
    """Names differ; nothing goes wrong."""
    plans = steady(12)
    assert len({plan.name for plan in plans}) == 12
    assert not any(plan.plan.active(cycle).faults for plan in plans for cycle in (1, 5, 9))


def run(*options: str) -> subprocess.Popen[str]:
    """The command as a process with all its pipes."""
    return subprocess.Popen(
        [*COMMAND, *options],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def first_line(stream: IO[str] | None) -> str:
    """The ready line."""
    assert stream is not None
    return stream.readline()


def test_single_writes_one_truth_line_per_cycle(tmp_path: Path) -> None:
    """--cycles ends the run with 0; one ready line; truth lines carry fault and number."""
    truth_file = tmp_path / "truth.jsonl"
    process = run(
        *("--single", "--speed", "1000", "--seed", "3", "--cycles", "3"),
        *("--fault", "no_ignition::2:2", "--start-number", "65535", "--truth", str(truth_file)),
    )
    out, err = process.communicate(timeout=30)
    assert process.returncode == 0, err
    assert len(out.splitlines()) == 1
    ready = json.loads(out)
    assert ready["ready"] is True
    assert [sorted(one) for one in ready["analyzers"]] == [["host", "id", "port"]]
    truths = [json.loads(line) for line in truth_file.read_text().splitlines()]
    assert [one["cycle_number"] for one in truths] == [65535, 0, 1]
    assert [one["faults"] for one in truths] == [
        [],
        [{"kind": "no_ignition", "strength": 0.0}],
        [],
    ]
    assert truths[1]["reported_c"] is None
    assert "no_ignition" in err


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_signal_ends_it_cleanly(number: signal.Signals) -> None:
    """Three analyzers on three ports; exit code 0 on either signal, nothing more on stdout."""
    process = run("--scenario", "demo", "--speed", "20", "--seed", "7")
    ready = json.loads(first_line(process.stdout))
    assert [one["id"] for one in ready["analyzers"]] == ["kestrel-1", "kestrel-2", "heron-1"]
    assert len({one["port"] for one in ready["analyzers"]}) == 3
    process.send_signal(number)
    out, err = process.communicate(timeout=20)
    assert process.returncode == 0, err
    assert out == ""
    assert "Traceback" not in err


def test_closed_stdin_ends_it_when_told_so() -> None:
    """--until-stdin-closes: ends with 0 once the parent lets go."""
    process = run("--single", "--until-stdin-closes")
    first_line(process.stdout)
    assert process.poll() is None
    _, err = process.communicate(timeout=20)  # closes its stdin
    assert process.returncode == 0, err


def test_signal_while_waiting_for_stdin_ends_it_cleanly() -> None:
    """The thread that waits on stdin does not disturb the exit."""
    process = run("--single", "--until-stdin-closes")
    first_line(process.stdout)
    process.send_signal(signal.SIGTERM)
    assert process.wait(timeout=20) == 0
    _, err = process.communicate(timeout=20)
    assert "Fatal" not in err


def test_wrong_use_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    """A bad fault gives 2 and its reason; --fault without --single is wrong use."""
    assert main(["--single", "--fault", "sleepy::1:1"]) == 2
    assert "unknown fault 'sleepy'" in capsys.readouterr().err
    for options in (
        ["--fault", "torn::1:1"],
        ["--speed", "0"],
        ["--start-number", "70000"],
    ):
        with pytest.raises(SystemExit) as caught:
            main(options)
        assert caught.value.code == 2
