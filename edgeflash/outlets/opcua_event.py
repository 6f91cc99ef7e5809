"""One OPC UA event: its type, who emits it, and its fields by browse path.

Pure, but for the machine's time zone.

Field names and types: OPC 10000-5, 6.4.2 (BaseEventType; from memory). Severities are those that
OPC 10000-9 recommends for three classes: low 1 to 333, medium 334 to 666, high 667 to 1000 (from
memory); ours lie inside their class.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import cast

from asyncua import ua

from edgeflash.alarms.catalogue import Priority

Path = tuple[tuple[int, str], ...]
"""Browse names from the event type down to a field: namespace index and name."""

Fields = Mapping[Path, ua.Variant]

SEVERITY_OF: Mapping[Priority, int] = {
    Priority.HIGH: 800,
    Priority.MEDIUM: 500,
    Priority.LOW: 200,
}
"""The severity of an alarm's events by its priority."""

INFORMATION = 100
"""The severity of what nobody has to act on."""

LOCALE = "en"
LARGEST_UINT32 = 2**32 - 1


@dataclass(frozen=True, slots=True)
class Event:
    """type_id: its event type. notifiers: the objects whose subscribers get it, beside the
    Server object, whose subscribers get every event; None: every object's. condition_id: the
    condition whose state it tells, None for a plain event."""

    type_id: ua.NodeId
    fields: Fields
    notifiers: frozenset[ua.NodeId] | None = frozenset()
    condition_id: ua.NodeId | None = None

    @property
    def event_id(self) -> bytes:
        """The id that no other event has."""
        return bytes(self.fields[name("EventId")].Value)


def name(*names: str, index: int = 0) -> Path:
    """The path of these browse names in one namespace, the standard's by default."""
    return tuple((index, one) for one in names)


def path_of(names: Iterable[ua.QualifiedName]) -> Path:
    """The path that a client's browse names make."""
    return tuple((int(one.NamespaceIndex), str(one.Name)) for one in names)


def base_fields(
    *,
    event_id: bytes,
    type_id: ua.NodeId,
    source: ua.NodeId,
    source_name: str,
    at: datetime,
    received_at: datetime,
    message: str,
    severity: int,
) -> dict[Path, ua.Variant]:
    """The fields of BaseEventType. at, received_at: UTC. severity: 1 to 1000."""
    return {
        name("EventId"): ua.Variant(event_id, ua.VariantType.ByteString),
        name("EventType"): node_id(type_id),
        name("SourceNode"): node_id(source),
        name("SourceName"): string(source_name),
        name("Time"): moment(at),
        name("ReceiveTime"): moment(received_at),
        name("LocalTime"): ua.Variant(local_time(at), ua.VariantType.ExtensionObject),
        name("Message"): text(message),
        name("Severity"): ua.Variant(severity, ua.VariantType.UInt16),
    }


def local_time(at: datetime) -> ua.TimeZoneDataType:
    """Where the gateway is, what is to be added to this time; by the machine's time zone.

    Offset: minutes, daylight saving included, and DaylightSavingInOffset true, while it is in
    effect then; an event that is told later keeps its own. Source: OPC 10000-5, 6.4.2 (LocalTime)
    and OPC 10000-8, 6.2.4 (TimeZoneDataType), from memory.
    """
    there = time.localtime(at.timestamp())
    local = ua.TimeZoneDataType()
    local.Offset = ua.Int16(round(there.tm_gmtoff / 60))
    local.DaylightSavingInOffset = there.tm_isdst > 0
    return local


def string(value: str) -> ua.Variant:
    """A String."""
    return ua.Variant(value, ua.VariantType.String)


def text(value: str) -> ua.Variant:
    """A LocalizedText."""
    return ua.Variant(ua.LocalizedText(value, LOCALE), ua.VariantType.LocalizedText)


def flag(value: bool) -> ua.Variant:
    """A Boolean."""
    return ua.Variant(value, ua.VariantType.Boolean)


def node_id(value: ua.NodeId) -> ua.Variant:
    """A NodeId."""
    return ua.Variant(value, ua.VariantType.NodeId)


def whole(value: int) -> ua.Variant:
    """A UInt32; nothing for a number that is none, which could not be sent."""
    is_one = 0 <= value <= LARGEST_UINT32
    return ua.Variant(value, ua.VariantType.UInt32) if is_one else nothing()


def number(value: float | None) -> ua.Variant:
    """A Double, or nothing."""
    return nothing() if value is None else ua.Variant(value, ua.VariantType.Double)


def moment(value: datetime | None) -> ua.Variant:
    """A DateTime, or nothing."""
    # The library annotates its own class here, but takes any aware datetime.
    if value is None:
        return nothing()
    return ua.Variant(cast(ua.DateTime, value), ua.VariantType.DateTime)


def nothing() -> ua.Variant:
    """A null."""
    return ua.Variant(None, ua.VariantType.Null)
