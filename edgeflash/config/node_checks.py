"""Checks of a map of OPC UA nodes, role by role and across roles."""

from __future__ import annotations

from collections.abc import Iterator

from edgeflash.config.expectations import listed
from edgeflash.config.map_layout import companion_problems
from edgeflash.config.meaning_checks import (
    at,
    counter_key_problems,
    fault_name_problems,
    role_key_problems,
    scale_problems,
)
from edgeflash.config.node_map import NodeMap, NodePlace
from edgeflash.config.node_name import RIGHT_NODE, NodeNameError, parsed_node, parsed_path
from edgeflash.config.problems import Problem
from edgeflash.config.roles import (
    COUNTER,
    FLAG,
    KINDS,
    LIVE_ROLES,
    TIME,
)
from edgeflash.config.toml_positions import KeyPath
from edgeflash.model import Role


def node_problems(node_map: NodeMap) -> Iterator[Problem]:
    """What is wrong with a map of nodes. Causes come before what follows from them."""
    for alias, uri in node_map.map.namespaces.items():
        if ":" not in uri:
            why = f'"{uri}" is no namespace URI; it is like "urn:example:analyzer"'
            yield Problem(("map", "namespaces", alias), why)
    for role, place in node_map.roles.items():
        yield from _name_problems(node_map, role, place)
        yield from _reading_problems(role, place)
        yield from role_key_problems(role, place)
        yield from _unit_problems(role, place)
        yield from _value_problems(role, place)
        yield from _counter_problems(role, place)
    yield from companion_problems(node_map)


def _name_problems(node_map: NodeMap, role: Role, place: NodePlace) -> Iterator[Problem]:
    node, path, start = at(role, "node"), at(role, "path"), at(role, "start")
    if place.node is None and place.path is None:
        why = (
            f"is missing; give the node, as in {RIGHT_NODE}, or path, the browse names that lead "
            "to it from the Objects folder"
        )
        yield Problem(node, why, (path,))
    if place.node is not None and place.path is not None:
        yield Problem(path, "names the node a second time: keep node or path", (node,))
    if place.start is not None and place.path is None:
        why = "is where a path begins, and there is no path: take this line out"
        yield Problem(start, why, (path,))
    for key, written in ((node, place.node), (start, place.start)):
        if written is not None:
            yield from _unreadable_node(node_map, key, written)
    for index, step in enumerate(place.path or ()):
        try:
            parsed_path((step,), node_map.map.namespaces)
        except NodeNameError as error:
            yield Problem((*path, index), str(error), (("map", "namespaces"),))


def _unreadable_node(node_map: NodeMap, key: KeyPath, written: str) -> Iterator[Problem]:
    try:
        parsed_node(written, node_map.map.namespaces)
    except NodeNameError as error:
        yield Problem(key, str(error), (("map", "namespaces"),))


def _reading_problems(role: Role, place: NodePlace) -> Iterator[Problem]:
    if place.read == "subscribe" and (role not in LIVE_ROLES or place.of == "result"):
        why = (
            f'{role.value} is read once with each finished cycle: must be "poll", or take this '
            "line out"
        )
        yield Problem(at(role, "read"), why, (at(role, "of"),))
    if place.source_time and role is not Role.RESULT_TIME:
        why = f"belongs to the role {Role.RESULT_TIME.value} only: take this line out"
        yield Problem(at(role, "source_time"), why)


def _unit_problems(role: Role, place: NodePlace) -> Iterator[Problem]:
    kind, path = KINDS[role], at(role, "unit")
    units = kind.units
    if place.source_time and place.unit is not None:
        why = "the server's time stamp has no unit: take this line out"
        yield Problem(path, why, (at(role, "source_time"),))
        return
    if units and place.unit is None and kind is not TIME:
        yield Problem(path, f"is missing; give one of {listed(units)}")
    elif units and place.unit is not None and place.unit not in units:
        what = "a time stamp held as a number" if kind is TIME else kind.words
        yield Problem(path, f'"{place.unit}" is no unit of {what}: must be one of {listed(units)}')
    elif not units and place.unit is not None:
        yield Problem(path, f"{role.value} has no unit: take this line out")


def _value_problems(role: Role, place: NodePlace) -> Iterator[Problem]:
    kind = KINDS[role]
    taken_as_is = kind in (COUNTER, FLAG, TIME) or role in (Role.PHASE, Role.FAULT_BITS)
    yield from scale_problems(role, place, not taken_as_is, role.value, ())
    numbers = kind not in (FLAG,) and not place.source_time
    if place.unavailable and not numbers:
        why = f"belongs to numbers, and {role.value} is none: take this line out"
        yield Problem(at(role, "unavailable"), why, (at(role, "source_time"),))
    yield from fault_name_problems(role, place, 32, "a node of fault bits", ())


def _counter_problems(role: Role, place: NodePlace) -> Iterator[Problem]:
    yield from counter_key_problems(role, place)
    last = place.wraps_at
    if role is Role.CYCLE_NUMBER and last is not None and place.first >= last:
        why = f"must be below the highest number ({last}), not {place.first}"
        yield Problem(at(role, "first"), why, (at(role, "wraps_at"),))
