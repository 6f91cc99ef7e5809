"""Keeps the retained state of every analyzer current: newest first, old ones are never sent."""

from __future__ import annotations

import asyncio
import contextlib
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Never

import structlog

from edgeflash.config.mqtt_entry import MqttEntry
from edgeflash.outlets.mqtt_errors import PublishRefusedError
from edgeflash.outlets.mqtt_message import Message
from edgeflash.outlets.mqtt_session import Session
from edgeflash.outlets.values import OutletUnits, shown
from edgeflash.points import CATALOGUE
from edgeflash.publication import View
from edgeflash.service import Clock

ALWAYS_MOVING = frozenset({"heartbeat", "age_s", "results_waiting"})
"""Points that change by themselves, so that their change is no news."""

Signature = tuple[tuple[Any, ...], ...]

log = structlog.get_logger("edgeflash.mqtt")


def signature(view: View, units: OutletUnits) -> Signature:
    """What must differ for a state to be news: values, qualities, and times that are not now."""
    return tuple(
        (value.value, value.quality, None if value.of_now else value.source_time)
        for point in CATALOGUE
        if point.name not in ALWAYS_MOVING
        for value in (shown(point, view, units),)
    )


@dataclass(frozen=True, slots=True)
class _Sent:
    """The last state that was sent of an analyzer."""

    at_mono_s: float
    view: View
    signature: Signature


class StateStream:
    """The states of all analyzers over one session after another.

    Of each analyzer one state is under way at most; what changes meanwhile waits as the newest.
    """

    def __init__(
        self,
        entry: MqttEntry,
        units: OutletUnits,
        message_of: Callable[[View], Message],
        clock: Clock,
    ) -> None:
        self._entry = entry
        self._units = units
        self._message_of = message_of
        self._clock = clock
        self._newest: dict[str, View] = {}
        self._sent: dict[str, _Sent] = {}
        self._under_way: dict[str, asyncio.Future[None]] = {}
        self._news = asyncio.Event()
        self._log = log.bind(outlet=entry.id)
        self._refused: dict[str, str] = {}
        self.all_shown = asyncio.Event()
        """Set when the broker has answered for every analyzer in this session."""

    @property
    def fault(self) -> str:
        """Why a state is not taken; empty when all are."""
        return next(iter(self._refused.values()), "")

    def offer(self, views: Sequence[View]) -> None:
        """Takes the newest views."""
        for view in views:
            self._newest[view.standing.analyzer] = view
        self._news.set()

    def begin(self) -> None:
        """A new session: the broker may know nothing."""
        self._sent.clear()
        self._under_way.clear()
        self.all_shown.clear()

    async def run(self, session: Session) -> Never:
        """Publishes until cancelled or the session is lost (SessionLostError)."""
        while True:
            self._news.clear()
            next_s = math.inf
            for analyzer, view in list(self._newest.items()):
                if analyzer in self._under_way:
                    continue  # its answer is news
                due_s = self._due_s(self._sent.get(analyzer), view)
                if due_s > self._clock.mono_s():
                    next_s = min(next_s, due_s)
                    continue
                await self._post(session, analyzer, view)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(
                    None if math.isinf(next_s) else max(0.0, next_s - self._clock.mono_s())
                ):
                    await self._news.wait()

    def _due_s(self, last: _Sent | None, view: View) -> float:
        """When the view is due, on the monotonic clock."""
        if last is None:
            return -math.inf
        soonest_s = last.at_mono_s + self._entry.state_every_s
        latest_s = last.at_mono_s + self._entry.heartbeat_s
        if view is last.view:
            return latest_s
        if self._clock.mono_s() < soonest_s:
            return soonest_s
        return soonest_s if signature(view, self._units) != last.signature else latest_s

    async def _post(self, session: Session, analyzer: str, view: View) -> None:
        now_s = self._clock.mono_s()
        self._sent[analyzer] = _Sent(now_s, view, signature(view, self._units))
        try:
            answered = await session.post(self._message_of(view))
        except PublishRefusedError as refusal:  # it is too large
            self._taken(analyzer, str(refusal))
            return
        self._under_way[analyzer] = answered
        answered.add_done_callback(lambda done: self._answered(analyzer, done))

    def _answered(self, analyzer: str, answered: asyncio.Future[None]) -> None:
        if self._under_way.get(analyzer) is not answered:
            return  # of a session that is over
        del self._under_way[analyzer]
        error = None if answered.cancelled() else answered.exception()
        if error is None or isinstance(error, PublishRefusedError):
            self._taken(analyzer, "" if error is None else str(error))

    def _taken(self, analyzer: str, why_not: str) -> None:
        """Notes what became of a state, and says each change once."""
        if why_not and analyzer not in self._refused:
            self._log.error("mqtt: the state is not taken", analyzer=analyzer, why=why_not)
        if why_not:
            self._refused[analyzer] = why_not
        elif self._refused.pop(analyzer, None) is not None:
            self._log.info("mqtt: the state is taken again", analyzer=analyzer)
        if not self._under_way and self._sent.keys() >= self._newest.keys():
            self.all_shown.set()
        self._news.set()
