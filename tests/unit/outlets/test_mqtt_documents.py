"""What is published in plain JSON: value, unit, quality and time of everything, and its schema.

The schema is judged by the independent validator `jsonschema` (draft 2020-12).
"""

from __future__ import annotations

import importlib
import json
import os
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from hypothesis import Phase, given, settings

from edgeflash.model import AlarmState, EventEntry, EventKind, Result, Verdict
from edgeflash.outlets.mqtt_members import Member, document, moment
from edgeflash.outlets.mqtt_now import STATE, STATUS, StateFacts, StatusFacts
from edgeflash.outlets.mqtt_records import EVENT, RESULT, EventFacts, ResultFacts
from edgeflash.outlets.mqtt_schema import EVERY_UNIT, json_schema
from edgeflash.outlets.values import OutletUnits
from edgeflash.points import CATALOGUE
from edgeflash.publication import View
from tests.unit.journal.made import results as any_results
from tests.unit.outlets.builders import START, accepted_view, rejected_view, result

if os.environ.get("CI") == "true":
    jsonschema = importlib.import_module("jsonschema")
else:
    jsonschema = pytest.importorskip("jsonschema", reason="of the extra `dev`")

METRIC, IMPERIAL = OutletUnits("degC", "kPa"), OutletUnits("degF", "psi")


def validator(units: tuple[OutletUnits, ...] = EVERY_UNIT) -> Any:
    """The validator of our schema, which must itself be a right one."""
    schema = json_schema(units)
    jsonschema.Draft202012Validator.check_schema(schema)
    checker = jsonschema.Draft202012Validator.FORMAT_CHECKER
    return jsonschema.Draft202012Validator(schema, format_checker=checker)


VALIDATOR = validator()


def state(view: View, units: OutletUnits = METRIC) -> Any:
    """The state as a consumer reads it."""
    return json.loads(document(STATE, StateFacts("Invented Bend", view, units, 60.0)))


def result_told(one: Result, units: OutletUnits = METRIC, *, is_late: bool = False) -> Any:
    """The result as a consumer reads it."""
    facts = ResultFacts("Invented Bend", one, units, is_late, START)
    return json.loads(document(RESULT, facts))


def event_told(entry: EventEntry) -> Any:
    """The event as a consumer reads it."""
    return json.loads(document(EVENT, EventFacts("Invented Bend", entry, 7, START, False, START)))


def status_told() -> Any:
    """The status as a consumer reads it."""
    facts = StatusFacts("Invented Bend", "panel", True, START, START, "", ("fp-101",), 3, None)
    return json.loads(document(STATUS, facts))


ALARM = EventEntry(START, EventKind.ALARM, "fp-101", subject="below_limit", text="active: 37 °C")
DOCUMENTS = {
    "accepted": state(accepted_view()),
    "rejected, held": state(rejected_view()),
    "rejected, none": state(rejected_view(held=False)),
    "imperial": state(accepted_view(), IMPERIAL),
    "result": result_told(result()),
    "rejected result": result_told(result(verdict=Verdict.REJECTED)),
    "doubtful result": result_told(result(verdict=Verdict.DOUBTFUL), IMPERIAL),
    "alarm": event_told(ALARM),
    "event": event_told(EventEntry(START, EventKind.MAINTENANCE_ON, until=START)),
    "status": status_told(),
}


@pytest.mark.parametrize("name", DOCUMENTS)
def test_what_is_published_is_as_the_schema_says(name: str) -> None:
    """By the independent validator, formats of times included."""
    VALIDATOR.validate(DOCUMENTS[name])


def without(tree: Any, *path: str) -> Any:
    """A copy with one member taken away."""
    changed = json.loads(json.dumps(tree))
    place = changed
    for key in path[:-1]:
        place = place[key]
    del place[path[-1]]
    return changed


def with_value(tree: Any, value: Any, *path: str) -> Any:
    """A copy with another value in one place."""
    changed = json.loads(json.dumps(tree))
    place = changed
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    return changed


STATE_DOCUMENT, RESULT_DOCUMENT = DOCUMENTS["accepted"], DOCUMENTS["result"]


@pytest.mark.parametrize(
    "wrong",
    [
        with_value(STATE_DOCUMENT, "edgeflash.state.2", "schema"),
        without(STATE_DOCUMENT, "valid_until"),
        without(STATE_DOCUMENT, "points", "FlashPoint"),
        without(STATE_DOCUMENT, "points", "FlashPoint", "unit"),
        without(STATE_DOCUMENT, "points", "FlashPoint", "quality"),
        with_value(STATE_DOCUMENT, None, "points", "FlashPoint", "value"),
        with_value(STATE_DOCUMENT, "bad", "points", "FlashPoint", "trust"),
        with_value(STATE_DOCUMENT, "BadNoData", "points", "FlashPoint", "quality"),
        with_value(STATE_DOCUMENT, "62.5", "points", "FlashPoint", "value"),
        with_value(STATE_DOCUMENT, "K", "points", "FlashPoint", "unit"),
        with_value(STATE_DOCUMENT, 99, "points", "Verdict", "value"),
        with_value(STATE_DOCUMENT, "yesterday", "points", "FlashPoint", "time"),
        with_value(RESULT_DOCUMENT, "perhaps", "verdict"),
        without(RESULT_DOCUMENT, "id"),
        without(RESULT_DOCUMENT, "is_late"),
        with_value(RESULT_DOCUMENT, [{"rule": "x"}], "findings"),
        with_value(DOCUMENTS["event"], "coffee", "kind"),
        with_value(DOCUMENTS["status"], "asleep", "state"),
    ],
)
def test_what_is_not_as_the_schema_says_is_refused(wrong: Any) -> None:
    """A schema that takes anything would prove nothing."""
    assert not VALIDATOR.is_valid(wrong)


def test_a_schema_of_a_site_knows_its_units_only() -> None:
    """With °C chosen, °F would be a mistake."""
    assert validator((METRIC,)).is_valid(DOCUMENTS["accepted"])
    assert not validator((METRIC,)).is_valid(DOCUMENTS["imperial"])


def test_nothing_is_published_that_the_schema_does_not_declare() -> None:
    """Consumers may ignore what they do not know, but we must not have such."""
    definitions = json_schema()["$defs"]
    for told in DOCUMENTS.values():
        name = told["schema"].split(".")[1]
        assert list(told) == list(definitions[name]["properties"])
        if "points" in told:
            points = definitions[f"{name}_points"]["properties"]
            assert list(told["points"]) == list(points)
            common = set(definitions["value"]["properties"]) | {"value"}
            for title, value in told["points"].items():
                assert set(value) == common | set(points[title]["properties"]), title


def test_every_point_of_the_catalogue_is_in_a_state() -> None:
    """By its title, which has no unit in it: a site may choose °F."""
    assert set(DOCUMENTS["accepted"]["points"]) == {point.title for point in CATALOGUE}


def test_a_value_has_its_unit_trust_and_time() -> None:
    """62.5 °C is 144.5 °F (62.5 × 1.8 + 32)."""
    point = DOCUMENTS["accepted"]["points"]["FlashPoint"]
    assert point == {
        "value": 62.5,
        "quality": "Good",
        "trust": "good",
        "time": moment(START),
        "unit": "°C",
    }
    imperial = DOCUMENTS["imperial"]["points"]["FlashPoint"]
    assert imperial["value"] == pytest.approx(144.5)
    assert imperial["unit"] == "°F"


def test_a_bad_quality_has_no_value() -> None:
    """Whoever reads the number alone must find none."""
    for name in ("rejected, none", "rejected result"):
        point = DOCUMENTS[name]["points"]["FlashPoint"]
        assert point["trust"] == "bad"
        assert point["value"] is None
    held = DOCUMENTS["rejected, held"]["points"]["FlashPoint"]
    assert (held["trust"], held["value"]) == ("uncertain", 62.5)


def test_a_state_says_how_long_it_may_be_used() -> None:
    """A retained message outlives its gateway."""
    told = DOCUMENTS["accepted"]
    view = accepted_view()
    assert told["at"] == moment(view.at)
    assert told["valid_until"] == moment(view.at + timedelta(seconds=60))


def test_a_result_says_why() -> None:
    """Verdict, reasons, and each finding in words with measured, limit and unit."""
    told = DOCUMENTS["rejected result"]
    assert told["verdict"] == "rejected"
    assert told["id"] == "fp-101/0/17"
    assert told["reasons"] == ["invented"]
    assert told["findings"][0]["sentence"] == "the ramp was not steady, Δ 3 °C/min"
    assert told["points"]["Reported"]["value"] == pytest.approx(62.9)
    assert told["points"]["Reported"]["trust"] == "uncertain", "of a rejected cycle"


def test_codes_and_bits_are_told_in_words() -> None:
    """Nobody should need the code list at hand."""
    points = DOCUMENTS["accepted"]["points"]
    assert (points["Verdict"]["value"], points["Verdict"]["text"]) == (1, "accepted")
    assert points["Quality"]["text"] == "Good"
    assert points["ReasonCode"]["text"] == "none"
    assert "bits" in points["StatusBits"]


def test_an_alarms_new_state_is_told() -> None:
    """Not only in the sentence."""
    assert DOCUMENTS["alarm"]["alarm"] == {
        "name": "below_limit",
        "title": "AlarmBelowLimit",
        "priority": "high",
        "state": "active",
    }
    returned = replace(ALARM, text="returned; before that: 37 °C")
    assert event_told(returned)["alarm"]["state"] == AlarmState.RETURNED.value
    assert event_told(replace(ALARM, kind=EventKind.COMMENT))["alarm"] is None


@settings(max_examples=40, deadline=None, phases=(Phase.generate,))
@given(any_results)
def test_no_result_can_stop_the_stream(one: Result) -> None:
    """Whatever a cycle holds, its message can be made, read and checked."""
    told = result_told(one)
    assert told["id"] == one.id
    numbers = {"epoch", "cycle_number", "missed"}  # the strategy has negative ones
    VALIDATOR.validate(told | dict.fromkeys(numbers, 1))


def test_members_are_declared_once() -> None:
    """A name twice would hide the first."""
    every: tuple[tuple[Member[Any], ...], ...] = (STATE, RESULT, EVENT, STATUS)
    for members in every:
        names = [member.name for member in members]
        assert len(names) == len(set(names))
