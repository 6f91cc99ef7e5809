"""The methods of the analyzer objects: the way of a call to the gateway."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any

from asyncua import ua

from edgeflash.config.site import Analyzer
from edgeflash.operations import Operations
from edgeflash.outlets.opcua_calls import Caller, Calls, Method
from edgeflash.outlets.opcua_methods import METHODS, Call, MethodDeclaration
from edgeflash.outlets.opcua_types import ANALYZER_TYPE
from edgeflash.outlets.values import OutletUnits


def method_identifier(analyzer: str, declared: MethodDeclaration) -> str:
    """The string identifier of a method's node, for example `fp-101.method.end_maintenance`."""
    return f"{analyzer}.method.{declared.name}"


def register_operating_methods(
    index: int,
    types_index: int,
    analyzers: Sequence[Analyzer],
    calls: Calls,
    operations: Operations,
    units: OutletUnits,
) -> None:
    """Lets every analyzer's methods be called, by its own node or by that of its type: a client
    that goes by the type names the latter (OPC 10000-4, 5.12.2; from memory). index, types_index:
    of the points and of the types namespace.
    """
    for analyzer in analyzers:
        parent = ua.NodeId(ua.String(analyzer.id), ua.Int16(index))
        for declared in METHODS:
            run = partial(_run, declared, operations, analyzer.id, units)
            method = Method(declared.title, declared.arguments, run, declared.needs)
            for owner, place in ((analyzer.id, index), (ANALYZER_TYPE.id, types_index)):
                name = ua.String(method_identifier(owner, declared))
                calls.add(parent, ua.NodeId(name, ua.Int16(place)), method)


async def _run(
    declared: MethodDeclaration,
    operations: Operations,
    analyzer: str,
    units: OutletUnits,
    values: list[Any],
    caller: Caller,
) -> list[ua.Variant]:
    await declared.run(Call(operations, analyzer, values, caller.who, units))
    return []
