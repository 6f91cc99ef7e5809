"""One monitored item: what a client watches, and how what it asked is checked.

Source of the status codes: OPC 10000-4, 5.12.2 and 7.22.2, OPC 10000-8, 7.2; from memory.
"""

from __future__ import annotations

import dataclasses
from datetime import UTC, datetime
from typing import Any, cast

from asyncua import ua
from asyncua.common.utils import ServiceError
from asyncua.server.address_space import AddressSpace
from asyncua.server.monitored_item_service import MonitoredItemData
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.object_ids import ObjectIds
from asyncua.ua.status_codes import StatusCodes

from edgeflash.outlets.data_change import (
    OVERFLOW_BITS,
    DeadbandError,
    Filter,
    Queue,
    Queued,
    Sample,
    Sampler,
    Trigger,
    absolute_deadband,
    is_change,
    percent_deadband,
)

EVERY_CHANGE = Filter()
_NUMBERS = frozenset({*range(ObjectIds.SByte, ObjectIds.Double + 1), *range(26, 29)})
"""Data types a deadband can be of: SByte (2) to Double (11), and Number, Integer, UInteger."""

_SHOWS_SOURCE = (ua.TimestampsToReturn.Source, ua.TimestampsToReturn.Both)
_SHOWS_SERVER = (ua.TimestampsToReturn.Server, ua.TimestampsToReturn.Both)


class Item(MonitoredItemData):
    """A monitored item with its sampling, its filter and its queue; of events, it has neither."""

    def __init__(self, queue: Queue[ua.DataValue], sampler: Sampler[ua.DataValue]) -> None:
        super().__init__()
        self.queue = queue
        self.sampler = sampler
        self.wanted = EVERY_CHANGE
        self.before: Sample | None = None
        self.timestamps = ua.TimestampsToReturn.Both

    def take_sample(self, value: ua.DataValue) -> bool:
        """Queues a sampled value where it is a change; True when it was."""
        sample = Sample(
            None if value.Value is None else value.Value.Value,
            0 if value.StatusCode is None else value.StatusCode.value,
            value.SourceTimestamp,
        )
        if not is_change(self.wanted, self.before, sample):
            return False
        self.before = sample
        self.queue.put(value)
        return True

    def notification(self, queued: Queued[ua.DataValue]) -> ua.MonitoredItemNotification:
        """What is sent of a queued value."""
        value, changes = queued.item, cast(dict[str, Any], {})
        if queued.overflowed:
            status = 0 if value.StatusCode is None else value.StatusCode.value
            changes["StatusCode"] = ua.StatusCode(ua.UInt32(status | OVERFLOW_BITS))
        if self.timestamps not in _SHOWS_SOURCE:
            changes["SourceTimestamp"] = None
        if self.timestamps not in _SHOWS_SERVER:
            changes["ServerTimestamp"] = None
        elif value.ServerTimestamp is None:
            changes["ServerTimestamp"] = datetime.now(UTC)
        return ua.MonitoredItemNotification(
            ClientHandle=self.client_handle,
            Value=dataclasses.replace(value, **changes) if changes else value,
        )


def checked_filter(aspace: AddressSpace, read: ua.ReadValueId, asked: object) -> Filter:
    """The filter a client asked for. Raises ServiceError with the status of its refusal."""
    if _is_none(asked):
        return EVERY_CHANGE
    # Not by isinstance: the library decodes to another class of the same name than ua's.
    kind = type(asked).__name__
    if kind == "EventFilter":
        raise ServiceError(StatusCodes.BadFilterNotAllowed)
    if kind != "DataChangeFilter":
        raise ServiceError(StatusCodes.BadMonitoredItemFilterUnsupported)
    if read.AttributeId != AttributeIds.Value:
        raise ServiceError(StatusCodes.BadFilterNotAllowed)
    deadband_type, deadband = int(asked.DeadbandType), float(asked.DeadbandValue)  # type: ignore[attr-defined]
    try:
        trigger = Trigger(int(asked.Trigger))  # type: ignore[attr-defined]
        match deadband_type:
            case ua.DeadbandType.None_:
                return Filter(trigger)
            case ua.DeadbandType.Absolute:
                deadband = absolute_deadband(deadband)
            case ua.DeadbandType.Percent:
                deadband = percent_deadband(deadband, eu_range(aspace, read.NodeId))
            case _:
                raise ServiceError(StatusCodes.BadMonitoredItemFilterInvalid)
    except DeadbandError as error:
        raise ServiceError(StatusCodes.BadDeadbandFilterInvalid) from error
    except ValueError as error:
        raise ServiceError(StatusCodes.BadMonitoredItemFilterInvalid) from error
    if not _is_of_numbers(aspace, read.NodeId):
        raise ServiceError(StatusCodes.BadFilterNotAllowed)
    return Filter(trigger, deadband)


def check_event_filter(asked: object) -> None:
    """Raises ServiceError unless a client gave a filter of events."""
    if _is_none(asked):
        raise ServiceError(StatusCodes.BadEventFilterInvalid)
    if type(asked).__name__ != "EventFilter":
        raise ServiceError(StatusCodes.BadFilterNotAllowed)


def check_what_is_read(read: ua.ReadValueId) -> None:
    """Raises ServiceError for a part of a value, or an encoding, that there is not."""
    if read.IndexRange:
        raise ServiceError(StatusCodes.BadIndexRangeNoData)
    encoding = None if read.DataEncoding is None else read.DataEncoding.Name
    if encoding and encoding != "Default Binary":
        raise ServiceError(StatusCodes.BadDataEncodingUnsupported)


def eu_range(aspace: AddressSpace, node_id: ua.NodeId) -> tuple[float, float] | None:
    """The limits of a variable's EURange property; None without one."""
    node = aspace.get(node_id)
    for reference in () if node is None else node.references:
        if reference.IsForward and reference.BrowseName == ua.QualifiedName("EURange", 0):
            read = aspace.read_attribute_value(reference.NodeId, AttributeIds.Value)
            limits = None if read.Value is None else read.Value.Value
            return None if limits is None else (float(limits.Low), float(limits.High))
    return None


def _is_of_numbers(aspace: AddressSpace, node_id: ua.NodeId) -> bool:
    read = aspace.read_attribute_value(node_id, AttributeIds.DataType)
    kind = None if read.Value is None else read.Value.Value
    return isinstance(kind, ua.NodeId) and kind.NamespaceIndex == 0 and kind.Identifier in _NUMBERS


def _is_none(asked: object) -> bool:
    return asked is None or (isinstance(asked, ua.ExtensionObject) and asked.Body is None)
