"""What the gateway knows of itself and all analyzers share: the disk, the history, the clock."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import structlog

from edgeflash.alarms.conditions import SiteFacts
from edgeflash.clock_state import ClockState
from edgeflash.gateway.clock_watch import ClockLook, ClockSeen, looked
from edgeflash.model import EventEntry, EventKind
from edgeflash.service import Clock
from edgeflash.service.kernel_clock import read_clock_state

LOOK_AT_DISK_EVERY_S = 30.0

MOST_READINGS = 5
CLOSEST_READINGS_S = 0.005
"""The two clocks are read again while more time than this passes between readings: a process that
has to wait just there would see a jump where there was none."""

log = structlog.get_logger("edgeflash.gateway")


class SiteWatch:
    """Holds the facts; `look` must be called once a second, before the alarms are looked at."""

    def __init__(
        self,
        clock: Clock,
        folders: Sequence[Path],
        clock_state: Callable[[], ClockState] = read_clock_state,
    ) -> None:
        self._clock = clock
        self._clock_state = clock_state
        self._folders = tuple(folders)
        self._clocks = ClockSeen(self._look_at_clocks())
        self.facts = SiteFacts()

    def _look_at_clocks(self) -> ClockLook:
        """Both clocks, from the reading in which the least time passed between them."""
        state, best, best_s = self._clock_state(), None, 0.0
        for _ in range(MOST_READINGS):
            before_s = self._clock.mono_s()
            wall = self._clock.utc_now()
            apart_s = self._clock.mono_s() - before_s
            if best is None or apart_s < best_s:
                best, best_s = ClockLook(wall, before_s + apart_s / 2, state), apart_s
            if best_s <= CLOSEST_READINGS_S:
                break
        assert best is not None
        return best

    def look(self) -> tuple[EventEntry, ...]:
        """Looks at the clocks. What the event record must hold: jumps, changes of their state."""
        self._clocks, events = looked(self._clocks, self._look_at_clocks())
        self.facts = replace(
            self.facts,
            clock_step_s=self._clocks.step_s,
            clock=self._clocks.look.state,
            unsynchronised_s=self._clocks.unsynchronised_s,
        )
        for event in events:
            is_jump = event.kind is EventKind.CLOCK_MOVED
            write = log.warning if is_jump else log.info
            write(event.kind.value.replace("_", " "), what=event.text)
        return events

    def history_fault(self, why: str) -> None:
        """Why the history cannot be written; empty when it can."""
        self.facts = replace(self.facts, history_fault=why)

    async def watch_disk_for_ever(self) -> None:
        """Keeps the free room up to date. A disk that hangs holds up this task only."""
        while True:
            try:
                free = await asyncio.to_thread(_least_free_bytes, self._folders)
            except OSError as error:
                if self.facts.free_bytes is not None:
                    log.warning("the free room on the disk cannot be told", why=str(error))
                free = None
            self.facts = replace(self.facts, free_bytes=free)
            await asyncio.sleep(LOOK_AT_DISK_EVERY_S)


def _least_free_bytes(folders: Sequence[Path]) -> int | None:
    """The room that an ordinary user has on the fullest disk of these folders; those not made
    yet are left out."""
    rooms = [os.statvfs(folder) for folder in folders if folder.exists()]
    return min((room.f_bavail * room.f_frsize for room in rooms), default=None)
