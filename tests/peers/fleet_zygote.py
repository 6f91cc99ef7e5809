"""Starts `edgeflash` commands quickly: one process with all of it imported, forked for each.

Each line of its input is a JSON object: words of the command line, environment. Says `started PID`,
and later `ended PID CODE OUTPUT` for each; a killed one has the negative of the signal's number.
"""

from __future__ import annotations

import json
import os
import select
import signal
import sys
import time
from pathlib import Path

import deltalake  # noqa: F401
import pyarrow.dataset
import pyarrow.fs
import pyarrow.parquet  # noqa: F401

import edgeflash.config.load
import edgeflash.fleet.collect
import edgeflash.fleet.shared_table
import edgeflash.fleet.site_ship
import edgeflash.fleet.tidy  # noqa: F401
from edgeflash.cli import app


def run(words: list[str], environment: dict[str, str], output: Path) -> None:
    """The command in a child; does not return."""
    os.environ.update(environment)
    descriptor = os.open(output, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(descriptor, 1)
    os.dup2(descriptor, 2)
    sys.argv = ["edgeflash", *words]
    code = 1
    try:
        app.main()
        code = 0
    except SystemExit as end:
        code = int(end.code or 0)
    finally:
        sys.stdout.flush()
        os._exit(code)


def main() -> None:
    """Forks until the input ends. One thread: what forks must hold no lock for its child to want.

    Libraries start their threads in the children only.
    """
    folder = Path(sys.argv[1])
    outputs: dict[int, Path] = {}
    readable, writable = os.pipe()
    os.set_blocking(writable, False)
    signal.set_wakeup_fd(writable)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    pending = b""
    while True:
        ready = select.select([0, readable], [], [])[0]
        if readable in ready:
            os.read(readable, 4096)
        while outputs:
            pid, status = os.waitpid(-1, os.WNOHANG)
            if pid == 0:
                break
            output = outputs.pop(pid)
            text = output.read_text("utf-8", "replace") if output.exists() else ""
            code = os.waitstatus_to_exitcode(status)
            print(f"ended {pid} {code} {json.dumps(text)}", flush=True)
        if 0 in ready:
            if not (data := os.read(0, 65_536)):
                return
            *lines, pending = (pending + data).split(b"\n")
            for line in lines:
                asked = json.loads(line)
                output = folder / f"output-{time.monotonic_ns()}"
                pid = os.fork()
                if pid == 0:
                    signal.set_wakeup_fd(-1)
                    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
                    run(asked["words"], asked["environment"], output)
                outputs[pid] = output
                print(f"started {pid}", flush=True)


if __name__ == "__main__":
    main()
