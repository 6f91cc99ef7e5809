"""Checks of what a role's value means, the same for every protocol."""

from __future__ import annotations

from collections.abc import Iterator

from edgeflash.config.analyzer_map import Meaning
from edgeflash.config.problems import Problem
from edgeflash.config.toml_positions import KeyPath
from edgeflash.model import Role

MEANING = {
    "length": "how many registers the text takes, 1 to 125",
    "parts": 'the order of its registers, as in ["year", "month", "day", "hour", "minute"]',
    "values": 'what each number means, as in { 0 = "idle", 3 = "heat" }',
    "bits": "the name and category of each bit, as in "
    '{ 0 = { name = "heater_fault", category = "failure" } }',
}


def at(role: Role, *keys: str) -> KeyPath:
    """Key path within a role's table."""
    return ("roles", role.value, *keys)


def role_key_problems(role: Role, place: Meaning) -> Iterator[Problem]:
    """Keys that one role needs and no other may have."""
    yield from _bound_to_role(role, place, "values", Role.PHASE)
    yield from _bound_to_role(role, place, "bits", Role.FAULT_BITS)
    if place.of is not None and role is not Role.FAULT_BITS:
        why = f"belongs to the role {Role.FAULT_BITS.value} only: take this line out"
        yield Problem(at(role, "of"), why)


def _bound_to_role(role: Role, place: Meaning, key: str, only: Role) -> Iterator[Problem]:
    given, path = getattr(place, key), at(role, key)
    if given is not None and role is not only:
        yield Problem(path, f"belongs to the role {only.value} only: take this line out")
    if role is only and not given:
        word = "is missing" if given is None else "is empty"
        yield Problem(path, f"{word}; give {MEANING[key]}")


def fault_name_problems(
    role: Role, place: Meaning, width: int, what: str, uses: tuple[KeyPath, ...]
) -> Iterator[Problem]:
    """Bits beyond the width of what holds them, and names given twice."""
    names: dict[str, int] = {}
    for bit, fault in (place.bits or {}).items():
        path = at(role, "bits", str(bit))
        if bit >= width:
            yield Problem(path, f"{what} has the bits 0 to {width - 1}", uses)
        if fault.name in names:
            other = (*at(role, "bits", str(names[fault.name])), "name")
            why = f'"{fault.name}" is the name of bit {names[fault.name]} already'
            yield Problem((*path, "name"), why, (other,))
        names.setdefault(fault.name, bit)


def scale_problems(
    role: Role, place: Meaning, is_scaled: bool, what: str, uses: tuple[KeyPath, ...]
) -> Iterator[Problem]:
    """A scale of nothing, or a scale where the value is taken as it is."""
    if place.scale == 0:
        yield Problem(at(role, "scale"), "must not be 0: every reading would be the same")
    for key, neutral in (("scale", 1.0), ("offset", 0.0)):
        if not is_scaled and getattr(place, key) != neutral:
            yield Problem(at(role, key), f"{what} is taken as it is: take this line out", uses)


def counter_key_problems(role: Role, place: Meaning) -> Iterator[Problem]:
    """Keys of the counter at another role."""
    if role is Role.CYCLE_NUMBER:
        return
    for key in ("wraps_at", "first"):
        if key in place.model_fields_set:
            why = "belongs to the role cycle_number only: take this line out"
            yield Problem(at(role, key), why)


def counter_span_problems(
    role: Role, place: Meaning, what: str, uses: tuple[KeyPath, ...]
) -> Iterator[Problem]:
    """A counter that wraps beyond what can hold it, or begins at its end."""
    high = place.highest_number
    if place.wraps_at is not None and place.wraps_at > high:
        why = f"must be at most {high}, the largest {what}, not {place.wraps_at}"
        yield Problem(at(role, "wraps_at"), why, uses)
    last = high if place.wraps_at is None else place.wraps_at
    if place.first >= last:
        why = f"must be below the highest number ({last}), not {place.first}"
        yield Problem(at(role, "first"), why, (*uses, at(role, "wraps_at")))
