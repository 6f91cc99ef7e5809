"""The shared lines of a site: made once, kept at work for as long as the gateway."""

from __future__ import annotations

import asyncio
from typing import Never

import structlog

from edgeflash.config.site import SiteFile
from edgeflash.links import Line
from edgeflash.service import Clock

RESTART_S = 5.0

log = structlog.get_logger("edgeflash.line")


def made_lines(file: SiteFile, clock: Clock) -> dict[str, Line]:
    """The lines of a site by id."""
    return {line.id: Line(line, clock) for line in file.lines}


async def kept(line: Line) -> Never:
    """Runs a line until cancelled. A fault of ours in one line must not stop the others."""
    while True:
        try:
            await line.run()
        except Exception:
            log.exception("the line failed and is started again", line=line.id)
        await asyncio.sleep(RESTART_S)
