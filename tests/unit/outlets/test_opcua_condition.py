"""An alarm's state as the fields of a condition.

Source of the meaning of the states: OPC 10000-9, 5.5 to 5.8 (from memory). Names and types of the
fields are held against the event classes that asyncua generates from the OPC Foundation's own
NodeSet of the standard.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from asyncua import ua
from asyncua.common.event_objects import AlarmCondition, NonExclusiveLevelAlarm
from asyncua.ua.object_ids import ObjectIds

from edgeflash.alarms.catalogue import ALARMS, BY_NAME
from edgeflash.model import AlarmNote, AlarmState
from edgeflash.outlets.opcua_condition import (
    INPUT_POINTS,
    MAINTENANCE_ALARMS,
    PROCESS_ALARMS,
    condition_fields,
    condition_of,
    type_name,
)
from edgeflash.outlets.opcua_event import SEVERITY_OF, base_fields, name
from edgeflash.points import CATALOGUE

AT = datetime(2031, 4, 5, 6, 7, 8, tzinfo=UTC)
UNTIL = AT + timedelta(minutes=3)
LOW = BY_NAME["below_limit"]
GOOD, UNCERTAIN, BAD = 0x00000000, 0x40900000, 0x809B0000


def value(fields: object, *names: str) -> object:
    """The value of a field."""
    assert isinstance(fields, dict)
    return fields[name(*names)].Value


@pytest.mark.parametrize(
    ("state", "active", "acked", "retain"),
    [
        (AlarmState.NORMAL, False, True, False),
        (AlarmState.ACTIVE, True, False, True),
        (AlarmState.ACKNOWLEDGED, True, True, True),
        (AlarmState.RETURNED, False, False, True),
    ],
)
def test_states(state: AlarmState, active: bool, acked: bool, retain: bool) -> None:
    """Every pair of active and acked is one state of the alarm; retained but for normal."""
    fields = condition_fields(
        condition_of(LOW, state, AlarmNote(AT, "too low"), limit=38.0), UNTIL, ua.NodeId("x", 2)
    )
    assert value(fields, "ActiveState", "Id") is active
    assert value(fields, "LowState", "Id") is active
    assert value(fields, "AckedState", "Id") is acked
    assert value(fields, "EnabledState", "Id") is True
    assert value(fields, "Retain") is retain
    assert value(fields, "ActiveState", "TransitionTime") == AT
    assert value(fields, "LowLimit") == 38.0
    assert value(fields, "BranchId") == ua.NodeId()
    assert name("ConfirmedState", "Id") not in fields


@pytest.mark.parametrize("alarm", ALARMS, ids=lambda alarm: str(alarm.name))
def test_fields_are_those_of_the_standard(alarm: object) -> None:
    """Each field exists in the standard's type, with the type of value that it declares."""
    assert alarm in ALARMS
    declared = next(one for one in ALARMS if one is alarm)
    kind = {"NonExclusiveLevelAlarmType": NonExclusiveLevelAlarm}.get(
        type_name(declared), AlarmCondition
    )
    known = kind().data_types
    fields = condition_fields(
        condition_of(declared, AlarmState.ACTIVE, AlarmNote(AT, "x"), limit=1.0), AT, ua.NodeId()
    )
    fields = dict(fields) | base_fields(
        event_id=b"1",
        type_id=ua.NodeId(getattr(ObjectIds, type_name(declared))),
        source=ua.NodeId("a", 2),
        source_name="a",
        at=AT,
        received_at=AT,
        message="x",
        severity=1,
    )
    # Aliases of built-in types that the classes name by their NodeId (OPC 10000-3, 8.38 and 8.13).
    aliases = {
        ua.NodeId(ObjectIds.UtcTime): ua.VariantType.DateTime,
        ua.NodeId(ObjectIds.Duration): ua.VariantType.Double,
        ua.NodeId(ObjectIds.TimeZoneDataType): ua.VariantType.ExtensionObject,
    }
    for path, shown in fields.items():
        wanted = known["/".join(part for _, part in path)]
        assert shown.VariantType == aliases.get(wanted, wanted), path


def test_message_says_what_a_person_needs() -> None:
    """Why it was raised; that its cause is gone and nobody noted it; that it is over."""
    note = AlarmNote(AT, "62.1 °C is below 63 °C")
    assert condition_of(LOW, AlarmState.ACTIVE, note).message == note.why
    assert note.why in condition_of(LOW, AlarmState.RETURNED, note).message
    assert "back to normal" in condition_of(LOW, AlarmState.NORMAL, AlarmNote(AT)).message
    assert condition_of(LOW, AlarmState.ACTIVE, None).message == LOW.meaning


def test_quality_is_that_of_the_evidence() -> None:
    """An alarm of the process is as good as the value; one about the gateway knows by itself."""
    assert condition_of(LOW, AlarmState.ACTIVE, None, BAD).quality == BAD
    assert condition_of(BY_NAME["unavailable"], AlarmState.ACTIVE, None, BAD).quality == GOOD


def test_what_is_news() -> None:
    """State, time, comment and worse evidence are; another cycle's limit or shade of it is not."""
    active = condition_of(LOW, AlarmState.ACTIVE, AlarmNote(AT, "x"), UNCERTAIN, 38.0)
    assert not replace(active, limit=55.0).differs_from(active)
    assert not replace(active, quality=0x408F0000).differs_from(active)
    assert replace(active, quality=BAD).differs_from(active)
    assert replace(active, since=UNTIL).differs_from(active)
    assert replace(active, by="someone").differs_from(active)
    normal = condition_of(LOW, AlarmState.NORMAL, AlarmNote(AT), GOOD)
    assert not replace(normal, quality=BAD).differs_from(normal)


def test_severities_lie_in_the_standards_classes() -> None:
    """OPC 10000-9 annex: low 1 to 333, medium 334 to 666, high 667 to 1000 (from memory)."""
    classes = {"low": (1, 333), "medium": (334, 666), "high": (667, 1000)}
    for priority, severity in SEVERITY_OF.items():
        least, most = classes[priority.value]
        assert least <= severity <= most


def test_tables_name_what_is_there() -> None:
    """Alarms and points that these tables name exist."""
    assert set(BY_NAME) >= PROCESS_ALARMS | MAINTENANCE_ALARMS | set(INPUT_POINTS)
    assert {point.name for point in CATALOGUE} >= set(INPUT_POINTS.values())
