"""The enumerations of the types namespace: what a code means, for clients that make code or
templates from types. Pure.

A point with codes stays a UInt32, as MultiStateDiscreteType demands (OPC 10000-8, 5.3.3.3), with
the same texts beside it; settings carry the enumeration itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from edgeflash.config.site import Basis, Correction
from edgeflash.flash.hazard import Scheme
from edgeflash.outlets.opcua_members import (
    Member,
    ModelNode,
    NodeClass,
    Ref,
    Space,
    Text,
    nodes_of,
    own_type,
    property_of,
    standard,
)
from edgeflash.points import (
    ALARM_TEXTS,
    CLOCK_TEXTS,
    HEALTH_TEXTS,
    LINK_TEXTS,
    PHASE_TEXTS,
    VERDICT_TEXTS,
)


@dataclass(frozen=True, slots=True)
class Enumeration:
    """One enumeration. texts: of the values 0, 1, 2, …"""

    name: str
    description: str
    texts: tuple[str, ...]

    @property
    def ref(self) -> Ref:
        """The DataType's node."""
        return own_type(self.name)

    def code(self, text: str) -> int:
        """The value that has this text."""
        return self.texts.index(text)


def _values(of: type[StrEnum]) -> tuple[str, ...]:
    return tuple(one.value for one in of)


VERDICT = Enumeration("VerdictEnumeration", "Verdict on a measurement cycle.", VERDICT_TEXTS)
PHASE = Enumeration("PhaseEnumeration", "What an analyzer is doing.", PHASE_TEXTS)
LINK_STATE = Enumeration("LinkStateEnumeration", "The link to an analyzer.", LINK_TEXTS)
ALARM_STATE = Enumeration("AlarmStateEnumeration", "Where an alarm stands.", ALARM_TEXTS)
HEALTH = Enumeration(
    "HealthEnumeration",
    "Health after NAMUR NE 107, numbered as DeviceHealthEnumeration of OPC 10000-100.",
    HEALTH_TEXTS,
)
BASIS = Enumeration(
    "BasisEnumeration", "Whose flash temperature is corrected and published.", _values(Basis)
)
CORRECTION = Enumeration(
    "CorrectionEnumeration", "The form of the barometric correction.", _values(Correction)
)
ON_REJECT = Enumeration(
    "OnRejectEnumeration",
    "After a rejected cycle the last accepted value is held as uncertain, or it is bad at once.",
    ("hold", "bad"),
)
HAZARD_SCHEME = Enumeration(
    "HazardSchemeEnumeration",
    "The scheme of the hazard class, which is information only.",
    ("none", *_values(Scheme)),
)
CLOCK = Enumeration(
    "ClockSynchronisationEnumeration",
    "Whether a time service keeps the gateway's wall clock right.",
    CLOCK_TEXTS,
)

ENUMERATIONS: tuple[Enumeration, ...] = (
    VERDICT,
    PHASE,
    LINK_STATE,
    ALARM_STATE,
    HEALTH,
    BASIS,
    CORRECTION,
    ON_REJECT,
    HAZARD_SCHEME,
    CLOCK,
)


def enumeration_nodes() -> list[ModelNode]:
    """The DataTypes with their texts."""
    return [
        node
        for one in ENUMERATIONS
        for node in nodes_of(standard("Enumeration"), one.ref, _data_type(one), False)
    ]


def _data_type(one: Enumeration) -> Member:
    texts = tuple(Text(text) for text in one.texts)
    return Member(
        key=one.name,
        name=one.name,
        description=one.description,
        node_class=NodeClass.DATA_TYPE,
        space=Space.TYPES,
        reference="HasSubtype",
        fields=one.texts,
        members=(property_of("EnumStrings", "LocalizedText", texts, description="The texts."),),
    )
