"""The whole information model of one server: types, gateway, analyzers, inputs. Pure.

Objects/Edgeflash                    GatewayType
    Configuration, Diagnostics       FunctionalGroupType
    Inputs/<id>                      one of the input types
    <analyzer id>                    FlashPointAnalyzerType
        <point title>                a type of OPC 10000-8
        Identification, Configuration, Diagnostics
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from edgeflash.config.site import Analyzer, Input, OpcUaServer, Site
from edgeflash.outlets.opcua_groups import (
    Place,
    analyzer_groups,
    analyzer_points,
    gateway_groups,
    input_member,
)
from edgeflash.outlets.opcua_members import (
    Member,
    ModelNode,
    NodeClass,
    Ref,
    instance,
    nodes_of,
    standard,
)
from edgeflash.outlets.opcua_method_model import analyzer_methods
from edgeflash.outlets.opcua_names import INPUTS_ID, INPUTS_NAME, ROOT_NAME
from edgeflash.outlets.opcua_settings import InForce
from edgeflash.outlets.opcua_types import (
    ANALYZER_TYPE,
    GATEWAY_TYPE,
    INPUTS_TYPE,
    metadata_nodes,
    type_nodes,
)
from edgeflash.outlets.values import OutletUnits

ROOT = instance(ROOT_NAME)


@dataclass(frozen=True, slots=True)
class Served:
    """What one server shows. accepts_inputs: whether clients may write those that are written;
    accepts_calls: whether they may call the analyzers' methods."""

    analyzers: Sequence[Analyzer]
    units: OutletUnits
    in_force: InForce = field(default_factory=InForce)
    inputs: Sequence[Input] = ()
    accepts_inputs: bool = False
    accepts_calls: bool = True

    @classmethod
    def of(cls, site: Site, server: OpcUaServer) -> Served:
        """What the OPC UA server of a site shows."""
        return cls(
            site.file.analyzers,
            OutletUnits(server.temperature_unit, server.pressure_unit),
            InForce.of(site),
            site.file.inputs,
            server.accept_inputs,
        )


def model_nodes(served: Served) -> list[ModelNode]:
    """Every node, each after its parent and its types."""
    return [*metadata_nodes(), *type_nodes(), *instance_nodes(served)]


def instance_nodes(served: Served) -> list[ModelNode]:
    """The nodes of the server itself, below Objects."""
    found = list(nodes_of(standard("ObjectsFolder"), ROOT, _gateway(served), False))
    if served.inputs:
        found += nodes_of(ROOT, instance(INPUTS_NAME), _inputs_folder(), False)
        for declared in served.inputs:
            is_writable = served.accepts_inputs and declared.value is None
            member = input_member(declared, is_writable)
            identity = instance(f"{INPUTS_ID}.{declared.id}")
            found += nodes_of(instance(INPUTS_NAME), identity, member, False)
    for analyzer in served.analyzers:
        place = Place(analyzer, served.units, served.in_force)
        found += nodes_of(ROOT, instance(analyzer.id), _analyzer(place, served), False)
    return found


def _object(name: str, description: str, type: Ref, members: Sequence[Member] = ()) -> Member:
    return Member(
        key=name,
        name=name,
        description=description,
        node_class=NodeClass.OBJECT,
        reference="Organizes",
        type=type,
        members=tuple(members),
    )


def _gateway(served: Served) -> Member:
    return _object(
        ROOT_NAME,
        "Online flash point analyzers and the gateway's judgement on them.",
        GATEWAY_TYPE,
        gateway_groups(served.in_force),
    )


def _inputs_folder() -> Member:
    return _object(
        INPUTS_NAME,
        "Values from the control system, for the prediction and the product's number.",
        INPUTS_TYPE,
    )


def _analyzer(place: Place, served: Served) -> Member:
    analyzer = place.analyzer
    return _object(
        analyzer.id,
        analyzer.description or f"Flash point analyzer {analyzer.id}",
        ANALYZER_TYPE,
        (
            *analyzer_points(place),
            *analyzer_groups(place),
            *analyzer_methods(served.accepts_calls),
        ),
    )
