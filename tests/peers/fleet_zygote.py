"""Starts `edgeflash` commands quickly: one process with all of it imported, forked for each.

Each line of its input is a JSON object: words of the command line, environment. Says `started PID`,
and later `ended PID CODE OUTPUT` for each; a killed one has the negative of the signal's number.
"""

from __future__ import annotations

import json
import os
import sys
import threading
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
    """Forks until the input ends. Libraries start their threads in the children only."""
    say = threading.Lock()

    def tell(text: str) -> None:
        with say:
            print(text, flush=True)

    folder = Path(sys.argv[1])
    for count, line in enumerate(iter(sys.stdin.readline, "")):
        asked = json.loads(line)
        output = folder / f"output-{count}"
        pid = os.fork()
        if pid == 0:
            run(asked["words"], asked["environment"], output)
        tell(f"started {pid}")

        def wait(pid: int = pid, output: Path = output) -> None:
            _, status = os.waitpid(pid, 0)
            text = output.read_text("utf-8") if output.exists() else ""
            tell(f"ended {pid} {os.waitstatus_to_exitcode(status)} {json.dumps(text)}")

        threading.Thread(target=wait, daemon=True).start()


if __name__ == "__main__":
    main()
