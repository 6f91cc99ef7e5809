"""Our own event types, declared once: the type nodes and the events follow from them. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from edgeflash.outlets.opcua_members import (
    Member,
    ModelNode,
    NodeClass,
    Space,
    nodes_of,
    own_type,
    property_of,
    standard,
)


@dataclass(frozen=True, slots=True)
class OwnField:
    """A property of an event type of our own. data_type: name of a standard DataType."""

    name: str
    data_type: str
    description: str


@dataclass(frozen=True, slots=True)
class OwnType:
    """An event type of our own. parent: the name of another one, or of a standard type."""

    name: str
    parent: str
    description: str
    fields: tuple[OwnField, ...] = ()


CYCLE_EVENT, LOW_FLASH_EVENT, LINK_EVENT = "CycleEventType", "LowFlashEventType", "LinkEventType"

OWN_TYPES: tuple[OwnType, ...] = (
    OwnType(
        CYCLE_EVENT,
        "BaseEventType",
        "A cycle has been judged and is on record.",
        (
            OwnField("ResultId", "String", "Analyzer, epoch and number of the cycle."),
            OwnField("CycleNumber", "UInt32", "The analyzer's own number of the cycle."),
            OwnField("Epoch", "UInt32", "How often the analyzer's counter has begun again."),
            OwnField("Verdict", "String", "accepted, doubtful or rejected."),
            OwnField("ReasonCode", "UInt16", "Code of the worst finding's rule; 0: none."),
            OwnField("ReasonText", "String", "The worst finding in words."),
            OwnField("FlashPoint", "Double", "The cycle's own value; none when rejected."),
            OwnField("Reported", "Double", "The flash point as the analyzer reports it."),
            OwnField("Recomputed", "Double", "The gateway's own flash point, uncorrected."),
            OwnField("Corrected", "Double", "The flash point at standard pressure."),
            OwnField("TemperatureUnit", "String", "The unit of this event's temperatures."),
            OwnField("LowFlash", "Boolean", "Evidence of a low flash point, even if rejected."),
            OwnField("SampledAt", "DateTime", "When the sample passed the tap, UTC."),
            OwnField("Product", "String", "The product as it was judged."),
        ),
    ),
    OwnType(
        LOW_FLASH_EVENT,
        CYCLE_EVENT,
        "A judged cycle, accepted or not, gives evidence of a low flash point.",
    ),
    OwnType(
        LINK_EVENT,
        "SystemEventType",
        "The link to an analyzer was lost or has returned.",
        (OwnField("LinkState", "String", "connecting, up, down or misconfigured."),),
    ),
)


def event_type_nodes() -> list[ModelNode]:
    """The nodes of the types, each after the one above it."""
    return [node for own in OWN_TYPES for node in _nodes(own)]


def _nodes(own: OwnType) -> list[ModelNode]:
    is_ours = any(own.parent == one.name for one in OWN_TYPES)
    member = Member(
        key=own.name,
        name=own.name,
        description=own.description,
        node_class=NodeClass.OBJECT_TYPE,
        space=Space.TYPES,
        reference="HasSubtype",
        members=tuple(
            property_of(
                field.name, field.data_type, description=field.description, space=Space.TYPES
            )
            for field in own.fields
        ),
    )
    parent = own_type(own.parent) if is_ours else standard(own.parent)
    return list(nodes_of(parent, own_type(own.name), member, False))
