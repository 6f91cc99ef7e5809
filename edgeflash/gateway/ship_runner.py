"""Shipping from a running gateway: the command, as a process of its own, time after time.

In a process, so that what it does with large files, and a library that hangs or dies over a network
with it, can hold up no poll and no outlet, and leaves no memory behind.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import sys
from collections.abc import Sequence
from datetime import UTC, datetime, time
from pathlib import Path

import structlog

from edgeflash.config.site import Site
from edgeflash.history import TableName

END_S = 2.0
"""Given to a pass to end by itself, when the gateway ends; killed, it loses nothing."""

_MOST_WORDS = 500

log = structlog.get_logger("edgeflash.gateway")


class ShipRunner:
    """Ships every `every_s`; a failure is said once and tried again."""

    def __init__(self, site: Path, every_s: float, command: Sequence[str] = ()) -> None:
        own = (sys.executable, "-m", "edgeflash", "ship", str(site.absolute()))
        self._command = tuple(command) or (*own, "--gently", "--with-parent", "--json")
        self._every_s = every_s
        self.fault = ""
        """Why the last pass failed; empty when it did not."""

    async def run(self) -> None:
        """Ships for ever."""
        while True:
            try:
                self._note(await self._pass())
            except OSError as error:
                self._note(f"the command cannot be started: {error}")
            await asyncio.sleep(self._every_s)

    async def _pass(self) -> str:
        """One pass; why it failed, empty when it did not."""
        # What the pass reads ends with us, killed or not, and then it ends too.
        reading, held = os.pipe()
        try:
            try:
                process = await asyncio.create_subprocess_exec(
                    *self._command,
                    stdin=reading,
                    stdout=asyncio.subprocess.PIPE,
                    stderr=asyncio.subprocess.PIPE,
                )
            finally:
                os.close(reading)
            try:
                out, err = await process.communicate()
            finally:
                await _ended(process)
        finally:
            os.close(held)
        words = err.decode("utf-8", "replace").strip()[-_MOST_WORDS:]
        try:
            report = json.loads(out)
        except ValueError:
            return words or f"it ended with code {process.returncode}"
        if report["parts"]:
            log.info("history shipped", parts=report["parts"], rows=report["rows"])
        for why in report["damaged"]:
            log.warning("a shipped part was damaged and is sent again", why=why)
        return "; ".join(report["unreadable"])[:_MOST_WORDS]

    def _note(self, fault: str) -> None:
        if fault and fault != self.fault:
            log.error("the history cannot be shipped; it catches up later", why=fault)
        elif self.fault and not fault:
            log.info("the history is shipped again")
        self.fault = fault


def owed_to_store(site: Site) -> dict[TableName, datetime]:
    """From which time on the rows of a table may not be shipped yet, UTC. Raises StorageError."""
    if site.file.ship is None:
        return {}
    from edgeflash.fleet.site_ship import owed

    days = {table: day for table, day in owed(site).items() if day is not None}
    return {table: datetime.combine(day, time(), UTC) for table, day in days.items()}


async def _ended(process: asyncio.subprocess.Process) -> None:
    """Lets no process stay behind a cancel."""
    if process.returncode is not None:
        return
    with contextlib.suppress(ProcessLookupError):
        process.terminate()
        try:
            async with asyncio.timeout(END_S):
                await process.wait()
        except TimeoutError:
            process.kill()
            await process.wait()
