"""Events that are no alarms: a judged cycle, a link lost or back. Pure.

The outlet is shown the newest view only. So a cycle that was caught up later, or that another
followed before the outlet could look, has no event; the history has them all.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime

from asyncua import ua

from edgeflash.alarms.catalogue import BY_NAME, Priority
from edgeflash.model import Result, Severity, Verdict
from edgeflash.outlets.opcua_event import (
    INFORMATION,
    SEVERITY_OF,
    Event,
    Path,
    base_fields,
    flag,
    moment,
    name,
    number,
    string,
    whole,
)
from edgeflash.outlets.opcua_event_model import CYCLE_EVENT, LINK_EVENT, LOW_FLASH_EVENT
from edgeflash.outlets.opcua_event_types import own_type_id
from edgeflash.publication import LinkState, Standing
from edgeflash.units import Unit

SEVERITY_OF_VERDICT: Mapping[Verdict, int] = {
    Verdict.ACCEPTED: INFORMATION,
    Verdict.DOUBTFUL: SEVERITY_OF[Priority.LOW],
    Verdict.REJECTED: SEVERITY_OF[Priority.MEDIUM],
}

_LARGEST_UINT16 = 2**16 - 1


def news_of(
    before: Standing | None,
    now: Standing,
    *,
    at: datetime,
    source: ua.NodeId,
    types_index: int,
    unit: Unit,
    new_id: Callable[[], bytes],
) -> list[Event]:
    """The events between two looks at an analyzer. before: None at the first, which tells nothing.

    source: the analyzer's node. types_index: of the types namespace. unit: the outlet's of
    temperatures. at: UTC.
    """
    if before is None:
        return []
    found = []
    if now.link is not before.link and LinkState.UP in (now.link, before.link):
        found.append(_link_event(now, at, source, types_index, new_id()))
    if now.latest is not None and (before.latest is None or before.latest.key != now.latest.key):
        kinds = (CYCLE_EVENT, LOW_FLASH_EVENT) if now.latest.low_flash else (CYCLE_EVENT,)
        for kind in kinds:
            type_id = own_type_id(kind, types_index)
            found.append(_cycle_event(now.latest, kind, type_id, at, source, unit, new_id()))
    return found


def _link_event(
    now: Standing, at: datetime, source: ua.NodeId, index: int, event_id: bytes
) -> Event:
    is_up = now.link is LinkState.UP
    state = now.link.name.lower()
    type_id = own_type_id(LINK_EVENT, index)
    fields = base_fields(
        event_id=event_id,
        type_id=type_id,
        source=source,
        source_name=now.analyzer,
        at=at,
        received_at=at,
        message="the analyzer can be read again" if is_up else f"the link is {state}",
        severity=INFORMATION if is_up else SEVERITY_OF[Priority.MEDIUM],
    )
    fields[name("LinkState", index=index)] = string(state)
    return Event(type_id, fields, frozenset({source}))


def _cycle_event(
    result: Result,
    kind: str,
    type_id: ua.NodeId,
    at: datetime,
    source: ua.NodeId,
    unit: Unit,
    event_id: bytes,
) -> Event:
    is_low = kind == LOW_FLASH_EVENT
    fields = base_fields(
        event_id=event_id,
        type_id=type_id,
        source=source,
        source_name=result.cycle.analyzer,
        at=result.judged_at,
        received_at=at,
        message=_low_message(result) if is_low else _message(result, unit),
        severity=SEVERITY_OF[BY_NAME["possible_low_flash"].priority]
        if is_low
        else SEVERITY_OF_VERDICT[result.verdict],
    )
    fields |= _values(result, unit, int(type_id.NamespaceIndex))
    return Event(type_id, fields, frozenset({source}))


def _values(result: Result, unit: Unit, index: int) -> dict[Path, ua.Variant]:
    worst = next((f for f in result.findings if f.severity is not Severity.NOTE), None)
    code = min(worst.code, _LARGEST_UINT16) if worst else 0

    def shown(value_c: float | None) -> ua.Variant:
        return number(None if value_c is None else unit.from_inside(value_c))

    values = {
        "ResultId": string(result.id),
        "CycleNumber": whole(result.cycle.cycle_number),
        "Epoch": whole(result.cycle.epoch),
        "Verdict": string(result.verdict.value),
        "ReasonCode": ua.Variant(code, ua.VariantType.UInt16),
        "ReasonText": string(worst.sentence if worst else ""),
        "FlashPoint": shown(result.published_c),
        "Reported": shown(result.computed.reported_c),
        "Recomputed": shown(result.computed.recomputed_c),
        "Corrected": shown(result.computed.corrected_c),
        "TemperatureUnit": string(unit.label),
        "LowFlash": flag(result.low_flash),
        "SampledAt": moment(result.sampled_at),
        "Product": string(result.product),
    }
    return {name(field, index=index): value for field, value in values.items()}


def _message(result: Result, unit: Unit) -> str:
    worst = next((f.sentence for f in result.findings if f.severity is not Severity.NOTE), "")
    number_text = f"cycle {result.cycle.cycle_number} {result.verdict.value}"
    if result.published_c is not None:
        number_text += f": {unit.from_inside(result.published_c):.1f} {unit.label}"
    return f"{number_text}; {worst}" if worst else number_text


def _low_message(result: Result) -> str:
    return (
        f"cycle {result.cycle.cycle_number} ({result.verdict.value}) gives evidence of a low flash "
        "point: treat the product as low until a laboratory result says otherwise"
    )
