"""What people on the gateway's machine may ask of it: list alarms, acknowledge one."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Protocol

from edgeflash.alarms.acknowledging import Reply, Request
from edgeflash.errors import EdgeflashError
from edgeflash.gateway.alarm_desk import AlarmDesk

RECORDED_WITHIN_S = 3.0
"""How long the reply to an acknowledgement waits for the disk."""

LONGEST_TEXT = 500


class RequestError(EdgeflashError):
    """A request cannot be understood, or names what is not there."""


class Holder(Protocol):
    """What has alarms."""

    @property
    def alarms(self) -> AlarmDesk:
        """Its alarms."""

    def note_alarms(self) -> None:
        """Shows them as they are now."""


class OperatorRequests:
    """Answers one request at a time."""

    def __init__(self, holders: Mapping[str, Holder], now: Callable[[], datetime]) -> None:
        self._holders = holders
        self._now = now

    async def answer(self, request: Request, user: str) -> Reply:
        """The reply. Raises EdgeflashError to refuse; its words go to the user."""
        match request.get("do"):
            case "list":
                return {"alarms": [row for h in self._holders.values() for row in h.alarms.rows()]}
            case "acknowledge":
                return await self._acknowledge(request, user)
        raise RequestError("`do` must be list or acknowledge")

    async def _acknowledge(self, request: Request, user: str) -> Reply:
        analyzer, alarm = _text(request, "analyzer"), _text(request, "alarm")
        because = _text(request, "because") if "because" in request else ""
        holder = self._holders.get(analyzer)
        if holder is None:
            raise RequestError(f"there is no analyzer '{analyzer}'{_known(list(self._holders))}")
        kept = holder.alarms.acknowledge(alarm, user, because, self._now())
        holder.note_alarms()
        try:
            async with asyncio.timeout(RECORDED_WITHIN_S):
                await holder.alarms.saved()
        except TimeoutError:
            return {"state": kept.state.value, "by": user, "recorded": False}
        return {"state": kept.state.value, "by": user, "recorded": True}


def _text(request: Request, key: str) -> str:
    value = request.get(key)
    if not isinstance(value, str) or len(value) > LONGEST_TEXT:
        raise RequestError(f"`{key}` must be a text of at most {LONGEST_TEXT} characters")
    if not value.isprintable():
        raise RequestError(f"`{key}` must be one line without control characters")
    return value


def _known(names: Sequence[str]) -> str:
    return f"; there are: {', '.join(names)}"
