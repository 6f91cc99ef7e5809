"""The pages on alarms, events and methods name what there is."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from edgeflash.access import NEEDED_ROLE
from edgeflash.alarms.catalogue import Priority
from edgeflash.outlets.opcua_calls import LONGEST_TEXT, MAX_CALLS
from edgeflash.outlets.opcua_event import SEVERITY_OF
from edgeflash.outlets.opcua_event_filter import (
    MAX_OPERANDS,
    MAX_SELECT_CLAUSES,
    MAX_WHERE_ELEMENTS,
    OPERANDS,
)
from edgeflash.outlets.opcua_event_items import MAX_QUEUED_EVENTS
from edgeflash.outlets.opcua_event_model import OWN_TYPES
from edgeflash.outlets.opcua_methods import METHODS

DOCS = Path(__file__).resolve().parents[3] / "docs"
EVENTS = (DOCS / "opcua-alarms.md").read_text("utf-8")
OPERATIONS = (DOCS / "operations.md").read_text("utf-8")


@pytest.mark.parametrize("declared", METHODS, ids=lambda declared: str(declared.title))
def test_each_method_is_documented(declared: object) -> None:
    """In one row: its arguments with their types, and the role it needs."""
    method = next(one for one in METHODS if one is declared)
    (row,) = re.findall(rf"^\| `{method.title}` \|.*$", OPERATIONS, re.MULTILINE)
    _, _, arguments, role, _, _ = (cell.strip() for cell in row.split("|"))
    assert re.findall(r"`(\w+)`", arguments) == [one.name for one in method.arguments]
    types = {"Null": "any scalar"}
    for one in method.arguments:
        assert f"`{one.name}` ({types.get(one.type.name, one.type.name)}" in arguments
    assert role == NEEDED_ROLE[method.needs].name.lower()


def test_event_types_filters_and_limits_are_documented() -> None:
    """Every type and field of our own, every operator, every limit."""
    for own in OWN_TYPES:
        assert f"`{own.name}`" in EVENTS
        for field in own.fields:
            assert f"`{field.name}`" in EVENTS, field.name
    for operator in OPERANDS:
        assert f"`{operator.name}`" in EVENTS
    for limit in (MAX_SELECT_CLAUSES, MAX_WHERE_ELEMENTS, MAX_OPERANDS, MAX_QUEUED_EVENTS):
        assert re.search(rf"\b{limit} ", EVENTS)
    severities = ", ".join(f"{one.value} {SEVERITY_OF[one]}" for one in Priority)
    assert f"by priority: {severities}" in EVENTS
    assert f"{LONGEST_TEXT} characters" in OPERATIONS
    assert f"more than {MAX_CALLS} calls" in OPERATIONS
