"""Event filters: what is refused with which code, and which events pass.

Source of codes and truth tables: OPC 10000-4, 7.7.3 and 7.22.3 (from memory). In SQL, whose logic
the standard borrows, the same tables hold: the tests of And, Or and Not are run against SQLite too.
"""

from __future__ import annotations

import itertools
import sqlite3
from datetime import UTC, datetime
from typing import Any

import pytest
from asyncua import ua
from asyncua.ua.object_ids import ObjectIds
from asyncua.ua.status_codes import StatusCodes
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.outlets.opcua_event import Event, Path, base_fields, name
from edgeflash.outlets.opcua_event_filter import (
    MAX_OPERANDS,
    MAX_SELECT_CLAUSES,
    MAX_WHERE_ELEMENTS,
    OPERANDS,
    check,
    passes,
    selected,
)
from edgeflash.outlets.opcua_filter_values import both, either, equal, ordered

BASE, SYSTEM, CONDITION, ALARM = (
    ua.NodeId(number)
    for number in (
        ObjectIds.BaseEventType,
        ObjectIds.SystemEventType,
        ObjectIds.ConditionType,
        ObjectIds.AlarmConditionType,
    )
)
AT = datetime(2031, 4, 5, 6, 7, 8, tzinfo=UTC)
SOURCE = ua.NodeId("fp-101", 2)
OP = ua.FilterOperator


class Types:
    """Four of the standard's event types (OPC 10000-5 and 10000-9), with a few of their fields."""

    def __init__(self) -> None:
        self.parents = {BASE: None, SYSTEM: BASE, CONDITION: BASE, ALARM: CONDITION}
        self.fields: dict[ua.NodeId, set[Path]] = {
            BASE: {name(one) for one in ("EventId", "EventType", "Severity", "Message", "Time")},
            SYSTEM: set(),
            CONDITION: {name("Retain"), name("Comment")},
            ALARM: {name("ActiveState"), name("ActiveState", "Id")},
        }

    def is_a(self, type_id: ua.NodeId, base: ua.NodeId) -> bool:
        """By the table of parents."""
        one: ua.NodeId | None = type_id if type_id in self.parents else None
        while one is not None and one != base:
            one = self.parents[one]
        return one is not None

    def has_field(self, type_id: ua.NodeId, path: Path) -> bool:
        """By the table of fields."""
        if type_id == BASE:
            return any(path in own for own in self.fields.values())
        return any(path in own for one, own in self.fields.items() if self.is_a(type_id, one))


TYPES = Types()


def event(type_id: ua.NodeId = ALARM, severity: int = 500, **more: ua.Variant) -> Event:
    """An event of the analyzer."""
    fields = base_fields(
        event_id=b"1",
        type_id=type_id,
        source=SOURCE,
        source_name="fp-101",
        at=AT,
        received_at=AT,
        message="too low",
        severity=severity,
    )
    fields |= {name(*key.split("__")): value for key, value in more.items()}
    return Event(type_id, fields, condition_id=ua.NodeId("fp-101.condition.x", 2))


def field(*names: str, of: ua.NodeId = BASE, **more: Any) -> ua.SimpleAttributeOperand:
    """An operand that names a field."""
    one = ua.SimpleAttributeOperand()
    one.TypeDefinitionId = of
    one.BrowsePath = [ua.QualifiedName(part, 0) for part in names]
    one.AttributeId = more.get("attribute", ua.AttributeIds.Value)
    one.IndexRange = more.get("index_range")
    return one


def literal(value: Any, kind: ua.VariantType | None = None) -> ua.LiteralOperand:
    """An operand that is a value."""
    return ua.LiteralOperand(Value=ua.Variant(value, kind))


def element(operator: ua.FilterOperator, *operands: Any) -> ua.ContentFilterElement:
    """One element of a where clause."""
    one = ua.ContentFilterElement()
    one.FilterOperator = operator
    one.FilterOperands = list(operands)
    return one


def at(index: int) -> ua.ElementOperand:
    """An operand that is another element."""
    return ua.ElementOperand(Index=index)


def filter_of(*where: ua.ContentFilterElement, select: Any = None) -> ua.EventFilter:
    """A filter with these elements."""
    one = ua.EventFilter()
    one.SelectClauses = [field("EventId")] if select is None else list(select)
    one.WhereClause.Elements = list(where)
    return one


def sends(*where: ua.ContentFilterElement, of: Event | None = None) -> bool:
    """Whether the event passes; the filter must be sound."""
    checked = check(filter_of(*where), TYPES)
    assert checked.status == StatusCodes.Good
    return passes(checked, of or event(), TYPES)


def test_values_come_in_the_order_of_the_clauses() -> None:
    """A field, one of another type's events, a state's part, and the ConditionId."""
    clauses = [
        field("Severity"),
        field("Retain", of=CONDITION),
        field("ActiveState", "Id"),
        field(of=CONDITION, attribute=ua.AttributeIds.NodeId),
    ]
    checked = check(filter_of(select=clauses), TYPES)
    alarm = event(Retain=ua.Variant(True), ActiveState__Id=ua.Variant(False))
    assert [one.Value for one in selected(checked, alarm, TYPES)] == [
        500,
        True,
        False,
        ua.NodeId("fp-101.condition.x", 2),
    ]
    assert [one.Value for one in selected(checked, event(SYSTEM), TYPES)] == [500] + 3 * [None]


@pytest.mark.parametrize(
    ("clause", "code"),
    [
        (field("Nonsense"), StatusCodes.BadNodeIdUnknown),
        (field("ActiveState", "Id", of=CONDITION), StatusCodes.BadNodeIdUnknown),
        (field("Severity", of=ua.NodeId(ObjectIds.Server)), StatusCodes.BadTypeDefinitionInvalid),
        (
            field("Severity", attribute=ua.AttributeIds.DisplayName),
            StatusCodes.BadAttributeIdInvalid,
        ),
        (field(), StatusCodes.BadAttributeIdInvalid),
        (field("Severity", index_range="0:1"), StatusCodes.BadIndexRangeInvalid),
        (field(""), StatusCodes.BadBrowseNameInvalid),
    ],
)
def test_a_faulty_select_clause_is_told_and_gives_null(clause: Any, code: int) -> None:
    """The sound clauses go on; a filter of faulty ones alone is refused."""
    checked = check(filter_of(select=[clause, field("Severity")]), TYPES)
    assert checked.status == StatusCodes.Good
    assert [one.value for one in checked.result.SelectClauseResults] == [code, 0]
    assert [one.Value for one in selected(checked, event(), TYPES)] == [None, 500]
    assert check(filter_of(select=[clause]), TYPES).status == StatusCodes.BadEventFilterInvalid


def test_a_filter_that_selects_nothing_or_too_much_is_refused() -> None:
    """Every client's filter is evaluated for every event: it is bounded."""
    for select in ([], [field("Severity")] * (MAX_SELECT_CLAUSES + 1)):
        assert check(filter_of(select=select), TYPES).status == StatusCodes.BadEventFilterInvalid
    true = element(OP.Equals, literal(1), literal(1))
    many = check(filter_of(*[true] * (MAX_WHERE_ELEMENTS + 1)), TYPES)
    assert many.status == StatusCodes.BadEventFilterInvalid


@pytest.mark.parametrize(
    ("faulty", "code", "operand_codes"),
    [
        (element(OP.Like, literal("a"), literal("%")), "BadFilterOperatorUnsupported", []),
        (element(OP.InView, literal(1)), "BadFilterOperatorUnsupported", []),
        (element(OP.Equals, literal(1)), "BadFilterOperandCountMismatch", []),
        (element(OP.Not, at(0)), "BadFilterOperandInvalid", ["BadFilterOperandInvalid"]),
        (element(OP.Not, at(7)), "BadFilterOperandInvalid", ["BadFilterOperandInvalid"]),
        (
            element(OP.Equals, field("Nonsense"), literal(1)),
            "BadFilterOperandInvalid",
            ["BadNodeIdUnknown", "Good"],
        ),
        (
            element(OP.OfType, literal(ua.NodeId(ObjectIds.Server))),
            "BadFilterOperandInvalid",
            ["BadTypeDefinitionInvalid"],
        ),
        (
            element(OP.Equals, literal([1, 2]), literal(1)),
            "BadFilterOperandInvalid",
            ["BadFilterLiteralInvalid", "Good"],
        ),
        (
            element(OP.IsNull, ua.AttributeOperand()),
            "BadFilterOperandInvalid",
            ["BadFilterOperandInvalid"],
        ),
    ],
)
def test_a_faulty_where_clause_refuses_the_filter(
    faulty: ua.ContentFilterElement, code: str, operand_codes: list[str]
) -> None:
    """And the result says which element and which operand is wrong."""
    checked = check(filter_of(faulty), TYPES)
    assert checked.status == StatusCodes.BadEventFilterInvalid
    (told,) = checked.result.WhereClauseResult.ElementResults
    assert told.StatusCode.name == code
    assert [one.name for one in told.OperandStatusCodes] == operand_codes


def test_of_type_takes_subtypes_and_not_others() -> None:
    """An alarm is a condition, and no system event."""
    assert sends(element(OP.OfType, literal(CONDITION)))
    assert not sends(element(OP.OfType, literal(SYSTEM)))
    assert not sends(element(OP.OfType, literal(ALARM)), of=event(CONDITION))


@pytest.mark.parametrize(
    ("operator", "operands", "wanted"),
    [
        (OP.Equals, (500,), True),
        (OP.Equals, (501,), False),
        (OP.GreaterThan, (499,), True),
        (OP.GreaterThan, (500,), False),
        (OP.GreaterThanOrEqual, (500,), True),
        (OP.LessThan, (500,), False),
        (OP.LessThanOrEqual, (500.0,), True),
        (OP.Between, (400, 500), True),
        (OP.Between, (500, 600), True),
        (OP.Between, (501, 600), False),
        (OP.InList, (1, 500), True),
        (OP.InList, (1, 2), False),
    ],
)
def test_severity_is_compared(
    operator: ua.FilterOperator, operands: tuple[Any, ...], wanted: bool
) -> None:
    """Bounds belong to Between (OPC 10000-4: at least the second, at most the third operand)."""
    literals = [literal(one) for one in operands]
    assert sends(element(operator, field("Severity"), *literals)) is wanted


def test_null_is_no_answer() -> None:
    """What an event lacks is neither equal nor unequal; only IsNull sees it."""
    lacking = field("Retain", of=CONDITION)
    for operator in (OP.Equals, OP.GreaterThan, OP.LessThan):
        compared = element(operator, lacking, literal(True))
        assert not sends(compared)
        assert not sends(element(OP.Not, at(1)), compared)
    assert sends(element(OP.IsNull, lacking))
    assert not sends(element(OP.IsNull, lacking), of=event(Retain=ua.Variant(False)))


def test_texts_times_and_nodes_compare() -> None:
    """A LocalizedText by its text; a time without a zone is UTC."""
    assert sends(element(OP.Equals, field("Message"), literal("too low")))
    assert sends(element(OP.LessThanOrEqual, field("Time"), literal(AT.replace(tzinfo=None))))
    assert sends(element(OP.Equals, field("EventType"), literal(ALARM)))
    assert not sends(element(OP.Equals, field("Message"), literal(3)))
    assert not sends(element(OP.GreaterThan, field("Message"), literal(3)))


def test_a_doubling_filter_is_evaluated_once_each() -> None:
    """63 elements that each name the next twice: by recursion 2^62 steps."""
    doubled = [element(OP.And, at(one + 1), at(one + 1)) for one in range(MAX_WHERE_ELEMENTS - 1)]
    assert sends(*doubled, element(OP.OfType, literal(ALARM)))


TRUTHS = (True, False, None)


@pytest.mark.parametrize(("one", "other"), list(itertools.product(TRUTHS, TRUTHS)))
def test_logic_is_that_of_sql(one: bool | None, other: bool | None) -> None:
    """Against SQLite, which has the three-valued logic of the SQL standard."""
    with sqlite3.connect(":memory:") as database:
        (found,) = database.execute("SELECT ? AND ?", (one, other))
        assert both(one, other) == (None if found[0] is None else bool(found[0]))
        (found,) = database.execute("SELECT ? OR ?", (one, other))
        assert either(one, other) == (None if found[0] is None else bool(found[0]))


PLAIN = st.one_of(
    st.none(), st.booleans(), st.integers(-(2**40), 2**40), st.floats(), st.text(), st.binary()
)


@given(PLAIN, PLAIN)
def test_no_pair_of_values_breaks_a_comparison(one: Any, other: Any) -> None:
    """Greater, equal and less exclude each other, whatever a client compares."""
    greater = ordered(one, other, lambda sign: sign > 0)
    less = ordered(one, other, lambda sign: sign < 0)
    if one is None or other is None:
        assert (greater, less, equal(one, other)) == (None, None, None)
    else:
        assert [greater, less, equal(one, other)].count(True) <= 1


LITERALS = st.one_of(st.none(), st.booleans(), st.integers(0, 2**31), st.text(max_size=9))
ANY_OPERAND = st.one_of(
    LITERALS.map(literal),
    st.integers(0, 9).map(at),
    st.sampled_from(["Severity", "Retain", "Message", "Nonsense", ""]).map(field),
    st.just(literal(ALARM)),
)
ANY_ELEMENT = st.builds(
    lambda operator, operands: element(operator, *operands),
    st.sampled_from(list(OP)),
    st.lists(ANY_OPERAND, max_size=4),
)


@given(st.lists(ANY_ELEMENT, max_size=8))
def test_any_filter_is_refused_or_answers(elements: list[ua.ContentFilterElement]) -> None:
    """Never an exception; what is taken has only operators that are evaluated."""
    checked = check(filter_of(*elements), TYPES)
    if checked.status == StatusCodes.Good:
        assert all(one.FilterOperator in OPERANDS for one in elements)
        assert passes(checked, event(), TYPES) in (True, False)


def test_a_filter_that_would_be_slow_is_refused() -> None:
    """Its operands count together, not by element: every event is judged by all of them."""
    one = [field("Message"), *(literal(f"text {number}") for number in range(MAX_OPERANDS - 1))]
    assert check(filter_of(element(OP.InList, *one)), TYPES).status == StatusCodes.Good
    half = one[: MAX_OPERANDS // 2]
    fits, beyond = [element(OP.InList, *half)] * 2, [element(OP.InList, *half)] * 3
    assert check(filter_of(*fits), TYPES).status == StatusCodes.Good
    assert check(filter_of(*beyond), TYPES).status == StatusCodes.BadEventFilterInvalid
