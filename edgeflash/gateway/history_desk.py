"""Mending the history of a running gateway, on request: here is its one writer."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from datetime import datetime

import structlog

from edgeflash.access import OperationRefusedError, UserRole, Who
from edgeflash.errors import EdgeflashError, StorageError
from edgeflash.history.repair import RepairReport
from edgeflash.history.report import Record, repair_record
from edgeflash.history.verify import Progress
from edgeflash.model import EventEntry, EventKind

log = structlog.get_logger("edgeflash.history")

WISHES = ("repair_history", "history_repair")


class HistoryDesk:
    """One repair at a time. mend: does it, blocking, in a thread. note: takes the event of it."""

    def __init__(
        self,
        mend: Callable[[Progress], RepairReport],
        note: Callable[[EventEntry], None],
        utc_now: Callable[[], datetime],
    ) -> None:
        self._mend = mend
        self._note = note
        self._utc_now = utc_now
        self._working: asyncio.Task[None] | None = None
        self._stopping = threading.Event()
        self._state: Record = {"state": "none"}

    def answer(self, wish: str, who: Who) -> Record:
        """Begins a repair, or tells how it stands: state is none, running, done or failed.

        Raises OperationRefusedError for anybody but an engineer, and while one runs already.
        """
        if wish == "history_repair":
            return self._state
        if who.role < UserRole.ENGINEER:
            raise OperationRefusedError(
                f"{who.name} may not have the history mended: it needs the role engineer"
            )
        if self._working is not None and not self._working.done():
            raise OperationRefusedError("the history is being mended already")
        self._state = {"state": "running", "what": "journal", "done": 0, "total": 0}
        self._working = asyncio.create_task(self._work(who), name="history repair")
        return self._state

    def stop(self) -> None:
        """Lets a repair that runs end after the file it is at; it can be asked for again."""
        self._stopping.set()

    async def _work(self, who: Who) -> None:
        log.info("history repair begun", by=who.name)
        try:
            report = await asyncio.to_thread(self._mend, self._progress)
        except (EdgeflashError, OSError) as error:
            log.error("history repair failed", why=str(error))
            self._state = {"state": "failed", "problem": str(error)}
            return
        except Exception as error:  # whatever a damaged file holds must not end in silence
            log.exception("history repair failed inside the gateway")
            self._state = {"state": "failed", "problem": repr(error)}
            return
        self._state = {"state": "done", "report": repair_record(report)}
        rows = sum(m.brought_back for m in report.mended)
        text = f"{len(report.mended)} files mended, {rows} rows brought back from the journal, "
        text += f"{len(report.left)} findings left"
        if report.unproven:
            text += f", {report.unproven} rows unproved"
        log.info("history repair ended", what=text)
        self._note(
            EventEntry(
                self._utc_now(),
                EventKind.HISTORY_REPAIRED,
                who=who.name,
                via=who.via,
                subject="history",
                text=text,
            )
        )

    def _progress(self, what: str, done: int, total: int) -> None:
        """Called in the thread that mends."""
        if self._stopping.is_set():
            raise StorageError("the gateway ends; ask for the repair again")
        self._state = {"state": "running", "what": what, "done": done, "total": total}
