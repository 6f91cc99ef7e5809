"""What an OPC UA node is, before any library or file: the server and the NodeSet2 file are both
made from these. Pure.

A type and its instances come from the same members, so no instance can differ from its type.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from enum import Enum, StrEnum
from typing import TypeAlias

from edgeflash.outlets.opcua_names import NAMESPACE_URI, TYPES_NAMESPACE_URI


class Space(StrEnum):
    """The namespaces that our nodes use."""

    STANDARD = "http://opcfoundation.org/UA/"
    TYPES = TYPES_NAMESPACE_URI
    POINTS = NAMESPACE_URI


@dataclass(frozen=True, slots=True)
class Ref:
    """A node. id: our string identifier; of the standard's nodes, the name in its node list."""

    space: Space
    id: str

    def below(self, key: str) -> Ref:
        """The node of this one's member."""
        return Ref(self.space, f"{self.id}.{key}")


def standard(name: str) -> Ref:
    """A node of the standard by its name, for example `AnalogUnitRangeType`."""
    return Ref(Space.STANDARD, name)


def own_type(name: str) -> Ref:
    """One of our types."""
    return Ref(Space.TYPES, name)


def instance(identifier: str) -> Ref:
    """A node of this server."""
    return Ref(Space.POINTS, identifier)


@dataclass(frozen=True, slots=True)
class Text:
    """A LocalizedText, in English."""

    text: str


@dataclass(frozen=True, slots=True)
class Interval:
    """A Range (OPC 10000-8, 5.6.2)."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class UnitInfo:
    """An EUInformation (OPC 10000-8, 5.6.4). unit_id: -1 without a UNECE code."""

    namespace: str
    unit_id: int
    label: str


@dataclass(frozen=True, slots=True)
class Meaning:
    """An EnumValueType (OPC 10000-3, 8.39): what one number means."""

    code: int
    name: str
    description: str = ""


@dataclass(frozen=True, slots=True)
class Argument:
    """An Argument of a method (OPC 10000-3, 8.6), a scalar. data_type: a standard one's name."""

    name: str
    data_type: str
    description: str


Single: TypeAlias = (
    bool | int | float | str | datetime | Text | Interval | UnitInfo | Meaning | Argument
)
Value: TypeAlias = Single | tuple[Single, ...] | None


class NodeClass(Enum):
    """The node classes we use. value: as the elements of a NodeSet2 file are named."""

    OBJECT = "UAObject"
    VARIABLE = "UAVariable"
    METHOD = "UAMethod"
    OBJECT_TYPE = "UAObjectType"
    VARIABLE_TYPE = "UAVariableType"
    DATA_TYPE = "UADataType"


TYPES = frozenset({NodeClass.OBJECT_TYPE, NodeClass.VARIABLE_TYPE, NodeClass.DATA_TYPE})


class LiveKind(Enum):
    """What writes a node while the server runs."""

    POINT = "point"
    SAME_AS_POINT = "same as point"
    TEXT_OF_POINT = "text of point"
    DIAGNOSTIC = "diagnostic"
    INPUT = "input"


@dataclass(frozen=True, slots=True)
class Live:
    """Whose value a node shows. analyzer: "" for the gateway; name: of point or diagnostic."""

    kind: LiveKind
    analyzer: str = ""
    name: str = ""


class Presence(Enum):
    """How a type's member stands in its instances. value: the standard's ModellingRule."""

    ALWAYS = "ModellingRule_Mandatory"
    WHERE_IT_APPLIES = "ModellingRule_Optional"
    ANY_NUMBER = "ModellingRule_OptionalPlaceholder"


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """One node below another. key: what its NodeId adds to its owner's.

    space: of the browse name. data_type, value, is_writable, live: of variables only. fields: the
    names of an enumeration's values. type: None for types and methods. is_executable: of methods.
    """

    key: str
    name: str
    description: str
    node_class: NodeClass = NodeClass.VARIABLE
    space: Space = Space.POINTS
    reference: str = "HasComponent"
    type: Ref | None = None
    data_type: Ref | None = None
    is_array: bool = False
    value: Value = None
    is_writable: bool = False
    live: Live | None = None
    presence: Presence = Presence.ALWAYS
    fields: tuple[str, ...] = ()
    is_executable: bool = True
    members: tuple[Member, ...] = ()

    @property
    def is_type(self) -> bool:
        """Whether it is a type itself."""
        return self.node_class in TYPES


@dataclass(frozen=True, slots=True)
class ModelNode:
    """A member in its place. rule: its ModellingRule, in types only."""

    id: Ref
    parent: Ref
    member: Member
    rule: Presence | None = None


def nodes_of(parent: Ref, identity: Ref, member: Member, in_type: bool) -> Iterator[ModelNode]:
    """The member and all below it, each after its parent.

    in_type: whether `parent` is a type, whose members carry ModellingRules; a type below a type is
    its subtype and carries none.
    """
    rule = member.presence if in_type and not member.is_type else None
    yield ModelNode(identity, parent, member, rule)
    yield from below(identity, member.members, in_type or member.is_type)


def below(owner: Ref, members: Iterable[Member], in_type: bool) -> Iterator[ModelNode]:
    """The members of a node, and all below them."""
    for member in members:
        yield from nodes_of(owner, owner.below(member.key), member, in_type)


def property_of(
    name: str,
    data_type: str | Ref,
    value: Value = None,
    *,
    description: str = "",
    space: Space = Space.STANDARD,
    is_array: bool = False,
    presence: Presence = Presence.ALWAYS,
    live: Live | None = None,
) -> Member:
    """A property. data_type: a standard DataType's name, or one of ours."""
    return Member(
        key=name,
        name=name,
        description=description,
        space=space,
        reference="HasProperty",
        type=standard("PropertyType"),
        data_type=standard(data_type) if isinstance(data_type, str) else data_type,
        value=value,
        is_array=is_array or isinstance(value, tuple),
        presence=presence,
        live=live,
    )
