"""Starts doomed processes without the seconds that loading takes: loads once, then forks.

    python -m tests.faults.crash.nursery

Each line of its input is a JSON object: {"run": [POINT, COUNT, WORDS], "log": FILE} is answered by
the process id, {"ended": PROCESS_ID} waits for that process and is answered by its exit code, below
0 for a signal.
"""

from __future__ import annotations

import ctypes
import json
import os
import select
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NoReturn

from tests.faults.crash import doomed

PR_SET_PDEATHSIG = 1
"""prctl(2): which signal comes when the parent ends."""


class Doomed:
    """One process; used as a subprocess.Popen is."""

    def __init__(self, nursery: Nursery, pid: int, log: Path) -> None:
        self._nursery = nursery
        self.pid = pid
        self.log_path = log
        self._ended = os.pidfd_open(pid)
        self.returncode: int | None = None

    def poll(self) -> int | None:
        """Its exit code; None while it runs."""
        if self.returncode is None and select.select([self._ended], [], [], 0)[0]:
            self._reap()
        return self.returncode

    def wait(self, timeout_s: float) -> int:
        """Its exit code. Raises subprocess.TimeoutExpired."""
        if self.returncode is None:
            if not select.select([self._ended], [], [], timeout_s)[0]:
                raise subprocess.TimeoutExpired("doomed", timeout_s)
            self._reap()
        assert self.returncode is not None
        return self.returncode

    def send(self, number: signal.Signals) -> None:
        """Sends a signal, if it is still there."""
        if self.poll() is None:
            signal.pidfd_send_signal(self._ended, number)

    def log(self) -> str:
        """What it said so far."""
        return self.log_path.read_text("utf-8", "replace")

    def _reap(self) -> None:
        self.returncode = self._nursery.ask(ended=self.pid)
        os.close(self._ended)


class Nursery:
    """The process that forks, from the side of the campaign."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process

    def start(self, log: Path, point: str, count: int, *words: str) -> Doomed:
        """A process that runs the command and dies at the point."""
        log.touch()
        return Doomed(self, self.ask(run=[point, count, list(words)], log=str(log)), log)

    def ask(self, **question: Any) -> int:
        """One question, one number."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(question) + "\n")
        self._process.stdin.flush()
        return int(self._process.stdout.readline())


@contextmanager
def nursery() -> Iterator[Nursery]:
    """A nursery; with it end the processes it has started."""
    command = [sys.executable, "-m", "tests.faults.crash.nursery"]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        try:
            yield Nursery(process)
        finally:
            assert process.stdin is not None
            process.stdin.close()


def _child(log: str, point: str, count: int, words: list[str]) -> NoReturn:
    code = 1
    try:
        # With the nursery goes what it has started, however that ends.
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)
        descriptor = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
        for number in (1, 2):
            os.dup2(descriptor, number)
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        doomed.main(point, count, words)
        code = 0
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else int(bool(end.code))
    except BaseException:
        sys.excepthook(*sys.exc_info())
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


def main() -> None:
    """Answers until the input ends."""
    doomed.load()
    running = set[int]()
    for line in sys.stdin:
        question = json.loads(line)
        if "run" in question:
            pid = os.fork()
            if not pid:
                _child(question["log"], *question["run"])
            running.add(pid)
            print(pid, flush=True)
        else:
            running.discard(question["ended"])
            _, status = os.waitpid(question["ended"], 0)
            print(os.waitstatus_to_exitcode(status), flush=True)
    for pid in running:
        os.kill(pid, signal.SIGKILL)


if __name__ == "__main__":
    main()
