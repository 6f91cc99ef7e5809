"""The alarms of every analyzer as conditions: kept up to date, told by events, found by id."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from uuid import uuid4

from asyncua import ua
from asyncua.ua.object_ids import ObjectIds

from edgeflash.alarms.catalogue import NO_PARTS, Declaration, SiteParts, in_force
from edgeflash.config.site import Analyzer
from edgeflash.model import AlarmState
from edgeflash.outlets.opcua_condition import (
    INPUT_POINTS,
    Condition,
    condition_fields,
    condition_identifier,
    condition_of,
    type_name,
)
from edgeflash.outlets.opcua_condition_nodes import ConditionNodes
from edgeflash.outlets.opcua_event import SEVERITY_OF, Event, base_fields
from edgeflash.outlets.opcua_nodes import standard_node
from edgeflash.outlets.values import OutletUnits
from edgeflash.publication import View
from edgeflash.units import Quantity, outlet_unit

REMEMBERED_EVENTS = 64
"""Event ids of one occurrence of an alarm that an acknowledgement may name."""


@dataclass(slots=True)
class Shown:
    """One condition as clients know it. event_ids: of the occurrence that stands, or stood last.

    comment: who commented on the present state, and what; None when nobody did.
    """

    analyzer: str
    alarm: Declaration
    node: ua.NodeId
    identifier: str
    source: ua.NodeId
    condition: Condition
    event: Event
    comment: tuple[str, str] | None = None
    event_ids: deque[bytes] = field(default_factory=lambda: deque(maxlen=REMEMBERED_EVENTS))


class Conditions:
    """The conditions of one server. Made anew with every start of it.

    new_id, now: for tests. Event ids do not outlive the server.
    """

    def __init__(
        self,
        analyzers: Sequence[Analyzer],
        units: OutletUnits,
        index: int,
        nodes: ConditionNodes,
        new_id: Callable[[], bytes] = lambda: uuid4().bytes,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
        site: SiteParts = NO_PARTS,
    ) -> None:
        self._analyzers = tuple(analyzers)
        self._temperature = outlet_unit(Quantity.TEMPERATURE, units.temperature, units.pressure)
        self._index = index
        self._nodes = nodes
        self._new_id = new_id
        self._now = now
        self._site = site
        self._shown: dict[ua.NodeId, Shown] = {}
        self._of_analyzer: dict[str, list[Shown]] = {}
        self._seen: set[str] = set()

    async def build(self) -> None:
        """Adds a condition for each alarm in force, inactive until the first view."""
        for analyzer in self._analyzers:
            source = self._id(analyzer.id)
            made = self._of_analyzer.setdefault(analyzer.id, [])
            for alarm in in_force(analyzer, self._site):
                identifier = condition_identifier(analyzer.id, alarm.name)
                condition = condition_of(alarm, AlarmState.NORMAL, None)
                node = self._id(identifier)
                event = self._event(analyzer.id, source, node, condition, self._now())
                shown = Shown(analyzer.id, alarm, node, identifier, source, condition, event)
                await self._nodes.add(
                    source, identifier, alarm.name, alarm.meaning, event.type_id, event.fields
                )
                await self._nodes.write(identifier, event.fields)
                self._shown[node] = shown
                made.append(shown)

    def find(self, node: ua.NodeId) -> Shown | None:
        """The condition with this NodeId."""
        return self._shown.get(node)

    def all(self) -> Iterator[Shown]:
        """Every condition."""
        yield from self._shown.values()

    async def update(self, view: View) -> list[Event]:
        """Shows the alarms of a view; the events that tell clients what changed.

        An analyzer's first view after the start tells of what stands, and of nothing else.
        """
        standing, events = view.standing, []
        first = standing.analyzer not in self._seen
        self._seen.add(standing.analyzer)
        for shown in self._of_analyzer.get(standing.analyzer, ()):
            condition = condition_of(
                shown.alarm,
                standing.alarms.get(shown.alarm.name, AlarmState.NORMAL),
                standing.alarm_notes.get(shown.alarm.name),
                view.quality.value.opcua_code,
                self._limit(view),
            )
            condition = _with_comment(condition, shown)
            is_news = condition.is_retained if first else condition.differs_from(shown.condition)
            if is_news:
                events.append(await self._tell(shown, condition, view.at))
            elif condition != shown.condition:
                await self._correct(shown, condition, view.at)
        return events

    async def comment(self, shown: Shown, by: str, because: str) -> Event:
        """Notes a comment; the event that tells it. It stays until the alarm changes its state."""
        shown.comment = (by, because)
        condition = replace(shown.condition, by=by, because=because)
        return await self._tell(shown, condition, self._now())

    async def _tell(self, shown: Shown, condition: Condition, at: datetime) -> Event:
        before = shown.condition
        is_moved = (condition.state, condition.since) != (before.state, before.since)
        if is_moved:
            shown.comment = None
        if is_moved and condition.state is AlarmState.ACTIVE:
            # What somebody saw of an earlier occurrence takes no note of this one.
            shown.event_ids.clear()
        happened_at = condition.since if is_moved and condition.since else at
        shown.event = self._event(shown.analyzer, shown.source, shown.node, condition, happened_at)
        shown.condition = condition
        shown.event_ids.append(shown.event.event_id)
        await self._nodes.write(shown.identifier, shown.event.fields)
        return shown.event

    async def _correct(self, shown: Shown, condition: Condition, at: datetime) -> None:
        """Shows what changed without an event, and lets a refresh tell it."""
        shown.condition = condition
        fields = condition_fields(condition, at, self._input_of(shown.analyzer, condition))
        shown.event = replace(shown.event, fields={**shown.event.fields, **fields})
        await self._nodes.write(shown.identifier, fields)

    def _event(
        self, analyzer: str, source: ua.NodeId, node: ua.NodeId, condition: Condition, at: datetime
    ) -> Event:
        type_id = standard_node(getattr(ObjectIds, type_name(condition.alarm)))
        now = self._now()
        fields = base_fields(
            event_id=self._new_id(),
            type_id=type_id,
            source=source,
            source_name=analyzer,
            at=at,
            received_at=now,
            message=condition.message,
            severity=SEVERITY_OF[condition.alarm.priority],
        )
        fields |= condition_fields(condition, at, self._input_of(analyzer, condition))
        return Event(type_id, fields, frozenset({source}), node)

    def _input_of(self, analyzer: str, condition: Condition) -> ua.NodeId:
        point = INPUT_POINTS.get(condition.alarm.name)
        return ua.NodeId() if point is None else self._id(f"{analyzer}.{point}")

    def _limit(self, view: View) -> float | None:
        latest = view.standing.latest
        minimum_c = latest.assessment.minimum_c if latest else None
        return None if minimum_c is None else self._temperature.from_inside(minimum_c)

    def _id(self, identifier: str) -> ua.NodeId:
        return ua.NodeId(ua.String(identifier), ua.Int16(self._index))


def _with_comment(condition: Condition, shown: Shown) -> Condition:
    """The condition with the comment that somebody has made on it, as long as the state stays."""
    before = shown.condition
    is_moved = (condition.state, condition.since) != (before.state, before.since)
    if shown.comment is None or is_moved:
        return condition
    by, because = shown.comment
    return replace(condition, by=by, because=because)
