"""From the details of a HistoryRead request to what is to be read of one node. Pure.

Sources, from memory: OPC 10000-11, 6.5.3 to 6.5.5 and 7.2; OPC 10000-13, 4.2.1 (configuration).
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from asyncua import ua
from asyncua.ua.object_ids import ObjectIds

from edgeflash.outlets.aggregates import Aggregate, Treatment
from edgeflash.outlets.history_processed import processed_task
from edgeflash.outlets.history_reading import AtTimeTask, ReadingRefusedError, Task, raw_task
from edgeflash.outlets.history_rows import is_numeric
from edgeflash.points import Point

MAX_TIMES = 10_000
"""In one request at given times."""

AGGREGATES: dict[int, Aggregate] = {
    ObjectIds.AggregateFunction_Average: Aggregate.AVERAGE,
    ObjectIds.AggregateFunction_Minimum: Aggregate.MINIMUM,
    ObjectIds.AggregateFunction_Maximum: Aggregate.MAXIMUM,
    ObjectIds.AggregateFunction_Count: Aggregate.COUNT,
    ObjectIds.AggregateFunction_PercentGood: Aggregate.PERCENT_GOOD,
}
"""By the number of their node in namespace 0."""


def task_of(details: Any, place: int, point: Point) -> Task:
    """What the details ask of the request's node at `place`. Raises ReadingRefusedError."""
    # By name: the library decodes to another class of the same name than ua's.
    match type(details).__name__:
        case "ReadRawModifiedDetails":
            if details.IsReadModified:
                raise ReadingRefusedError(
                    "BadHistoryOperationUnsupported", "nothing is ever modified"
                )
            return raw_task(
                _moment(details.StartTime),
                _moment(details.EndTime),
                details.NumValuesPerNode,
                details.ReturnBounds,
            )
        case "ReadAtTimeDetails":
            times = tuple(details.ReqTimes or ())
            if not times:
                raise ReadingRefusedError("BadHistoryOperationInvalid", "no times are asked")
            if len(times) > MAX_TIMES:
                raise ReadingRefusedError("BadTooManyOperations", f"{len(times)} times")
            return AtTimeTask(times, bool(details.UseSimpleBounds))
        case "ReadProcessedDetails":
            aggregate = _aggregate(details.AggregateType[place])
            if aggregate.needs_numbers and not is_numeric(point):
                raise ReadingRefusedError(
                    "BadAggregateInvalidInputs", f"{aggregate.value} of {point.name}"
                )
            return processed_task(
                _moment(details.StartTime),
                _moment(details.EndTime),
                details.ProcessingInterval,
                aggregate,
                _treatment(details.AggregateConfiguration),
            )
    raise ReadingRefusedError("BadHistoryOperationUnsupported", type(details).__name__)


def _aggregate(node_id: ua.NodeId) -> Aggregate:
    number = node_id.Identifier if node_id.NamespaceIndex == 0 else None
    found = AGGREGATES.get(number) if isinstance(number, int) else None
    if found is None:
        raise ReadingRefusedError("BadAggregateNotSupported", f"{node_id}")
    return found


def _treatment(asked: ua.AggregateConfiguration | None) -> Treatment:
    if asked is None or asked.UseServerCapabilitiesDefaults:
        return Treatment()
    good, bad = asked.PercentDataGood, asked.PercentDataBad
    # 4.2.1.2: what is not bad by the one must not be left without a meaning by the other.
    if good > 100 or bad > 100 or good < 100 - bad or asked.UseSlopedExtrapolation:
        raise ReadingRefusedError("BadAggregateConfigurationRejected", f"{asked}")
    return Treatment(bool(asked.TreatUncertainAsBad), bad, good)


def _moment(given: datetime | None) -> datetime | None:
    """A time, or None for the one that stands for none: the first of OPC UA's calendar."""
    return None if given is None or given <= ua.get_win_epoch() else given
