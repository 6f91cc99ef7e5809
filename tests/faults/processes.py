"""The simulators and the gateway as processes of their own, as they run in a plant."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from edgeflash.demo.simulated import Endpoint
from edgeflash.demo.site_file import write_demo_site

READY_EVENT = "gateway ready"


@contextmanager
def simulators(folder: Path, speed: float, *arguments: str) -> Iterator[tuple[Endpoint, ...]]:
    """Simulated analyzers for as long as the block runs; their truth goes to truth.jsonl."""
    with (folder / "simulators.log").open("wb") as log:
        process = subprocess.Popen(
            [
                *(sys.executable, "-m", "simulators", "--speed", f"{speed:g}"),
                *("--truth", str(folder / "truth.jsonl"), *arguments),
            ],
            stdout=subprocess.PIPE,
            stderr=log,
        )
    assert process.stdout is not None
    try:
        announced = json.loads(process.stdout.readline())["analyzers"]
        yield tuple(Endpoint(a["id"], a["host"], a["port"]) for a in announced)
    finally:
        process.terminate()
        process.wait()
        process.stdout.close()


@dataclass
class GatewayProcess:
    """`edgeflash run` with its log."""

    site: Path
    process: subprocess.Popen[str]
    log_path: Path

    def __enter__(self) -> GatewayProcess:
        return self

    def __exit__(self, *failure: object) -> None:
        """Nothing of a failed test stays behind."""
        if self.process.poll() is None:
            self.kill()

    def kill(self) -> None:
        """SIGKILL: no chance to tidy up."""
        self.process.kill()
        self.process.wait()

    def terminate(self, timeout_s: float) -> int:
        """SIGTERM; the exit code. Raises TimeoutExpired when it takes longer."""
        self.process.terminate()
        return self.process.wait(timeout_s)

    def events(self) -> list[dict[str, object]]:
        """The log so far; a line that is still being written is left out."""
        lines = self.log_path.read_text("utf-8").splitlines(keepends=True)
        return [json.loads(line) for line in lines if line.endswith("\n")]

    def wait_for(self, event: str, timeout_s: float = 30.0) -> None:
        """Waits until a line with this event has been logged."""
        deadline_s = time.monotonic() + timeout_s
        while not any(line["event"] == event for line in self.events()):
            assert self.process.poll() is None, self.log_path.read_text("utf-8")[-2000:]
            assert time.monotonic() < deadline_s, f"no '{event}' within {timeout_s} s"
            _pause()


def _pause(seconds: float = 0.02) -> None:
    """Lets the other processes work; only ever called inside a loop that checks a condition."""
    time.sleep(seconds)


def start_gateway(site: Path, run: int = 0) -> GatewayProcess:
    """Starts `edgeflash run`; its log goes beside the site file."""
    log_path = site.parent / f"gateway-{run}.log"
    with log_path.open("w") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "edgeflash", "run", str(site)], stderr=log, text=True
        )
    return GatewayProcess(site, process, log_path)


def demo_site(folder: Path, endpoints: tuple[Endpoint, ...], speed: float) -> Path:
    """A site file for simulated analyzers in the folder."""
    return write_demo_site(folder, endpoints, speed)


def truth_lines(folder: Path) -> list[dict[str, object]]:
    """What really happened, so far."""
    lines = (folder / "truth.jsonl").read_text("utf-8").splitlines(keepends=True)
    return [json.loads(line) for line in lines if line.endswith("\n")]
