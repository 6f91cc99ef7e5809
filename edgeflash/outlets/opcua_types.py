"""The types of the types namespace, from the declarations of points, settings and diagnostics.

They are the same on every server of one version of edgeflash; what a site chooses (units, ranges,
which optional members there are) stands in the instances only. Pure.

Concepts are those of OPC 10000-100 (device integration: nameplate, functional groups, health) and
OPC 10020 (an analyser with its streams); the standards' own types are not used, so conformance
with them is not claimed.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

from edgeflash import __version__
from edgeflash.outlets.opcua_enumerations import enumeration_nodes
from edgeflash.outlets.opcua_event_model import event_type_nodes
from edgeflash.outlets.opcua_groups import (
    GROUP_TYPE,
    analyzer_groups,
    analyzer_points,
    gateway_groups,
    input_parts,
)
from edgeflash.outlets.opcua_members import (
    Member,
    ModelNode,
    NodeClass,
    Presence,
    Ref,
    Space,
    nodes_of,
    own_type,
    property_of,
    standard,
)
from edgeflash.outlets.opcua_names import (
    INPUT_TYPES,
    INPUTS_NAME,
    TYPES_NAMESPACE_URI,
)

MODEL_VERSION = __version__
MODEL_DATE = datetime(2026, 11, 29, tzinfo=UTC)
"""Publication date of the types; goes with the version."""

BASE_VERSION = "1.04.7"
BASE_DATE = datetime(2020, 7, 15, tzinfo=UTC)
"""The standard's node set that we need: AnalogUnitRangeType came with 1.04."""

ANALYZER_TYPE = own_type("FlashPointAnalyzerType")
GATEWAY_TYPE = own_type("GatewayType")
INPUTS_TYPE = own_type("InputsType")


def type_nodes() -> list[ModelNode]:
    """Every type, each after what it needs."""
    return [
        *enumeration_nodes(),
        *event_type_nodes(),
        *_type(
            standard("FolderType"),
            GROUP_TYPE,
            "A group of an object's members that serve one purpose.",
        ),
        *(node for base, name in INPUT_TYPES.items() for node in _input_type(base, name)),
        *_type(
            standard("BaseObjectType"),
            ANALYZER_TYPE,
            "An online flash point analyzer and the gateway's judgement on it.",
            (*analyzer_points(None), *analyzer_groups(None)),
        ),
        *_type(
            standard("FolderType"),
            INPUTS_TYPE,
            "Values from the control system, each of one of the input types.",
        ),
        *_type(
            standard("FolderType"),
            GATEWAY_TYPE,
            "A gateway between analyzers and the control system.",
            (*gateway_groups(None), _any_analyzer(), _inputs()),
        ),
    ]


def metadata_nodes() -> list[ModelNode]:
    """What Server/Namespaces says of the types (OPC 10000-5, 6.3.13)."""
    member = Member(
        key="Metadata",
        name=TYPES_NAMESPACE_URI,
        description="The types of edgeflash.",
        node_class=NodeClass.OBJECT,
        space=Space.TYPES,
        type=standard("NamespaceMetadataType"),
        members=(
            property_of("NamespaceUri", "String", TYPES_NAMESPACE_URI),
            property_of("NamespaceVersion", "String", MODEL_VERSION),
            property_of("NamespacePublicationDate", "DateTime", MODEL_DATE),
            property_of("IsNamespaceSubset", "Boolean", False),
            property_of("StaticNodeIdTypes", "IdType", (1,)),
            property_of("StaticNumericNodeIdRange", "NumericRange", (), is_array=True),
            property_of("StaticStringNodeIdPattern", "String", ".*"),
        ),
    )
    return list(nodes_of(standard("Server_Namespaces"), own_type("Metadata"), member, False))


def _type(
    base: Ref, identity: Ref, description: str, members: Sequence[Member] = ()
) -> list[ModelNode]:
    member = Member(
        key=identity.id,
        name=identity.id,
        description=description,
        node_class=NodeClass.OBJECT_TYPE,
        space=Space.TYPES,
        reference="HasSubtype",
        members=tuple(members),
    )
    return list(nodes_of(base, identity, member, False))


def _input_type(base: str, name: str) -> list[ModelNode]:
    member = Member(
        key=name,
        name=name,
        description="A value that the control system writes, or a constant of the site file.",
        node_class=NodeClass.VARIABLE_TYPE,
        space=Space.TYPES,
        reference="HasSubtype",
        data_type=standard("Double"),
        members=input_parts(None),
    )
    return list(nodes_of(standard(base), own_type(name), member, False))


def _any_analyzer() -> Member:
    return Member(
        key="Analyzer",
        name="<Analyzer>",
        description="One for each analyzer of the site, named by its id.",
        node_class=NodeClass.OBJECT,
        reference="Organizes",
        type=ANALYZER_TYPE,
        presence=Presence.ANY_NUMBER,
    )


def _inputs() -> Member:
    return Member(
        key=INPUTS_NAME,
        name=INPUTS_NAME,
        description="Where the site declares inputs.",
        node_class=NodeClass.OBJECT,
        reference="Organizes",
        type=INPUTS_TYPE,
        presence=Presence.WHERE_IT_APPLIES,
    )
