"""Which events follow from two looks at an analyzer. Figures are invented; 62.5 °C is 144.5 °F."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import count

import pytest
from asyncua import ua
from asyncua.ua.ua_binary import variant_to_binary

from edgeflash.model import Verdict
from edgeflash.outlets.opcua_cycle_events import news_of
from edgeflash.outlets.opcua_event import Event, name
from edgeflash.outlets.opcua_event_model import OWN_TYPES
from edgeflash.outlets.opcua_event_types import own_type_id
from edgeflash.publication import LinkState, Standing
from edgeflash.units import UNITS
from tests.unit.outlets.builders import START, result, standing_of

SOURCE = ua.NodeId("fp-101", 2)
TYPES = 3


def ids() -> Iterator[bytes]:
    """Event ids."""
    return (bytes([one]) for one in count())


def news(before: Standing | None, now: Standing) -> list[Event]:
    """The events, in °F."""
    fresh = ids()
    return news_of(
        before,
        now,
        at=START,
        source=SOURCE,
        types_index=TYPES,
        unit=UNITS["degF"],
        new_id=lambda: next(fresh),
    )


def own(event: Event, field: str) -> object:
    """The value of a field of our own."""
    return event.fields[name(field, index=TYPES)].Value


def test_the_first_look_tells_nothing() -> None:
    """What was judged before the start is no news."""
    assert news(None, standing_of(result())) == []


@pytest.mark.parametrize(
    ("verdict", "severity", "value"),
    [
        (Verdict.ACCEPTED, 100, 144.5),
        (Verdict.DOUBTFUL, 200, 144.5),
        (Verdict.REJECTED, 500, None),
    ],
)
def test_a_judged_cycle(verdict: Verdict, severity: int, value: float | None) -> None:
    """Verdict, reason and values; a rejected cycle has no value to be used."""
    judged = result(cycle_number=18, verdict=verdict)
    (event,) = news(standing_of(result()), standing_of(result(), judged))
    assert event.type_id == own_type_id("CycleEventType", TYPES)
    assert event.fields[name("Severity")].Value == severity
    assert event.fields[name("SourceNode")].Value == SOURCE
    assert event.notifiers == {SOURCE}
    assert own(event, "CycleNumber") == 18
    assert own(event, "Verdict") == verdict.value
    assert own(event, "FlashPoint") == (None if value is None else pytest.approx(value))
    assert own(event, "TemperatureUnit") == "°F"
    assert own(event, "ReasonCode") == (0 if verdict is Verdict.ACCEPTED else 4203)


def test_evidence_of_a_low_flash_point_is_told_even_from_a_rejected_cycle() -> None:
    """By an event of its own, as severe as the alarm."""
    judged = replace(result(cycle_number=18, verdict=Verdict.REJECTED), low_flash=True)
    plain, low = news(standing_of(result()), standing_of(result(), judged))
    assert plain.fields[name("Severity")].Value == 500
    assert low.type_id == own_type_id("LowFlashEventType", TYPES)
    assert low.fields[name("Severity")].Value == 800
    assert plain.event_id != low.event_id


def test_the_same_cycle_again_is_no_news() -> None:
    """Nor is another live value."""
    standing = standing_of(result())
    assert news(standing, replace(standing, live={})) == []


@pytest.mark.parametrize(
    ("before", "now", "states"),
    [
        (LinkState.UP, LinkState.DOWN, ["down"]),
        (LinkState.DOWN, LinkState.CONNECTING, []),
        (LinkState.CONNECTING, LinkState.UP, ["up"]),
        (LinkState.UP, LinkState.MISCONFIGURED, ["misconfigured"]),
    ],
)
def test_a_link_lost_and_returned(before: LinkState, now: LinkState, states: list[str]) -> None:
    """Only what can be read or can no longer be: tries in between are no news."""
    found = news(standing_of(link=before), standing_of(link=now))
    assert [own(event, "LinkState") for event in found] == states


def test_an_event_has_just_the_fields_its_type_declares() -> None:
    """And each value is of the declared type, or null."""
    judged = replace(result(cycle_number=18), low_flash=True)
    events = news(standing_of(result(), link=LinkState.DOWN), standing_of(judged))
    declared = {own_type_id(one.name, TYPES): one for one in OWN_TYPES}
    assert len(events) == 3
    for event in events:
        fields = {}
        kind = declared.get(event.type_id)
        while kind is not None:
            fields |= {one.name: one.data_type for one in kind.fields}
            kind = declared.get(own_type_id(kind.parent, TYPES))
        shown = {path[0][1]: one for path, one in event.fields.items() if path[0][0] == TYPES}
        assert set(shown) == set(fields)
        for field, variant in shown.items():
            assert variant.VariantType.name in (fields[field], "Null"), field


@pytest.mark.parametrize("number", [-1, 2**32])
def test_a_number_that_no_field_can_carry_is_none(number: int) -> None:
    """An analyzer's 64-bit counter. The field is a UInt32 (OPC 10000-6, 5.1.2); one that cannot be
    encoded would cost every subscriber the whole message."""
    judged = result(cycle_number=number)
    (event,) = news(standing_of(result()), standing_of(result(), judged))
    assert own(event, "CycleNumber") is None
    for value in event.fields.values():
        variant_to_binary(value)
