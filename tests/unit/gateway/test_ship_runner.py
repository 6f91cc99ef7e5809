"""Shipping from a running gateway: a process of its own that can fail, hang or die alone."""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path

from structlog.testing import capture_logs

from edgeflash.gateway.ship_record import ShipRecord
from edgeflash.gateway.ship_runner import ShipRunner
from tests.waiting import until

START = datetime(2031, 4, 5, 6, 7, 8, tzinfo=UTC)
REPORT = (
    '{"parts": 2, "rows": 9, "sent_bytes": 1, "waiting": 0, "through": "2031-04-04", '
    '"unreadable": [], "damaged": []}'
)


@asynccontextmanager
async def running(tmp_path: Path, program: str) -> AsyncIterator[ShipRunner]:
    """A runner whose command is this Python text."""
    record = ShipRecord.begun("s3://depot", None, START, 0.0)
    command = (sys.executable, "-c", program)
    runner = ShipRunner(tmp_path / "site.toml", 0.01, record, command=command)
    task = asyncio.create_task(runner.run())
    try:
        yield runner
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def test_what_was_shipped_is_logged(tmp_path: Path) -> None:
    """How many parts and rows."""
    with capture_logs() as logs:
        async with running(tmp_path, f"print('''{REPORT}''')"):
            await until(lambda: any(e["event"] == "history shipped" for e in logs), 30)
    entry = next(e for e in logs if e["event"] == "history shipped")
    assert (entry["parts"], entry["rows"]) == (2, 9)


async def test_a_failure_is_said_once_and_its_end_too(tmp_path: Path) -> None:
    """Whatever the process says, or however it ends; the next pass is tried all the same."""
    flag, count = tmp_path / "mended", tmp_path / "count"
    program = (
        f"import pathlib, sys; c = pathlib.Path({str(count)!r}); c.open('a').write('x')\n"
        f"if pathlib.Path({str(flag)!r}).exists(): print('''{REPORT}''')\n"
        "else: sys.exit('the bucket is gone')"
    )
    with capture_logs() as logs:
        async with running(tmp_path, program) as runner:
            await until(lambda: count.exists() and len(count.read_text()) > 2, 30)
            assert runner.fault == "the bucket is gone"
            flag.touch()
            await until(lambda: not runner.fault, 30)
    said = [e["event"] for e in logs if e["event"] != "history shipped"]
    assert said == [
        "the history cannot be shipped; it catches up later",
        "the history is shipped again",
    ]


async def test_a_pass_that_hangs_ends_with_the_gateway(tmp_path: Path) -> None:
    """Even one that will not be told."""
    pid = tmp_path / "pid"
    program = (
        "import os, pathlib, signal, time\n"
        "signal.signal(signal.SIGTERM, signal.SIG_IGN)\n"
        f"pathlib.Path({str(pid)!r}).write_text(str(os.getpid()))\n"
        "time.sleep(600)"
    )
    async with running(tmp_path, program):
        await until(lambda: pid.exists() and pid.read_text(), 30)
    try:
        os.kill(int(pid.read_text()), 0)
    except ProcessLookupError:
        return
    raise AssertionError("the process is still there")
