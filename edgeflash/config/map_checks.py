"""Checks of a register map, role by role: encoding, unit, address, special values."""

from __future__ import annotations

from collections.abc import Iterator

from edgeflash.config.expectations import listed
from edgeflash.config.meaning_checks import (
    MEANING,
    at,
    counter_key_problems,
    counter_span_problems,
    fault_name_problems,
    role_key_problems,
    scale_problems,
)
from edgeflash.config.problems import Problem
from edgeflash.config.register_map import (
    WHOLE_RANGE,
    Encoding,
    RegisterMap,
    RolePlace,
    Table,
)
from edgeflash.config.roles import ARRAYS, COUNTER, FLOATS, KINDS, NUMBERS, TIME
from edgeflash.config.toml_positions import KeyPath
from edgeflash.model import Role

BIT_TABLES = frozenset({Table.COIL, Table.DISCRETE})
ADDRESSES = 65_536
"""Addresses of each table (Modbus application protocol V1.1b3, 4.4: 0 to 65535)."""

FLOAT32_MAX = 3.4028234663852886e38
"""Largest finite float32 (IEEE 754 binary32)."""

SPAN_KEYS = ("table", "address", "type", "length", "parts", "count", "stride")
"""Keys that decide which registers a role takes."""


def role_problems(register_map: RegisterMap) -> Iterator[Problem]:
    """What is wrong with each role by itself. Causes come before what follows from them."""
    yield from _forbidden_problems(register_map)
    for role, place in register_map.roles.items():
        yield from _encoding_problems(role, place)
        yield from _unit_problems(role, place)
        yield from _array_problems(role, place)
        yield from _special_value_problems(role, place)
        yield from _address_problems(register_map, role, place)


def _forbidden_problems(register_map: RegisterMap) -> Iterator[Problem]:
    lowest = 1 if register_map.map.addressing == "one_based" else 0
    highest = ADDRESSES - 1 + lowest
    counting: KeyPath = ("map", "addressing")
    for index, stretch in enumerate(register_map.map.forbidden):
        path: KeyPath = ("map", "forbidden", index)
        if stretch.first < lowest:
            why = "must be 1 or more: the map says one_based, whose first register is 1"
            yield Problem((*path, "first"), why, (counting,))
        if stretch.last > highest:
            why = f"must be at most {highest}, the last address, not {stretch.last}"
            yield Problem((*path, "last"), why, (counting,))
        if stretch.last < stretch.first:
            why = f"must not lie before first ({stretch.first}), and is {stretch.last}"
            yield Problem((*path, "last"), why, ((*path, "first"),))


def _encoding_problems(role: Role, place: RolePlace) -> Iterator[Problem]:
    kind, of_type = KINDS[role], at(role, "type")
    table = at(role, "table")
    if place.type not in kind.encodings:
        allowed = listed(e.value for e in Encoding if e in kind.encodings)
        one = "one of " if len(kind.encodings) > 1 else ""
        why = f'{role.value} is {kind.words}: must be {one}{allowed}, not "{place.type.value}"'
        yield Problem(of_type, why)
    is_bool, in_bits = place.type is Encoding.BOOL, place.table in BIT_TABLES
    if in_bits and not is_bool:
        why = (
            f'a {place.table.value} is a single bit and cannot hold "{place.type.value}": '
            'must be "input" or "holding"'
        )
        yield Problem(table, why, (of_type,))
    if is_bool and not in_bits and place.bit is None:
        why = "is missing; say which bit of the register it is, 0 to 15 (0 is the lowest)"
        yield Problem(at(role, "bit"), why, (of_type, table))
    if place.bit is not None and (in_bits or not is_bool):
        why = (
            f"a {place.table.value} is one bit already: take this line out"
            if in_bits
            else 'belongs to type "bool" only: take this line out'
        )
        yield Problem(at(role, "bit"), why, (of_type, table))
    yield from _bound_to_type(role, place, "length", Encoding.STRING)
    yield from _bound_to_type(role, place, "parts", Encoding.SPLIT_TIME)
    yield from _parts_problems(role, place)
    yield from role_key_problems(role, place)


def _bound_to_type(role: Role, place: RolePlace, key: str, only: Encoding) -> Iterator[Problem]:
    given, path = getattr(place, key) is not None, at(role, key)
    if given and place.type is not only:
        why = f'belongs to type "{only.value}" only: take this line out'
        yield Problem(path, why, (at(role, "type"),))
    if not given and place.type is only:
        yield Problem(path, f"is missing; give {MEANING[key]}", (at(role, "type"),))


def _parts_problems(role: Role, place: RolePlace) -> Iterator[Problem]:
    if place.parts is None:
        return
    parts, path = list(place.parts), at(role, "parts")
    twice = [part for part in dict.fromkeys(parts) if parts.count(part) > 1]
    if twice:
        yield Problem(path, f"names {listed(twice)} more than once")
    if ("year" in parts) == ("year_from_2000" in parts):
        yield Problem(path, 'must name one of "year" and "year_from_2000"')
    lacking = [part for part in ("month", "day", "hour", "minute") if part not in parts]
    if lacking:
        yield Problem(path, f"lacks {listed(lacking)}: a time stamp needs them")


def _unit_problems(role: Role, place: RolePlace) -> Iterator[Problem]:
    kind, path = KINDS[role], at(role, "unit")
    uses = (at(role, "type"),)
    units = kind.units if place.type in NUMBERS else ()
    if units and place.unit is None:
        yield Problem(path, f"is missing; give one of {listed(units)}", uses)
    elif units and place.unit not in units:
        what = "a time stamp" if kind is TIME else kind.words
        yield Problem(
            path, f'"{place.unit}" is no unit of {what}: must be one of {listed(units)}', uses
        )
    elif not units and place.unit is not None:
        yield Problem(path, f"{role.value} has no unit: take this line out", uses)


def _array_problems(role: Role, place: RolePlace) -> Iterator[Problem]:
    size = place.element_registers
    count, stride = at(role, "count"), at(role, "stride")
    if role in ARRAYS and place.count is None:
        yield Problem(count, "is missing; say how many elements the array has")
    if role not in ARRAYS and place.count is not None:
        yield Problem(count, f"{role.value} is a single value: take this line out")
    if place.stride is not None and place.count is None:
        why = "is the distance between the elements of an array: take this line out"
        yield Problem(stride, why, (count,))
    if place.stride is not None and place.stride < size:
        why = f"must be {size} or more, the registers of one element, not {place.stride}"
        yield Problem(stride, why, (at(role, "type"), at(role, "length"), at(role, "parts")))


def _special_value_problems(role: Role, place: RolePlace) -> Iterator[Problem]:
    of_type = at(role, "type")
    is_number = place.type in NUMBERS
    measured = is_number and role not in (Role.PHASE, Role.FAULT_BITS)
    counts = KINDS[role] is COUNTER
    what = f"{role.value} as {place.type.value}"
    yield from scale_problems(role, place, measured and not counts, what, (of_type,))
    if place.unavailable and not is_number:
        why = f'belongs to numbers, not to type "{place.type.value}": take this line out'
        yield Problem(at(role, "unavailable"), why, (of_type,))
    for index, sentinel in enumerate(place.unavailable):
        if not _can_come(place.type, sentinel):
            why = f"{_a(place.type)} never holds {sentinel}{_span_words(place.type)}"
            yield Problem((*at(role, "unavailable"), index), why, (of_type,))
    yield from _phase_and_fault_problems(role, place)
    yield from _counter_problems(role, place)


def _phase_and_fault_problems(role: Role, place: RolePlace) -> Iterator[Problem]:
    of_type = at(role, "type")
    low, high = WHOLE_RANGE.get(place.type, (0, 0))
    for value in place.values or {}:
        if not low <= value <= high:
            why = f"{_a(place.type)} never holds {value}{_span_words(place.type)}"
            yield Problem(at(role, "values", str(value)), why, (of_type,))
    width = 16 * place.element_registers
    yield from fault_name_problems(role, place, width, _a(place.type), (of_type,))


def _counter_problems(role: Role, place: RolePlace) -> Iterator[Problem]:
    yield from counter_key_problems(role, place)
    if role is Role.CYCLE_NUMBER:
        yield from counter_span_problems(role, place, place.type.value, (at(role, "type"),))


def _can_come(encoding: Encoding, sentinel: int | float | str) -> bool:
    """True when a register content can stand for the sentinel.

    Whole numbers may also be written as the bit pattern, as manuals print it (0x8000 for −32768),
    and a BCD value as the pattern that is no BCD (0xFFFF).
    """
    if isinstance(sentinel, str) or encoding in FLOATS:
        exact = encoding is Encoding.FLOAT64 or isinstance(sentinel, str)
        return encoding in FLOATS and (exact or abs(float(sentinel)) <= FLOAT32_MAX)
    if encoding not in WHOLE_RANGE:
        return True  # reported as out of place already
    low, _ = WHOLE_RANGE[encoding]
    return float(sentinel).is_integer() and low <= sentinel <= _pattern_max(encoding)


def _pattern_max(encoding: Encoding) -> int:
    bits = int("".join(filter(str.isdigit, encoding.value)))
    return int(2**bits - 1)


def _a(encoding: Encoding) -> str:
    return f"{'an' if encoding.value.startswith('int') else 'a'} {encoding.value}"


def _span_words(encoding: Encoding) -> str:
    if encoding not in WHOLE_RANGE:
        return ""
    low, high = WHOLE_RANGE[encoding]
    return f", only {low} to {high}"


def _address_problems(register_map: RegisterMap, role: Role, place: RolePlace) -> Iterator[Problem]:
    header, address = register_map.map, at(role, "address")
    spans = tuple(at(role, key) for key in SPAN_KEYS)
    counting: KeyPath = ("map", "addressing")
    start = register_map.pdu_address(place.address)
    lowest, thing = place.address - start, _thing(place)
    end = start + place.span_registers
    if start < 0:
        why = "must be 1 or more: the map says one_based, whose first register is 1"
        yield Problem(address, why, (counting,))
    if end > ADDRESSES:
        why = (
            f"ends at {thing} {end - 1 + lowest}; the last one there can be is "
            f"{ADDRESSES - 1 + lowest}"
        )
        yield Problem(address, why, (counting, *spans))
    size = place.element_registers
    if size > header.max_registers:
        key = {Encoding.STRING: "length", Encoding.SPLIT_TIME: "parts"}.get(place.type, "type")
        why = (
            f"takes {size} registers, and this analyzer answers {header.max_registers} at once "
            "(map.max_registers)"
        )
        yield Problem(at(role, key), why, (("map", "max_registers"), at(role, "type")))
    last = place.address + place.span_registers - 1
    for index, stretch in enumerate(header.forbidden):
        overlaps = stretch.first <= last and place.address <= stretch.last
        if stretch.table is place.table and overlaps:
            which = f"{thing} {place.address} falls"
            if last > place.address:
                which = f"{thing}s {place.address} to {last} reach"
            why = (
                f"{which} into {stretch.first} to {stretch.last}, "
                f"which map.forbidden[{index}] says never to read"
            )
            yield Problem(address, why, (("map", "forbidden", index), *spans))


def _thing(place: RolePlace) -> str:
    return place.table.value if place.table in BIT_TABLES else "register"
