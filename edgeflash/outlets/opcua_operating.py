"""The methods of the analyzer objects: their nodes, and the way of a call to the gateway."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any

from asyncua import ua
from asyncua.server.server import Server

from edgeflash.config.site import Analyzer
from edgeflash.operations import Operations
from edgeflash.outlets.opcua_calls import Caller, Calls, Method
from edgeflash.outlets.opcua_method_nodes import add_method_node
from edgeflash.outlets.opcua_methods import METHODS, Call, MethodDeclaration
from edgeflash.outlets.values import OutletUnits


def method_identifier(analyzer: str, declared: MethodDeclaration) -> str:
    """The string identifier of a method's node, for example `fp-101.method.end_maintenance`."""
    return f"{analyzer}.method.{declared.name}"


async def add_operating_methods(
    server: Server,
    index: int,
    analyzers: Sequence[Analyzer],
    calls: Calls,
    operations: Operations | None,
    units: OutletUnits,
) -> None:
    """Adds every analyzer's methods. Without operations they are shown and cannot be called."""
    for analyzer in analyzers:
        parent = ua.NodeId(ua.String(analyzer.id), ua.Int16(index))
        for declared in METHODS:
            node = ua.NodeId(ua.String(method_identifier(analyzer.id, declared)), ua.Int16(index))
            await add_method_node(
                server,
                parent,
                node,
                declared.title,
                declared.description,
                declared.arguments,
                operations is not None,
            )
            if operations is not None:
                run = partial(_run, declared, operations, analyzer.id, units)
                calls.add(
                    parent, node, Method(declared.title, declared.arguments, run, declared.needs)
                )


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
