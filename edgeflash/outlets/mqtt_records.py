"""What an MQTT outlet says of each judged cycle and each event, in plain JSON. Pure.

Later versions only add members; what is taken away or means something else gets another `schema`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from edgeflash.alarms.catalogue import BY_NAME
from edgeflash.model import AlarmState, EventEntry, EventKind, Finding, Result
from edgeflash.outlets.history_rows import HISTORIC, PUBLISHED, quality_of_cycle
from edgeflash.outlets.mqtt_members import (
    COUNT,
    FLAG,
    MOMENT,
    NAME,
    REAL,
    TEXT,
    WHOLE,
    Member,
    Schema,
    const,
    finite,
    moment,
    or_null,
    value_document,
)
from edgeflash.outlets.values import OutletUnits, Shown, carried
from edgeflash.points import Point, PointScalar
from edgeflash.trust import Quality, Trust

RESULT_POINTS = "result_points"
"""The definition of the points of a result in the JSON Schema."""


@dataclass(frozen=True, slots=True)
class ResultFacts:
    """What a result's message is made of. is_late: it waited for the broker."""

    site: str
    result: Result
    units: OutletUnits
    is_late: bool
    sent_at: datetime


@dataclass(frozen=True, slots=True)
class EventFacts:
    """What an event's message is made of. number: its place in the event record of the journal that
    was made at begun_at."""

    site: str
    entry: EventEntry
    number: int
    begun_at: datetime | None
    is_late: bool
    sent_at: datetime


_FINDING: Schema = {
    "type": "object",
    "properties": {
        "code": WHOLE,
        "rule": TEXT,
        "severity": {"enum": ["note", "doubt", "reject"]},
        "sentence": TEXT,
        "measured": or_null(REAL),
        "limit": or_null(REAL),
        "unit": TEXT,
    },
    "required": ["code", "rule", "severity", "sentence", "measured", "limit", "unit"],
}
_INPUT: Schema = {
    "type": "object",
    "properties": {
        "name": TEXT,
        "value": or_null(REAL),
        "is_good": FLAG,
        "age_s": or_null(REAL),
    },
    "required": ["name", "value", "is_good", "age_s"],
}
_ALARM: Schema = {
    "type": "object",
    "properties": {
        "name": NAME,
        "title": NAME,
        "priority": {"enum": ["high", "medium", "low"]},
        "state": or_null({"enum": [state.value for state in AlarmState]}),
    },
    "required": ["name", "title", "priority", "state"],
}
RESULT: tuple[Member[ResultFacts], ...] = (
    Member(
        "schema",
        "What this document is.",
        const("edgeflash.result.1"),
        lambda f: "edgeflash.result.1",
    ),
    Member(
        "id",
        "analyzer/epoch/cycle_number: names the cycle for ever. A message with an id that came "
        "before is a repeat: drop it.",
        NAME,
        lambda f: f.result.id,
    ),
    Member(
        "is_late",
        "It waited for the broker, or in the analyzer's own memory: history, not news.",
        FLAG,
        lambda f: f.is_late,
    ),
    Member("sent_at", "When this message was made.", MOMENT, lambda f: moment(f.sent_at)),
    Member("site", "The site's name.", NAME, lambda f: f.site),
    Member("analyzer", "The analyzer's id.", TEXT, lambda f: f.result.cycle.analyzer),
    Member(
        "epoch",
        "How often the analyzer's counter began again.",
        COUNT,
        lambda f: f.result.cycle.epoch,
    ),
    Member(
        "cycle_number",
        "The analyzer's number of the cycle.",
        WHOLE,
        lambda f: f.result.cycle.cycle_number,
    ),
    Member(
        "finished_at",
        "When the analyzer made it.",
        MOMENT,
        lambda f: moment(f.result.cycle.finished_at),
    ),
    Member(
        "is_time_known",
        "False: finished_at is only the earliest it can have been, or a guess.",
        FLAG,
        lambda f: f.result.cycle.is_time_known,
    ),
    Member(
        "sampled_at",
        "When its sample passed the tap.",
        MOMENT,
        lambda f: moment(f.result.sampled_at),
    ),
    Member(
        "judged_at", "When the gateway judged it.", MOMENT, lambda f: moment(f.result.judged_at)
    ),
    Member(
        "verdict",
        "The worst of the findings.",
        {"enum": ["accepted", "doubtful", "rejected"]},
        lambda f: f.result.verdict.value,
    ),
    Member(
        "reasons",
        "Names of the rules that doubt or reject, the worst first.",
        {"type": "array", "items": TEXT},
        lambda f: list(f.result.reasons),
    ),
    Member(
        "findings",
        "What the rules say, in sentences; measured and limit are in the finding's own unit.",
        {"type": "array", "items": _FINDING},
        lambda f: [_finding(finding) for finding in f.result.findings],
    ),
    Member(
        "low_flash",
        "The evidence of this cycle is compatible with a flash point that is too low, whatever the "
        "verdict.",
        FLAG,
        lambda f: f.result.low_flash,
    ),
    Member(
        "points",
        "The cycle's own figures, by the title of their point.",
        {"$ref": f"#/$defs/{RESULT_POINTS}"},
        lambda f: {p.title: _of_cycle(p, f.result, f.units) for p in HISTORIC},
    ),
    Member("product", "The product it was judged as.", TEXT, lambda f: f.result.product),
    Member(
        "basis",
        "Which flash temperature was corrected: the reported or the recomputed one.",
        or_null(TEXT),
        lambda f: f.result.computed.basis,
    ),
    Member(
        "source",
        "live, or ring: fetched later from the analyzer's memory.",
        {"enum": ["live", "ring"]},
        lambda f: f.result.cycle.source.value,
    ),
    Member(
        "continuity",
        "How the number follows the one before.",
        {"enum": ["first", "next", "wrap", "skip", "reset", "repeat"]},
        lambda f: f.result.cycle.continuity.value,
    ),
    Member("missed", "Cycles missed before this one.", WHOLE, lambda f: f.result.cycle.missed),
    Member(
        "is_torn", "The analyzer moved on while it was read.", FLAG, lambda f: f.result.cycle.torn
    ),
    Member(
        "declared",
        "What people had declared of its time: maintenance, a check sample.",
        {"type": "array", "items": TEXT},
        lambda f: [d.value for d in f.result.cycle.declared],
    ),
    Member(
        "inputs",
        "The control system's values as they stood, in inside units (°C, fractions).",
        {"type": "array", "items": _INPUT},
        lambda f: [
            {
                "name": i.name,
                "value": finite(i.value),
                "is_good": i.is_good,
                "age_s": finite(i.age_s),
            }
            for i in f.result.inputs
        ],
    ),
    Member("rules_version", "The rules that judged it.", TEXT, lambda f: f.result.rules_version),
)

EVENT: tuple[Member[EventFacts], ...] = (
    Member(
        "schema",
        "What this document is.",
        const("edgeflash.event.1"),
        lambda f: "edgeflash.event.1",
    ),
    Member(
        "id",
        "Names the event for ever. A message with an id that came before is a repeat: drop it.",
        NAME,
        lambda f: event_id(f.begun_at, f.number),
    ),
    Member("is_late", "It waited for the broker: history, not news.", FLAG, lambda f: f.is_late),
    Member("sent_at", "When this message was made.", MOMENT, lambda f: moment(f.sent_at)),
    Member("site", "The site's name.", NAME, lambda f: f.site),
    Member(
        "analyzer",
        "The analyzer's id; null: it is about the gateway.",
        or_null(NAME),
        lambda f: f.entry.analyzer or None,
    ),
    Member("at", "When it happened.", MOMENT, lambda f: moment(f.entry.at)),
    Member(
        "kind",
        "What happened.",
        {"enum": [kind.value for kind in EventKind]},
        lambda f: f.entry.kind.value,
    ),
    Member("who", "Who did it; empty: the gateway.", TEXT, lambda f: f.entry.who),
    Member("via", "By which way; empty: the gateway by itself.", TEXT, lambda f: f.entry.via),
    Member(
        "subject",
        "The alarm, point, input, user or certificate it is about.",
        TEXT,
        lambda f: f.entry.subject,
    ),
    Member("text", "What is to be said of it.", TEXT, lambda f: f.entry.text),
    Member(
        "until",
        "When it ends by itself; null: it does not.",
        or_null(MOMENT),
        lambda f: None if f.entry.until is None else moment(f.entry.until),
    ),
    Member(
        "alarm",
        "Of a change of an alarm: which one, and the state it came into if known; else null.",
        or_null(_ALARM),
        lambda f: _alarm(f.entry),
    ),
)


def event_id(begun_at: datetime | None, number: int) -> str:
    """The id of a line of the event record: numbers begin again in a new journal."""
    return f"{'' if begun_at is None else moment(begun_at)}/{number}"


def _of_cycle(point: Point, result: Result, units: OutletUnits) -> dict[str, Any]:
    """A cycle's own figure, as it is in the history of its point."""
    get = point.of_result
    inside = result.published_c if point.name == PUBLISHED else get(result) if get else None
    quality = quality_of_cycle(point, result.verdict, result.reasons)
    value: PointScalar = None
    if quality.trust is not Trust.BAD:
        if inside is None:
            quality = Quality.NO_DATA
        else:
            value = carried(point, inside, units.of(point))
            quality = Quality.BAD if value is None else quality
    return value_document(point, Shown(value, quality, result.sampled_at, False), units)


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "code": finding.code,
        "rule": finding.rule,
        "severity": finding.severity.value,
        "sentence": finding.sentence,
        "measured": finite(finding.measured),
        "limit": finite(finding.limit),
        "unit": finding.unit,
    }


def _alarm(entry: EventEntry) -> dict[str, Any] | None:
    """Which alarm, and its new state, with which the text of a change begins."""
    declared = BY_NAME.get(entry.subject)
    if declared is None or entry.kind not in (EventKind.ALARM, EventKind.ACKNOWLEDGED):
        return None
    word = entry.text.partition(";")[0].partition(":")[0]
    is_told = entry.kind is EventKind.ALARM and word in {s.value for s in AlarmState}
    return {
        "name": declared.name,
        "title": declared.title,
        "priority": declared.priority.value,
        "state": word if is_told else None,
    }
