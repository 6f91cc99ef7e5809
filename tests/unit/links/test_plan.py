"""Block reads: complete, allowed, whole elements, and as few as brute force can find."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edgeflash.config.register_map import (
    Encoding,
    Forbidden,
    MapHeader,
    RegisterMap,
    RolePlace,
    Table,
)
from edgeflash.links.errors import PlanError
from edgeflash.links.plan import Plan, plan_reads
from edgeflash.model import Role

ROLES = list(Role)


def map_of(places: dict[Role, RolePlace], **header: Any) -> RegisterMap:
    head = {"name": "test", "protocol": "modbus", "addressing": "zero_based", **header}
    return RegisterMap(map=MapHeader(**head), roles=places)


def at(address: int, encoding: Encoding = Encoding.UINT16, **more: Any) -> RolePlace:
    return RolePlace(**{"table": Table.INPUT, "address": address, "type": encoding, **more})


def extents(plan: Plan) -> list[tuple[int, int]]:
    return [(b.address, b.count) for b in plan.blocks]


def elements_of(where: RolePlace) -> list[tuple[int, int]]:
    """Every element as (first, end)."""
    size = where.element_registers
    step = where.stride or size
    return [
        (where.address + i * step, where.address + i * step + size) for i in range(where.count or 1)
    ]


def test_adjoining_and_near_roles_share_a_request() -> None:
    """A gap up to max_gap is read over, a wider one is not."""
    places = {Role.ALIVE: at(0), Role.FLASH_POINT: at(9, Encoding.FLOAT32), Role.STREAM: at(20)}
    assert extents(plan_reads(places, map_of(places, max_gap=8))) == [(0, 11), (20, 1)]
    assert extents(plan_reads(places, map_of(places, max_gap=9))) == [(0, 21)]
    assert extents(plan_reads(places, map_of(places, max_gap=7))) == [(0, 1), (9, 2), (20, 1)]


def test_a_gap_is_not_read_over_for_nothing() -> None:
    """Where the limit forces two requests anyway, they leave the gap out."""
    places = {Role.ALIVE: at(0, count=4), Role.TRACE_TIME: at(6, count=10)}
    plan = plan_reads(places, map_of(places, max_gap=8, max_registers=10))
    assert extents(plan) == [(0, 4), (6, 10)]


def test_forbidden_stretches_part_requests() -> None:
    """Forbidden registers are never read over, in their own table only, in the map's counting."""
    places = {Role.ALIVE: at(10), Role.STREAM: at(14)}
    closed = (Forbidden(table=Table.INPUT, first=12, last=12),)
    assert extents(plan_reads(places, map_of(places, forbidden=closed))) == [(10, 1), (14, 1)]
    other = (Forbidden(table=Table.HOLDING, first=12, last=12),)
    assert extents(plan_reads(places, map_of(places, forbidden=other))) == [(10, 5)]
    one_based = map_of(places, forbidden=closed, addressing="one_based")
    assert extents(plan_reads(places, one_based)) == [(9, 1), (13, 1)]


def test_tables_are_read_apart_and_bits_have_their_own_limit() -> None:
    """2000 bits, or 16 for each register the analyzer answers, in one request."""
    places = {
        Role.IGNITION_SEEN: at(0, Encoding.BOOL, table=Table.COIL),
        Role.ALIVE: at(1, table=Table.HOLDING),
        Role.TRACE_TIME: at(100, Encoding.BOOL, table=Table.DISCRETE, count=4001),
    }
    plan = plan_reads(places, map_of(places))
    assert [(b.table, b.count) for b in plan.blocks if b.table is not Table.DISCRETE] == [
        (Table.COIL, 1),
        (Table.HOLDING, 1),
    ]
    bits = [b.count for b in plan.blocks if b.table is Table.DISCRETE]
    assert len(bits) == 3
    assert sum(bits) == 4001
    assert max(bits) <= 2000
    small = plan_reads(places, map_of(places, max_registers=10))
    assert max(b.count for b in small.blocks) == 160


def test_big_array_is_split_between_elements() -> None:
    """1024 floats in requests of at most 125 registers: an odd limit never halves a float."""
    places = {Role.TRACE_PRESSURE: at(1000, Encoding.FLOAT32, count=1024)}
    plan = plan_reads(places, map_of(places))
    assert len(plan.blocks) == -(-1024 // 62)
    assert all(b.count % 2 == 0 and b.count <= 125 for b in plan.blocks)
    replies = [list(range(b.address, b.end)) for b in plan.blocks]
    assert list(plan.gather(replies)[Role.TRACE_PRESSURE]) == list(range(1000, 1000 + 2048))


def test_plan_refuses_what_cannot_be_read() -> None:
    """Too long for one request, forbidden, or outside the table: named with the role."""
    text = {Role.STREAM: at(0, Encoding.STRING, length=20)}
    with pytest.raises(PlanError, match=r"stream: one value takes 20 registers.* 10"):
        plan_reads(text, map_of(text, max_registers=10))
    number = {Role.ALIVE: at(5, Encoding.UINT32)}
    closed = (Forbidden(table=Table.INPUT, first=6, last=6),)
    with pytest.raises(PlanError, match="alive: address 5 is forbidden"):
        plan_reads(number, map_of(number, forbidden=closed))
    zero = {Role.ALIVE: at(0)}
    with pytest.raises(PlanError, match=r"alive: address 0 .* outside"):
        plan_reads(zero, map_of(zero, addressing="one_based"))
    end = {Role.ALIVE: at(65535, Encoding.UINT32)}
    with pytest.raises(PlanError, match="outside"):
        plan_reads(end, map_of(end))


@st.composite
def cases(draw: st.DrawFn) -> tuple[RegisterMap, set[int]]:
    """A small map in one table, with forbidden stretches beside the mapped registers."""
    limit = draw(st.integers(4, 16))
    places: dict[Role, RolePlace] = {}
    for role in ROLES[: draw(st.integers(1, 7))]:
        encoding = draw(st.sampled_from([Encoding.UINT16, Encoding.FLOAT32, Encoding.INT64]))
        count = draw(st.one_of(st.none(), st.integers(1, 4)))
        stride = None
        if count:
            size = at(0, encoding).element_registers
            stride = draw(st.one_of(st.none(), st.integers(size, size + 3)))
        places[role] = at(draw(st.integers(0, 50)), encoding, count=count, stride=stride)
    mapped = {
        a for where in places.values() for low, high in elements_of(where) for a in range(low, high)
    }
    free = sorted(set(range(max(mapped) + 2)) - mapped)
    closed = set(draw(st.lists(st.sampled_from(free), max_size=4))) if free else set()
    forbidden = tuple(Forbidden(table=Table.INPUT, first=a, last=a) for a in sorted(closed))
    header = {"max_registers": limit, "max_gap": draw(st.integers(0, 5)), "forbidden": forbidden}
    return map_of(places, **header), closed


def cheapest(
    elements: Sequence[tuple[int, int]], limit: int, gap: int, closed: set[int]
) -> tuple[int, int]:
    """The fewest requests, and with those the fewest registers, by trying every grouping."""
    ordered = sorted(set(elements))
    wanted = {a for low, high in ordered for a in range(low, high)}

    def registers(group: Sequence[tuple[int, int]]) -> int | None:
        low, high = group[0][0], max(end for _, end in group)
        if high - low > limit:
            return None
        holes = 0
        for address in range(low, high):
            holes = 0 if address in wanted else holes + 1
            if holes > gap or address in closed:
                return None
        return high - low

    @cache
    def best(start: int) -> tuple[int, int]:
        if start == len(ordered):
            return (0, 0)
        found = []
        for end in range(start + 1, len(ordered) + 1):
            size = registers(ordered[start:end])
            if size is not None:
                requests, more = best(end)
                found.append((requests + 1, more + size))
        return min(found)

    return best(0)


@settings(max_examples=150, deadline=None)
@given(cases())
def test_plans_are_whole_allowed_and_minimal(case: tuple[RegisterMap, set[int]]) -> None:
    """Every element comes whole from one request within all limits, with no request to spare."""
    register_map, closed = case
    header = register_map.map
    plan = plan_reads(register_map.roles, register_map)
    elements = [e for where in register_map.roles.values() for e in elements_of(where)]
    wanted = {a for low, high in elements for a in range(low, high)}
    for block in plan.blocks:
        addresses = range(block.address, block.end)
        assert block.count <= header.max_registers
        assert closed.isdisjoint(addresses)
        assert block.address in wanted
        assert block.end - 1 in wanted
        holes = "".join("." if a in wanted else "x" for a in addresses).split(".")
        assert max(map(len, holes)) <= header.max_gap
    for low, high in elements:
        assert any(b.address <= low and high <= b.end for b in plan.blocks)
    expected = cheapest(elements, header.max_registers, header.max_gap, closed)
    assert expected == (len(plan.blocks), sum(b.count for b in plan.blocks))


@settings(max_examples=60, deadline=None)
@given(cases())
def test_words_come_from_their_own_addresses(case: tuple[RegisterMap, set[int]]) -> None:
    """Cut out of the replies, each element has the words of its addresses, from one request."""
    register_map, _ = case
    plan = plan_reads(register_map.roles, register_map)
    replies = [
        [index << 16 | address for address in range(b.address, b.end)]
        for index, b in enumerate(plan.blocks)
    ]
    words = plan.gather(replies)
    for role, where in register_map.roles.items():
        assert len(words[role]) == where.span_registers
        for low, high in elements_of(where):
            got = words[role][low - where.address : high - where.address]
            assert list(range(low, high)) == [word & 0xFFFF for word in got]
            assert len({word >> 16 for word in got}) == 1
