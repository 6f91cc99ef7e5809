"""The results of one analyzer on their way to disk, in their order, whatever the disk does."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from structlog.stdlib import BoundLogger

from edgeflash.errors import StorageError
from edgeflash.journal import Journal, UnstorableResultError
from edgeflash.model import Result
from edgeflash.publication import Held

UNRECORDED_MOST = 256
"""Judged results that may wait for a journal that cannot be written; then reading stops too."""

RECORD_RETRY_S = 2.0


class ResultRecorder:
    """Keeps results until the journal has them; a full disk delays them and loses none.

    on_recorded: a result is on disk. on_fault: the journal cannot be written; see `fault`.
    """

    def __init__(
        self,
        journal: Journal,
        log: BoundLogger,
        on_recorded: Callable[[Held], None],
        on_fault: Callable[[], None],
    ) -> None:
        self._journal = journal
        self._log = log
        self._on_recorded = on_recorded
        self._on_fault = on_fault
        self._waiting: asyncio.Queue[Held] = asyncio.Queue(UNRECORDED_MOST)
        self.fault = ""
        """Why results wait; empty when none has to."""

    @property
    def is_idle(self) -> bool:
        """True when no result waits to be taken to the journal."""
        return self._waiting.empty()

    async def record(self, held: Held) -> None:
        """Puts the result in line; waits while UNRECORDED_MOST others are in it."""
        await self._waiting.put(held)

    async def all_recorded(self) -> None:
        """Returns when nothing is in line and nothing on its way."""
        await self._waiting.join()

    async def record_for_ever(self) -> None:
        """Puts results on disk in order; returns only by cancellation."""
        while True:
            held = await self._waiting.get()
            try:
                await self._record(held)
            except Exception:
                self._log.exception("a result could not be recorded", id=held.result.id)
            finally:
                self._waiting.task_done()

    async def _record(self, held: Held) -> None:
        if not await self._appended(held.result):
            self._log.error("a result has the id of an earlier one; not shown", id=held.result.id)
            return
        self._tell(held.result)
        self._on_recorded(held)

    async def _appended(self, result: Result) -> bool:
        while True:
            try:
                is_new = await self._journal.append_async(result)
            except UnstorableResultError:
                raise  # no waiting makes it storable
            except StorageError as error:
                if not self.fault:
                    self._log.error("the journal cannot be written", why=str(error))
                self.fault = str(error)
                self._on_fault()
                await asyncio.sleep(RECORD_RETRY_S)
                continue
            if self.fault:
                self._log.info("the journal can be written again")
                self.fault = ""
            return is_new

    def _tell(self, result: Result) -> None:
        self._log.info(
            "cycle " + result.verdict.value,
            id=result.id,
            flash_point_c=_rounded(result.published_c),
            reported_c=_rounded(result.computed.reported_c),
            recomputed_c=_rounded(result.computed.recomputed_c),
            reasons=list(result.reasons),
            why=result.findings[0].sentence if result.reasons else "",
        )
        if result.low_flash:
            self._log.warning("possible low flash point", id=result.id)


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)
