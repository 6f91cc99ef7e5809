"""An alarm as a condition of OPC UA: its states and the fields of its events. Pure.

Source: OPC 10000-9 (from memory): 5.5 ConditionType, 5.7 AcknowledgeableConditionType, 5.8
AlarmConditionType, 5.8.20 NonExclusiveLevelAlarmType. There is no second confirmation and no
branch: BranchId is null. A condition is retained while somebody has to see it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from asyncua import ua
from asyncua.ua.object_ids import ObjectIds

from edgeflash.alarms.catalogue import Declaration
from edgeflash.model import AlarmNote, AlarmState
from edgeflash.outlets.opcua_event import (
    SEVERITY_OF,
    Path,
    flag,
    moment,
    name,
    node_id,
    number,
    string,
    text,
)

LIMIT_ALARM = "below_limit"
"""The alarm that compares a value with a limit, and is shown as a level alarm."""

PROCESS_ALARMS = frozenset({"possible_low_flash", "below_limit"})
MAINTENANCE_ALARMS = frozenset({"verification_overdue"})
"""Alarms about the process, and those that ask for maintenance; the rest is about the system."""

INPUT_POINTS: Mapping[str, str] = {
    "possible_low_flash": "possible_low_flash",
    "below_limit": "flash_point_c",
}
"""The point that an alarm is judged from, where it is one (InputNode)."""

_CLASSES = {
    True: ("ProcessConditionClassType", "Process"),
    False: ("SystemConditionClassType", "System"),
}


@dataclass(frozen=True, slots=True)
class Condition:
    """Where an alarm stands for a client. quality: StatusCode of what it is judged from.

    limit: the limit in force in the outlet's unit, for the limit alarm. since: when it came into
    this state, UTC. by, because: who wrote the last comment, and the comment.
    """

    alarm: Declaration
    state: AlarmState
    since: datetime | None
    why: str
    by: str = ""
    because: str = ""
    quality: int = 0
    limit: float | None = None

    @property
    def is_active(self) -> bool:
        """The alarm's own condition holds."""
        return self.state in (AlarmState.ACTIVE, AlarmState.ACKNOWLEDGED)

    @property
    def is_acked(self) -> bool:
        """Nobody has to take note of it."""
        return self.state in (AlarmState.ACKNOWLEDGED, AlarmState.NORMAL)

    @property
    def is_retained(self) -> bool:
        """Somebody has to see it: it is active, or nobody has taken note of it."""
        return self.is_active or not self.is_acked

    @property
    def message(self) -> str:
        """What a person reads."""
        match self.state:
            case AlarmState.NORMAL:
                return f"{self.alarm.name}: back to normal"
            case AlarmState.RETURNED:
                return f"{self.alarm.name}: its cause is gone, nobody has taken note. {self.why}"
        return self.why or self.alarm.meaning

    def differs_from(self, other: Condition) -> bool:
        """True when clients must be told by an event of its own.

        A change of quality counts between good, uncertain and bad only, and a change of limit not
        at all: they would send an event with every cycle.
        """
        mine = (self.state, self.since, self.by, self.because)
        theirs = (other.state, other.since, other.by, other.because)
        quality_moved = self.quality >> 30 != other.quality >> 30
        return mine != theirs or (self.is_retained and quality_moved)


def condition_of(
    alarm: Declaration,
    state: AlarmState,
    note: AlarmNote | None,
    quality: int = 0,
    limit: float | None = None,
) -> Condition:
    """The condition that shows an alarm. quality: StatusCode of the judged value."""
    known = note or AlarmNote()
    is_process = alarm.name in PROCESS_ALARMS
    return Condition(
        alarm,
        state,
        known.since,
        known.why,
        known.by,
        known.because,
        quality if is_process else 0,
        limit if alarm.name == LIMIT_ALARM else None,
    )


def type_name(alarm: Declaration) -> str:
    """The standard event type of an alarm's condition."""
    return "NonExclusiveLevelAlarmType" if alarm.name == LIMIT_ALARM else "AlarmConditionType"


def condition_identifier(analyzer: str, alarm: str) -> str:
    """The string identifier of a condition's node, for example `fp-101.condition.below_limit`."""
    return f"{analyzer}.condition.{alarm}"


def condition_fields(
    condition: Condition, changed_at: datetime, input_node: ua.NodeId
) -> Mapping[Path, ua.Variant]:
    """The fields that a condition adds to those of BaseEventType.

    changed_at: when it came into its state, UTC; used where the alarm's own time is not known.
    """
    since = condition.since or changed_at
    class_id, class_name = _class_of(condition.alarm)
    severity = ua.Variant(SEVERITY_OF[condition.alarm.priority], ua.VariantType.UInt16)
    fields = {
        name("ConditionClassId"): node_id(class_id),
        name("ConditionClassName"): text(class_name),
        name("ConditionName"): string(condition.alarm.name),
        name("BranchId"): node_id(ua.NodeId()),
        name("Retain"): flag(condition.is_retained),
        name("Quality"): ua.Variant(
            ua.StatusCode(ua.UInt32(condition.quality)), ua.VariantType.StatusCode
        ),
        name("Quality", "SourceTimestamp"): moment(changed_at),
        name("LastSeverity"): severity,
        name("LastSeverity", "SourceTimestamp"): moment(since),
        name("Comment"): text(condition.because),
        name("Comment", "SourceTimestamp"): moment(since),
        name("ClientUserId"): string(condition.by),
        name("InputNode"): node_id(input_node),
        name("SuppressedOrShelved"): flag(False),
        name("OnDelay"): number(condition.alarm.on_delay_s * 1000.0),
        name("OffDelay"): number(condition.alarm.off_delay_s * 1000.0),
    }
    _two_states(fields, "EnabledState", True, ("Enabled", "Disabled"))
    _two_states(fields, "AckedState", condition.is_acked, ("Acknowledged", "Unacknowledged"), since)
    _two_states(fields, "ActiveState", condition.is_active, ("Active", "Inactive"), since)
    if condition.alarm.name == LIMIT_ALARM:
        _two_states(fields, "LowState", condition.is_active, ("Low active", "Low inactive"), since)
        fields[name("LowLimit")] = number(condition.limit)
    return fields


def _two_states(
    fields: dict[Path, ua.Variant],
    variable: str,
    is_true: bool,
    texts: tuple[str, str],
    since: datetime | None = None,
) -> None:
    fields[name(variable)] = text(texts[0] if is_true else texts[1])
    fields[name(variable, "Id")] = flag(is_true)
    if since is not None:
        fields[name(variable, "TransitionTime")] = moment(since)


def _class_of(alarm: Declaration) -> tuple[ua.NodeId, str]:
    """The condition class: its type's NodeId and its name (OPC 10000-9, 5.9)."""
    if alarm.name in MAINTENANCE_ALARMS:
        class_type, class_name = "MaintenanceConditionClassType", "Maintenance"
    else:
        class_type, class_name = _CLASSES[alarm.name in PROCESS_ALARMS]
    return ua.NodeId(ua.Int32(getattr(ObjectIds, class_type))), class_name
