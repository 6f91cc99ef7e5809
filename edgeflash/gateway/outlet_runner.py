"""Keeps one outlet served, however it fares: a broken or slow one holds up nobody else."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import Protocol

import structlog

from edgeflash.errors import EdgeflashError
from edgeflash.publication import View

RETRY_S = 5.0

log = structlog.get_logger("edgeflash.outlet")


class Outlet(Protocol):
    """Something that carries the views of all analyzers onward."""

    @property
    def endpoint(self) -> str:
        """Where clients find it."""

    async def start(self) -> None:
        """Begins to serve; raises OSError or EdgeflashError when it cannot."""

    async def publish(self, views: Sequence[View]) -> None:
        """Shows these views from now on."""

    async def stop(self) -> None:
        """Ends the service."""


class OutletRunner:
    """One outlet's task. It publishes each analyzer's newest view: what a slow outlet misses is
    old."""

    def __init__(self, outlet: Outlet, name: str) -> None:
        self._outlet = outlet
        self._log = log.bind(outlet=name)
        self._newest: dict[str, View] = {}
        self._waiting: dict[str, View] = {}
        self._news = asyncio.Event()
        self.tried = asyncio.Event()
        """Set once the first start has succeeded or failed."""
        self.serving = False

    def offer(self, views: Sequence[View]) -> None:
        """Hands over the newest views of these analyzers; never waits."""
        for view in views:
            self._newest[view.standing.analyzer] = view
            self._waiting[view.standing.analyzer] = view
        self._news.set()

    async def run(self) -> None:
        """Serves until cancelled; after a failure starts again, saying so once."""
        told = ""
        while True:
            try:
                await self._outlet.start()
                self._waiting.clear()
                await self._outlet.publish(list(self._newest.values()))
                self.serving = True
                self._log.info("outlet serving", endpoint=self._outlet.endpoint)
                self.tried.set()
                while True:
                    await self._news.wait()
                    self._news.clear()
                    waiting, self._waiting = self._waiting, {}
                    await self._outlet.publish(list(waiting.values()))
                    told = (
                        ""  # not before: one that fails with the first news must not be told anew
                    )
            except Exception as error:
                # What is not ours to expect is told with its trace: its text alone says little.
                is_known = isinstance(error, EdgeflashError | OSError)
                why = str(error) if is_known else repr(error)
                if why != told:
                    trace = None if is_known else error
                    self._log.error("outlet failed; it is tried again", why=why, exc_info=trace)
                    told = why
            finally:
                self.serving = False
                self.tried.set()
                await self._stopped()
            await asyncio.sleep(RETRY_S)

    async def _stopped(self) -> None:
        try:
            async with asyncio.timeout(3.0):
                await self._outlet.stop()
        except Exception as error:
            self._log.warning("outlet did not stop cleanly", why=str(error) or repr(error))
