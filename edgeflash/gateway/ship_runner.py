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
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from functools import partial
from pathlib import Path

import structlog

from edgeflash.config.ship import Ship
from edgeflash.config.site import Site
from edgeflash.errors import StorageError
from edgeflash.gateway.ship_record import ShipRecord, UnreadableShipRecordError, as_text
from edgeflash.history import TableName
from edgeflash.journal import Journal
from edgeflash.service import SYSTEM_CLOCK, Clock

END_S = 2.0
"""Given to a pass to end by itself, when the gateway ends; killed, it loses nothing."""

STATE_KEY = "shipping"
"""Of what the journal keeps of it."""

_MOST_WORDS = 500

log = structlog.get_logger("edgeflash.gateway")


@dataclass(frozen=True, slots=True)
class _Passed:
    """What one pass came to. fault: why it failed; empty when it did not. through: the day up to
    which it brought all; waiting: days that still wait for the journal."""

    fault: str = ""
    through: date | None = None
    waiting: int = 0


class ShipRunner:
    """Ships every `every_s`; a failure is said once and tried again.

    record: how far it has come; keep: takes it as a text after each pass, and blocks.
    """

    def __init__(
        self,
        site: Path,
        every_s: float,
        record: ShipRecord,
        keep: Callable[[str], object] = lambda text: None,
        clock: Clock = SYSTEM_CLOCK,
        command: Sequence[str] = (),
    ) -> None:
        own = (sys.executable, "-m", "edgeflash", "ship", str(site.absolute()))
        self._command = tuple(command) or (*own, "--gently", "--with-parent", "--json")
        self._every_s = every_s
        self._keep = keep
        self._clock = clock
        self.record = record
        self._waiting = 0
        self.fault = ""
        """Why the last pass failed; empty when it did not."""

    async def run(self) -> None:
        """Ships for ever."""
        while True:
            try:
                passed = await self._pass()
            except OSError as error:
                passed = _Passed(f"the command cannot be started: {error}")
            self._note(passed.fault)
            await self._record(passed)
            await asyncio.sleep(self._every_s)

    def why(self) -> str:
        """In words, what keeps days from the store."""
        if self.fault:
            return self.fault
        if self._waiting:
            return f"{self._waiting} days of the history wait for rows that the journal still holds"
        return "a pass has not ended yet"

    async def _record(self, passed: _Passed) -> None:
        self._waiting = passed.waiting
        is_complete = not passed.fault and not passed.waiting
        now, mono_s = self._clock.utc_now(), self._clock.mono_s()
        self.record = self.record.after_pass(passed.through, is_complete, now, mono_s)
        try:
            await asyncio.to_thread(self._keep, as_text(self.record.kept))
        except StorageError as error:
            log.warning("how far shipping came cannot be kept", why=str(error))

    async def _pass(self) -> _Passed:
        """One pass."""
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
            return _Passed(words or f"it ended with code {process.returncode}")
        if report["parts"]:
            log.info("history shipped", parts=report["parts"], rows=report["rows"])
        for why in report["damaged"]:
            log.warning("a shipped part was damaged and is sent again", why=why)
        through = date.fromisoformat(report["through"]) if report["through"] else None
        fault = "; ".join(report["unreadable"])[:_MOST_WORDS]
        return _Passed(fault, through, report["waiting"])

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


def made_ship_runner(site: Site, ship: Ship, journal: Journal, clock: Clock) -> ShipRunner:
    """The runner of a site's [ship], with what the journal kept of it."""
    now, mono_s = clock.utc_now(), clock.mono_s()
    try:
        record = ShipRecord.begun(ship.url, journal.states().get(STATE_KEY), now, mono_s)
    except (StorageError, UnreadableShipRecordError) as error:
        log.error("how far shipping came is lost; it counts from now", why=str(error))
        record = ShipRecord.begun(ship.url, None, now, mono_s)
    return ShipRunner(site.path, ship.every_s, record, partial(journal.put_state, STATE_KEY), clock)


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
