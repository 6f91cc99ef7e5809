"""What the gateway knows of itself and all analyzers share: the disk, the history, the clock."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import structlog

from edgeflash.alarms.conditions import SiteFacts
from edgeflash.service import Clock

LOOK_AT_DISK_EVERY_S = 30.0

log = structlog.get_logger("edgeflash.gateway")


class SiteWatch:
    """Holds the facts; `look` must be called once a second, before the alarms are looked at."""

    def __init__(self, clock: Clock, folders: Sequence[Path]) -> None:
        self._clock = clock
        self._folders = tuple(folders)
        self._wall_ahead_s = self._wall_less_mono_s()
        self.facts = SiteFacts()

    def _wall_less_mono_s(self) -> float:
        return self._clock.utc_now().timestamp() - self._clock.mono_s()

    def look(self) -> None:
        """Compares the two clocks."""
        before_s, self._wall_ahead_s = self._wall_ahead_s, self._wall_less_mono_s()
        self.facts = replace(self.facts, clock_step_s=self._wall_ahead_s - before_s)

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
