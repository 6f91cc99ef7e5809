"""What a subscriber wants of which events: checking and applying an EventFilter. Pure.

Source: OPC 10000-4, 7.22.3 (EventFilter) and 7.7 (ContentFilter), from memory. Operators: those
in `OPERANDS`; the others are refused with BadFilterOperatorUnsupported. Logic has three values:
what is not part of an event is null, a comparison with null is null, and an event is sent when
the filter is true, not when it is null.

A faulty where clause refuses the filter. A faulty select clause is told in the result, and its
field is null in every event; a filter without one sound select clause is refused.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from asyncua import ua
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.object_ids import ObjectIds
from asyncua.ua.status_codes import StatusCodes

from edgeflash.outlets.opcua_event import Event, Path, name, nothing, path_of
from edgeflash.outlets.opcua_filter_values import (
    Truth,
    both,
    either,
    equal,
    ordered,
    truth_of,
    value_of,
)

MAX_SELECT_CLAUSES = 256
MAX_WHERE_ELEMENTS = 64
MAX_OPERANDS = 512
"""Operands of all elements together: a client may list every event type it knows. Every event is
judged by them, on the loop that serves everyone: some 2 µs each (measured)."""

BASE_EVENT_TYPE = ua.NodeId(ua.Int32(ObjectIds.BaseEventType))
_EVENT_TYPE = name("EventType")
_OP = ua.FilterOperator

OPERANDS: dict[ua.FilterOperator, tuple[int, int]] = {
    _OP.Equals: (2, 2),
    _OP.IsNull: (1, 1),
    _OP.GreaterThan: (2, 2),
    _OP.LessThan: (2, 2),
    _OP.GreaterThanOrEqual: (2, 2),
    _OP.LessThanOrEqual: (2, 2),
    _OP.Not: (1, 1),
    _OP.Between: (3, 3),
    _OP.InList: (2, MAX_OPERANDS),
    _OP.And: (2, 2),
    _OP.Or: (2, 2),
    _OP.OfType: (1, 1),
}
"""The operators, with the fewest and the most operands of each (OPC 10000-4, table of 7.7.3)."""


class EventTypes(Protocol):
    """What is known of event types."""

    def is_a(self, type_id: ua.NodeId, base: ua.NodeId) -> bool:
        """True when it is that event type or a subtype of it; False for what is no event type."""

    def has_field(self, type_id: ua.NodeId, path: Path) -> bool:
        """True when the type, or for BaseEventType any event type, has such a field."""


@dataclass(frozen=True, slots=True)
class Checked:
    """A client's filter as taken. status: why the whole filter is refused, or Good."""

    status: int
    result: ua.EventFilterResult
    fields: tuple[_Field | None, ...] = ()
    where: tuple[ua.ContentFilterElement, ...] = ()


@dataclass(frozen=True, slots=True)
class _Field:
    """What one select clause takes. path: empty for the condition's NodeId."""

    type_id: ua.NodeId
    path: Path


def check(asked: ua.EventFilter, types: EventTypes) -> Checked:
    """The filter as taken, with the result for the client."""
    selects, elements = asked.SelectClauses or [], asked.WhereClause.Elements or []
    result = ua.EventFilterResult()
    operands = sum(len(one.FilterOperands or ()) for one in elements)
    if (
        len(selects) > MAX_SELECT_CLAUSES
        or len(elements) > MAX_WHERE_ELEMENTS
        or operands > MAX_OPERANDS
    ):
        return Checked(StatusCodes.BadEventFilterInvalid, result)
    select_codes = [_select_status(clause, types) for clause in selects]
    result.SelectClauseResults = [_status(code) for code in select_codes]
    where = [_element_result(place, elements, types) for place in range(len(elements))]
    result.WhereClauseResult.ElementResults = where
    if any(one.StatusCode.value for one in where) or 0 not in select_codes:
        return Checked(StatusCodes.BadEventFilterInvalid, result)
    fields = tuple(
        None if code else _Field(clause.TypeDefinitionId, path_of(clause.BrowsePath or []))
        for clause, code in zip(selects, select_codes, strict=True)
    )
    return Checked(StatusCodes.Good, result, fields, tuple(elements))


def selected(checked: Checked, event: Event, types: EventTypes) -> list[ua.Variant]:
    """The event's values in the order of the select clauses; null where it has none."""
    return [_selected(field, event, types) for field in checked.fields]


def _selected(field: _Field | None, event: Event, types: EventTypes) -> ua.Variant:
    if field is None or not _fits(field.type_id, event, types):
        return nothing()
    if not field.path:
        return _condition_id(event)
    return event.fields.get(field.path, nothing())


def _fits(type_id: ua.NodeId, event: Event, types: EventTypes) -> bool:
    """BaseEventType takes a path of whatever type (OPC 10000-4, 7.4.4.5, from memory)."""
    return type_id == BASE_EVENT_TYPE or types.is_a(event.type_id, type_id)


def _condition_id(event: Event) -> ua.Variant:
    if event.condition_id is None:
        return nothing()
    return ua.Variant(event.condition_id, ua.VariantType.NodeId)


def passes(checked: Checked, event: Event, types: EventTypes) -> bool:
    """True when the where clause is true of the event."""
    if not checked.where:
        return True
    found: list[Truth] = [None] * len(checked.where)
    # An element refers only to later ones: from the end, each is evaluated exactly once.
    for place in reversed(range(len(checked.where))):
        element = checked.where[place]
        values = [_operand(one, found, event, types) for one in element.FilterOperands]
        if element.FilterOperator is _OP.OfType:
            found[place] = types.is_a(event.type_id, values[0])
        else:
            found[place] = _EVALUATE[element.FilterOperator](values)
    return found[0] is True


def _operand(operand: Any, found: Sequence[Truth], event: Event, types: EventTypes) -> Any:
    if isinstance(operand, ua.ElementOperand):
        return found[operand.Index]
    if isinstance(operand, ua.LiteralOperand):
        return value_of(operand.Value)
    path = path_of(operand.BrowsePath or [])
    return value_of(_selected(_Field(operand.TypeDefinitionId, path), event, types))


_EVALUATE: dict[ua.FilterOperator, Callable[[list[Any]], Truth]] = {
    _OP.Equals: lambda v: equal(v[0], v[1]),
    _OP.IsNull: lambda v: v[0] is None,
    _OP.GreaterThan: lambda v: ordered(v[0], v[1], lambda sign: sign > 0),
    _OP.LessThan: lambda v: ordered(v[0], v[1], lambda sign: sign < 0),
    _OP.GreaterThanOrEqual: lambda v: ordered(v[0], v[1], lambda sign: sign >= 0),
    _OP.LessThanOrEqual: lambda v: ordered(v[0], v[1], lambda sign: sign <= 0),
    _OP.Not: lambda v: None if truth_of(v[0]) is None else not truth_of(v[0]),
    _OP.Between: lambda v: both(
        ordered(v[0], v[1], lambda sign: sign >= 0), ordered(v[0], v[2], lambda sign: sign <= 0)
    ),
    _OP.InList: lambda v: either(*(equal(v[0], one) for one in v[1:])),
    _OP.And: lambda v: both(truth_of(v[0]), truth_of(v[1])),
    _OP.Or: lambda v: either(truth_of(v[0]), truth_of(v[1])),
}


def _select_status(clause: ua.SimpleAttributeOperand, types: EventTypes) -> int:
    """The status of one select clause, or of an operand that names a field."""
    if not types.is_a(clause.TypeDefinitionId, BASE_EVENT_TYPE):
        return StatusCodes.BadTypeDefinitionInvalid
    names = clause.BrowsePath or []
    if clause.IndexRange:
        return StatusCodes.BadIndexRangeInvalid
    if not names:
        is_id = clause.AttributeId == AttributeIds.NodeId
        return StatusCodes.Good if is_id else StatusCodes.BadAttributeIdInvalid
    if clause.AttributeId != AttributeIds.Value:
        return StatusCodes.BadAttributeIdInvalid
    if any(not one.Name for one in names):
        return StatusCodes.BadBrowseNameInvalid
    if not types.has_field(clause.TypeDefinitionId, path_of(names)):
        return StatusCodes.BadNodeIdUnknown
    return StatusCodes.Good


def _element_result(
    place: int, elements: Sequence[ua.ContentFilterElement], types: EventTypes
) -> ua.ContentFilterElementResult:
    element, result = elements[place], ua.ContentFilterElementResult()
    limits = OPERANDS.get(element.FilterOperator)
    operands = element.FilterOperands or []
    if limits is None:
        result.StatusCode = _status(StatusCodes.BadFilterOperatorUnsupported)
    elif not limits[0] <= len(operands) <= limits[1]:
        result.StatusCode = _status(StatusCodes.BadFilterOperandCountMismatch)
    else:
        codes = [_operand_status(one, place, len(elements), types) for one in operands]
        if element.FilterOperator is _OP.OfType and not codes[0]:
            codes = [_type_status(operands[0], types)]
        result.OperandStatusCodes = [_status(code) for code in codes]
        if any(codes):
            result.StatusCode = _status(StatusCodes.BadFilterOperandInvalid)
    return result


def _operand_status(operand: Any, place: int, count: int, types: EventTypes) -> int:
    if isinstance(operand, ua.ElementOperand):
        # Only later elements, so that no circle can be made.
        is_later = place < operand.Index < count
        return StatusCodes.Good if is_later else StatusCodes.BadFilterOperandInvalid
    if isinstance(operand, ua.LiteralOperand):
        is_value = operand.Value is not None and not operand.Value.is_array
        return StatusCodes.Good if is_value else StatusCodes.BadFilterLiteralInvalid
    if isinstance(operand, ua.SimpleAttributeOperand):
        return _select_status(operand, types)
    return StatusCodes.BadFilterOperandInvalid


def _type_status(operand: Any, types: EventTypes) -> int:
    """The status of what OfType asks for: the NodeId of an event type."""
    if not isinstance(operand, ua.LiteralOperand):
        return StatusCodes.BadFilterOperandInvalid
    value = value_of(operand.Value)
    if isinstance(value, ua.NodeId) and types.is_a(value, BASE_EVENT_TYPE):
        return StatusCodes.Good
    return StatusCodes.BadTypeDefinitionInvalid


def _status(code: int) -> ua.StatusCode:
    return ua.StatusCode(ua.UInt32(code))
