"""Checks of a register map across roles: what must be there, and what must not overlap."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass

from edgeflash.config.analyzer_map import AnalyzerMap
from edgeflash.config.map_checks import BIT_TABLES, SPAN_KEYS
from edgeflash.config.meaning_checks import at
from edgeflash.config.problems import Problem
from edgeflash.config.register_map import Encoding, RegisterMap, RolePlace
from edgeflash.config.roles import PULSE_ROLES, RECENT_ARRAYS, TRACE_ARRAYS, TRACE_ROLES, WHOLE
from edgeflash.model import Role


def layout_problems(register_map: RegisterMap) -> Iterator[Problem]:
    """What is wrong between roles: missing companions, unequal arrays, overlapping registers."""
    yield from companion_problems(register_map)
    yield from _unequal(register_map, TRACE_ARRAYS)
    yield from _unequal(register_map, RECENT_ARRAYS)
    yield from _overlap_problems(register_map)


def companion_problems(analyzer_map: AnalyzerMap) -> Iterator[Problem]:
    """Roles that every map needs, and those that are of no use without another."""
    given = analyzer_map.roles.keys()
    if Role.FLASH_POINT not in given:
        yield Problem(at(Role.FLASH_POINT), "is missing; every map needs this role")
    if not given & {Role.CYCLE_NUMBER, Role.RESULT_TIME}:
        why = "is missing; a map needs this role or result_time, to tell one result from the next"
        yield Problem(at(Role.CYCLE_NUMBER), why, (at(Role.RESULT_TIME),))
    yield from _trace_problems(analyzer_map)
    yield from _pulse_problems(analyzer_map)
    yield from _recent_problems(analyzer_map)


def _trace_problems(register_map: AnalyzerMap) -> Iterator[Problem]:
    given = register_map.roles.keys()
    some = next((role for role in register_map.roles if role in TRACE_ROLES), None)
    if some is None:
        return
    for role in (Role.TRACE_TEMPERATURE, Role.TRACE_PRESSURE):
        if role not in given:
            why = f"is missing; {some.value} is of no use without it"
            yield Problem(at(role), why, (at(some),))
    if not given & {Role.TRACE_TIME, Role.TRACE_INTERVAL}:
        why = f"is missing; {some.value} is of no use without this role or trace_interval"
        yield Problem(at(Role.TRACE_TIME), why, (at(Role.TRACE_INTERVAL), at(some)))


def _pulse_problems(register_map: AnalyzerMap) -> Iterator[Problem]:
    some = next((role for role in register_map.roles if role in PULSE_ROLES), None)
    if some is None:
        return
    for role in (Role.PULSE_PRESSURE, Role.PULSE_INTERVAL):
        if role not in register_map.roles:
            why = f"is missing; {some.value} is of no use without it"
            yield Problem(at(role), why, (at(some),))


def _recent_problems(register_map: AnalyzerMap) -> Iterator[Problem]:
    some = next((role for role in register_map.roles if role in RECENT_ARRAYS), None)
    if some is None:
        return
    for role in (Role.RECENT_NUMBER, Role.RECENT_FLASH_POINT):
        if role not in register_map.roles:
            why = f"is missing; {some.value} is of no use without it"
            yield Problem(at(role), why, (at(some),))


def _unequal(register_map: RegisterMap, roles: tuple[Role, ...]) -> Iterator[Problem]:
    """Arrays of one block whose count is not that of the first of them."""
    counted = [
        (role, place.count)
        for role in roles
        if (place := register_map.roles.get(role)) is not None and place.count is not None
    ]
    if not counted:
        return
    counts = [count for _, count in counted]
    usual = max(counts, key=counts.count)  # the odd one out is the mistake
    pattern = next(role for role, count in counted if count == usual)
    for role, count in counted:
        if count != usual:
            why = f"must be {usual}, as in {pattern.value}, not {count}"
            yield Problem(at(role, "count"), why, (at(pattern, "count"),))


@dataclass(frozen=True, slots=True)
class _Stretch:
    """The registers of one role: elements of `size` registers, `step` apart, from `start`."""

    role: Role
    place: RolePlace
    start: int
    size: int
    step: int
    count: int

    @property
    def last(self) -> int:
        return self.start + (self.count - 1) * self.step + self.size - 1

    def elements(self) -> range:
        return range(self.start, self.last + 1, self.step)


def _overlap_problems(register_map: RegisterMap) -> Iterator[Problem]:
    stretches = [
        _Stretch(role, p, p.address, size, max(p.stride or size, size, 1), p.count or 1)
        for role, p in register_map.roles.items()
        if p.table not in BIT_TABLES and (size := p.element_registers)
    ]
    spoken_of: set[Role] = set()  # one misplaced role may run into several
    for index, later in enumerate(stretches):
        for earlier in stretches[:index]:
            if earlier.place.table is not later.place.table or _may_share(earlier, later):
                continue
            register = _first_shared(earlier, later)
            if register is None or {earlier.role, later.role} & spoken_of:
                continue
            spoken_of |= {earlier.role, later.role}
            uses = (at(r, key) for r in (earlier.role, later.role) for key in SPAN_KEYS)
            why = (
                f"register {register} is part of {earlier.role.value} already "
                f"({_words(earlier)}); {later.role.value} would take {_words(later)}"
            )
            yield Problem(at(later.role, "address"), why, tuple(uses))


def _may_share(a: _Stretch, b: _Stretch) -> bool:
    """True for the same value under two roles, and for single bits of a register of bits."""
    if a.place.count is not None or b.place.count is not None:
        return False
    if a.start == b.start and a.place.type is b.place.type:
        return True
    types = {a.place.type, b.place.type}
    return Encoding.BOOL in types and bool(types & WHOLE)


def _first_shared(a: _Stretch, b: _Stretch) -> int | None:
    """The lowest register both take."""
    if a.last < b.start or b.last < a.start:
        return None
    starts = a.elements()
    for start in b.elements():
        index = bisect_right(starts, start + b.size - 1) - 1
        if index >= 0 and starts[index] + a.size > start:
            return max(starts[index], start)
    return None


def _words(stretch: _Stretch) -> str:
    if stretch.last == stretch.start:
        return f"register {stretch.start}"
    return f"registers {stretch.start} to {stretch.last}"
