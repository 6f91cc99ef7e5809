"""HistoryRead over OPC UA: what is asked, checked, read in a thread, and answered page by page.

In place of the library's history manager, which reads raw values only, all at once. Sources, from
memory: OPC 10000-4, 5.10.3 (HistoryRead), OPC 10000-11, 6.5 and 7 (details and status codes),
OPC 10000-13, 4.2 (aggregates).
"""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Protocol, cast
from weakref import WeakKeyDictionary

import structlog
from asyncua import ua
from asyncua.common.utils import ServiceError
from asyncua.server.history import HistoryManager
from asyncua.server.internal_server import InternalServer
from asyncua.ua.status_codes import StatusCodes

from edgeflash.errors import EdgeflashError
from edgeflash.outlets.aggregates import Aggregate
from edgeflash.outlets.continuations import Continuations
from edgeflash.outlets.history_processed import ProcessedTask
from edgeflash.outlets.history_reading import Answer, ReadingRefusedError, Task
from edgeflash.outlets.history_rows import Reader
from edgeflash.outlets.opcua_history_tasks import task_of
from edgeflash.outlets.opcua_names import data_type
from edgeflash.outlets.values import OutletUnits
from edgeflash.points import Point
from edgeflash.service import SYSTEM_CLOCK

MAX_NODES = 100
"""In one request."""
MAX_VALUES = 1000
"""In one answer, shared by its nodes; the rest follows by continuation. Encoding them is done on
the event loop, which also serves everyone else."""
MAX_AT_ONCE = 2
"""Readings under way, whoever asks; others wait their turn."""

_TYPE_OF_AGGREGATE = {
    Aggregate.AVERAGE: "Double",
    Aggregate.COUNT: "Int32",
    Aggregate.PERCENT_GOOD: "Double",
}
"""Those that are not of the point's own type (OPC 10000-13, 5.4.3)."""

_log = structlog.get_logger(__name__)


class Source(Protocol):
    """Where the history comes from."""

    def reader(self, analyzer: str, point: Point, units: OutletUnits) -> Reader:
        """Reads one point; blocks. Raises EdgeflashError when it cannot be read."""


@dataclass(frozen=True, slots=True)
class HistoricNode:
    """A node with a history."""

    analyzer: str
    point: Point


@dataclass(frozen=True, slots=True)
class _Read:
    """One node of a request, found and checked."""

    node: HistoricNode
    task: Task


class PointHistory(HistoryManager):
    """Answers HistoryRead for these nodes from a source. Nothing can be written."""

    def __init__(
        self,
        iserver: InternalServer,
        nodes: Mapping[ua.NodeId, HistoricNode],
        source: Source,
        units: OutletUnits,
        mono_s: Callable[[], float] = SYSTEM_CLOCK.mono_s,
    ) -> None:
        super().__init__(iserver)
        self._nodes = nodes
        self._source = source
        self._units = units
        self._mono_s = mono_s
        self._turn: asyncio.Semaphore | None = None
        self._kept: WeakKeyDictionary[object, Continuations[Task]] = WeakKeyDictionary()
        self._told = ""

    async def read_history(self, params: ua.HistoryReadParameters) -> list[ua.HistoryReadResult]:
        """As the server itself reads; clients come by `read_for`."""
        return await self.read_for(self, params)

    async def read_for(
        self, session: object, params: ua.HistoryReadParameters
    ) -> list[ua.HistoryReadResult]:
        """The answer to one request of a session, whose continuation points go with it.

        Raises ServiceError for what is wrong with the whole request.
        """
        kept = self._kept.get(session)
        if kept is None:
            kept = self._kept[session] = Continuations(
                lambda: secrets.token_bytes(16), held=lambda task: task.held
            )
        wanted = params.NodesToRead
        if not wanted:
            raise ServiceError(StatusCodes.BadNothingToDo)
        if len(wanted) > MAX_NODES:
            raise ServiceError(StatusCodes.BadTooManyOperations)
        if params.ReleaseContinuationPoints:
            return [self._released(kept, one) for one in wanted]
        if params.TimestampsToReturn not in (
            ua.TimestampsToReturn.Source,
            ua.TimestampsToReturn.Server,
            ua.TimestampsToReturn.Both,
        ):
            raise ServiceError(StatusCodes.BadTimestampsToReturnInvalid)
        aggregates = getattr(params.HistoryReadDetails, "AggregateType", None)
        if aggregates is not None and len(aggregates) != len(wanted):
            raise ServiceError(StatusCodes.BadAggregateListMismatch)
        times = getattr(params.HistoryReadDetails, "ReqTimes", None)
        if times is not None:  # one object for all its nodes: they may keep it for minutes
            params.HistoryReadDetails.ReqTimes = tuple(times)
        most = max(1, MAX_VALUES // len(wanted))
        return [
            await self._result(kept, params, place, one, most) for place, one in enumerate(wanted)
        ]

    def _released(
        self, kept: Continuations[Task], one: ua.HistoryReadValueId
    ) -> ua.HistoryReadResult:
        if one.ContinuationPoint and self._taken(kept, one) is None:
            return _refused(StatusCodes.BadContinuationPointInvalid)
        return ua.HistoryReadResult(HistoryData=ua.HistoryData())

    def _taken(self, kept: Continuations[Task], one: ua.HistoryReadValueId) -> Task | None:
        return kept.take(one.ContinuationPoint, one.NodeId, self._mono_s())

    async def _result(
        self,
        kept: Continuations[Task],
        params: ua.HistoryReadParameters,
        place: int,
        one: ua.HistoryReadValueId,
        most: int,
    ) -> ua.HistoryReadResult:
        try:
            read = self._checked(kept, params, place, one)
            answers, rest = await self._page(read, most)
        except ReadingRefusedError as refusal:
            return _refused(getattr(StatusCodes, refusal.name))
        except EdgeflashError as error:
            if str(error) != self._told:
                _log.error("opcua_history_unreadable", why=str(error))
                self._told = str(error)
            return _refused(StatusCodes.BadResourceUnavailable)
        self._told = ""
        result = ua.HistoryReadResult()
        if rest is not None:
            result.ContinuationPoint = kept.keep(one.NodeId, rest, self._mono_s())
            if result.ContinuationPoint is None:
                return _refused(StatusCodes.BadNoContinuationPoints)
        kind = _kind_of(read)
        result.HistoryData = ua.HistoryData(
            DataValues=[_data_value(a, kind, params.TimestampsToReturn) for a in answers]
        )
        if not answers:
            result.StatusCode = _status(StatusCodes.GoodNoData)
        return result

    def _checked(
        self,
        kept: Continuations[Task],
        params: ua.HistoryReadParameters,
        place: int,
        one: ua.HistoryReadValueId,
    ) -> _Read:
        """What one node of a request is about. Raises ReadingRefusedError."""
        node = self._nodes.get(one.NodeId)
        if node is None:
            known = one.NodeId in self.iserver.aspace
            name = "BadHistoryOperationUnsupported" if known else "BadNodeIdUnknown"
            raise ReadingRefusedError(name, f"{one.NodeId}")
        if one.IndexRange:
            raise ReadingRefusedError("BadIndexRangeNoData", "the values are scalars")
        encoding = one.DataEncoding.Name if one.DataEncoding is not None else None
        if encoding and encoding != "Default Binary":
            raise ReadingRefusedError("BadDataEncodingUnsupported", encoding)
        if params.TimestampsToReturn == ua.TimestampsToReturn.Server:
            raise ReadingRefusedError("BadTimestampNotSupported", "ordered by source time only")
        if one.ContinuationPoint:
            task = self._taken(kept, one)
            if task is None:
                raise ReadingRefusedError("BadContinuationPointInvalid", "unknown, used, or old")
            return _Read(node, task)
        return _Read(node, task_of(params.HistoryReadDetails, place, node.point))

    async def _page(self, read: _Read, most: int) -> tuple[list[Answer], Task | None]:
        """The next page, read in a thread; waits while too many others read."""
        if self._turn is None:  # not before the server's own loop runs
            self._turn = asyncio.Semaphore(MAX_AT_ONCE)
        async with self._turn:
            return await asyncio.to_thread(self._read_page, read, most)

    def _read_page(self, read: _Read, most: int) -> tuple[list[Answer], Task | None]:
        reader = self._source.reader(read.node.analyzer, read.node.point, self._units)
        return read.task.page(reader, most, datetime.now(UTC))


def _kind_of(read: _Read) -> ua.VariantType:
    """The type of the answered values."""
    own = data_type(read.node.point)
    if isinstance(read.task, ProcessedTask):
        own = _TYPE_OF_AGGREGATE.get(read.task.aggregate, own)
    return ua.VariantType[own]


def _data_value(
    answer: Answer, kind: ua.VariantType, timestamps: ua.TimestampsToReturn
) -> ua.DataValue:
    shows_server = timestamps == ua.TimestampsToReturn.Both
    return ua.DataValue(
        ua.Variant(None, ua.VariantType.Null)
        if answer.value is None
        else ua.Variant(answer.value, kind),
        StatusCode=_status(answer.status),
        # The library annotates its own class here, but takes and gives any aware datetime.
        SourceTimestamp=cast(ua.DateTime, answer.at),
        ServerTimestamp=cast(ua.DateTime, answer.judged_at) if shows_server else None,
    )


def _refused(code: int) -> ua.HistoryReadResult:
    return ua.HistoryReadResult(StatusCode=_status(code))


def _status(code: int) -> ua.StatusCode:
    return ua.StatusCode(ua.UInt32(code))


def historic_nodes(
    nodes: Mapping[tuple[str, str], ua.NodeId], points: Sequence[Point]
) -> dict[ua.NodeId, HistoricNode]:
    """The nodes of these points, by NodeId. nodes: by analyzer and point name."""
    by_name = {point.name: point for point in points}
    return {
        node: HistoricNode(analyzer, by_name[name])
        for (analyzer, name), node in nodes.items()
        if name in by_name
    }
