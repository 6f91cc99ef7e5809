"""What a Sparkplug metric says: names, aliases, values, quality, and a result's own time. Each test
names the statements of the Eclipse Sparkplug specification 3.0.0 that it checks, from memory."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest
from pydantic import ValidationError

from edgeflash.model import CycleSource, Result, Verdict
from edgeflash.outlets.sparkplug_catalogue import (
    DATA_TYPES,
    RECORD_POINTS,
    RESULT_METRICS,
    RESULT_POINTS,
)
from edgeflash.outlets.sparkplug_node import EdgeNode, Outgoing
from edgeflash.outlets.values import OutletUnits
from edgeflash.points import CATALOGUE, PointType
from edgeflash.publication import View
from tests.sparkplug_reading import read, with_datatype
from tests.unit.outlets.builders import (
    START,
    accepted_view,
    analyzer,
    rejected_view,
    result,
    standing_of,
    view_of,
)
from tests.unit.outlets.sparkplug_builders import (
    NODE,
    NOW,
    UNITS,
    born,
    down,
    kinds,
    payload,
)


def test_births_name_every_metric_with_type_and_value() -> None:
    """topics-dbirth-metrics, topics-dbirth-metric-reqs, payloads-name-requirement,
    payloads-alias-birth-requirement, payloads-metric-datatype-req,
    payloads-name-birth-data-requirement, payloads-alias-uniqueness."""
    _, messages = born()
    aliases: list[int | None] = []
    for message in messages:
        names = set()
        for metric in read(message.payload).metrics:
            assert metric.name
            assert metric.name not in names
            names.add(metric.name)
            assert metric.datatype is not None
            assert metric.timestamp is not None
            assert metric.is_null == (metric.value is None)
            if metric.name not in ("bdSeq", "Node Control/Rebirth"):
                aliases.append(metric.alias)
    assert None not in aliases
    assert len(set(aliases)) == len(aliases)
    device = payload(messages, "DBIRTH fp-101")
    assert [m.name for m in device.metrics] == [p.name for p in CATALOGUE]


def test_values_types_and_properties_come_from_the_catalogue() -> None:
    """payloads-propertyset-quality-value-type, -value, metric timestamps are source times
    (payloads-metric-timestamp-in-UTC)."""
    device = payload(born()[1], "DBIRTH fp-101")
    flash = device.named("flash_point_c")
    assert (flash.datatype, flash.value, flash.alias) == (10, 62.5, 1000)
    assert flash.timestamp == int(START.timestamp() * 1000)
    assert flash.properties["Quality"] == 192
    assert flash.property_types["Quality"] == 3
    assert flash.properties["status"] == "Good"
    assert flash.properties["engUnit"] == "°C"
    assert (flash.properties["low"], flash.properties["high"]) == (-50.0, 400.0)
    assert "The value to control on" in flash.properties["description"]
    verdict = device.named("verdict")
    assert (verdict.datatype, verdict.value) == (6, 1)
    assert verdict.properties["codes"] == "0=none, 1=accepted, 2=doubtful, 3=rejected"
    assert device.named("possible_low_flash").value is False
    assert device.named("cycle_number").value == 17
    assert device.named("product").value == "jet"
    assert device.named("sampled_at").value == int(START.timestamp() * 1000)


def test_a_unit_of_the_outlet_changes_value_range_and_unit_together() -> None:
    """62.5 °C is 144.5 °F (exact)."""
    node = EdgeNode(NODE, {"fp-101": 1}, OutletUnits("degF", "psi"))
    node.connected()
    node.shown([accepted_view()], NOW)
    messages = node.births({"fp-101": result()}, NOW)
    flash = payload(messages, "DBIRTH fp-101").named("flash_point_c")
    assert flash.value == pytest.approx(144.5)
    assert (flash.properties["engUnit"], flash.properties["low"]) == ("°F", pytest.approx(-58))
    published = payload(messages, "DBIRTH fp-101.record").named("result/published_c")
    assert published.value == pytest.approx(144.5)
    assert published.properties["engUnit"] == "°F"


@pytest.mark.parametrize(
    ("view", "value", "quality", "status"),
    [
        (accepted_view(), 62.5, 192, "Good"),
        (rejected_view(), 62.5, 500, "UncertainLastUsableValue"),
        (rejected_view(held=False), None, 0, "BadNoData"),
    ],
)
def test_quality_is_one_of_three_and_never_better_than_the_evidence(
    view: View, value: float | None, quality: int, status: str
) -> None:
    """payloads-propertyset-quality-value-value: 0 bad, 192 good, 500 stale. A bad value is null."""
    node = EdgeNode(NODE, {"fp-101": 1}, UNITS)
    node.connected()
    node.shown([view], NOW)
    flash = payload(node.births({}, NOW), "DBIRTH fp-101").named("flash_point_c")
    assert (flash.value, flash.is_null) == (value, value is None)
    assert (flash.properties["Quality"], flash.properties["status"]) == (quality, status)


def names_by_alias(messages: Sequence[Outgoing], kind: str) -> dict[int | None, str]:
    """What the birth says of the metrics of a device."""
    return {m.alias: m.name or "" for m in payload(messages, kind).metrics}


def told(one: Result, *, is_historical: bool) -> dict[str, object]:
    """Values, by name, of the message of one result."""
    node, messages = born()
    birth = payload(messages, "DBIRTH fp-101.record")
    types = {m.alias: m.datatype or 0 for m in birth.metrics}
    names = names_by_alias(messages, "DBIRTH fp-101.record")
    messages = node.recorded(one, NOW, is_historical=is_historical)
    assert kinds(messages) == ["DDATA fp-101.record"]
    data = read(messages[0].payload)
    assert {m.is_historical for m in data.metrics} == {is_historical}
    assert {m.timestamp for m in data.metrics} == {int(one.sampled_at.timestamp() * 1000)}
    assert data.seq == 4
    return {names[m.alias]: with_datatype(m, types[m.alias]) for m in data.metrics}


@pytest.mark.parametrize("is_historical", [True, False])
def test_a_result_is_told_whole_with_its_own_time(is_historical: bool) -> None:
    """Payload 6.4.5: is_historical, and the time of the sample, not of the sending."""
    values = told(result(cycle_number=99, value_c=60.25), is_historical=is_historical)
    assert values["result/id"] == "fp-101/0/99"
    assert values["result/verdict"] == "accepted"
    assert values["result/published_c"] == 60.25
    assert values["result/cycle_number"] == 99
    assert values["result/reported_c"] == pytest.approx(60.65)
    assert values["result/reason_text"] == ""
    assert values["result/judged_at"] == int(START.timestamp() * 1000)


def test_a_result_that_was_fetched_later_is_history() -> None:
    """Even when it comes to the journal now."""
    one = result()
    node, _ = born()
    late = replace(one, cycle=replace(one.cycle, source=CycleSource.RING))
    (message,) = node.recorded(late, NOW, is_historical=False)
    assert {m.is_historical for m in read(message.payload).metrics} == {True}


def test_a_rejected_result_has_its_reasons_and_no_value() -> None:
    """With the sentences of the rules."""
    values = told(result(verdict=Verdict.REJECTED), is_historical=True)
    assert values["result/verdict"] == "rejected"
    assert values["result/published_c"] is None
    assert values["result/reasons"] == "invented"
    assert values["result/reason_text"] == "the ramp was not steady, Δ 3 °C/min"


def test_a_result_of_an_analyzer_that_is_gone_is_passed_over() -> None:
    """No metric of it has been born."""
    node, _ = born()
    assert node.recorded(result("old-9"), NOW, is_historical=True) == []


def test_the_birth_of_a_record_has_the_newest_result() -> None:
    """operational-behavior-data-publish-dbirth-values: current values, or null before any."""
    _, messages = born()
    assert payload(messages, "DBIRTH fp-101.record").named("result/id").value == "fp-101/0/17"
    none = payload(messages, "DBIRTH fp-102.record").named("result/id")
    assert (none.is_null, none.properties["status"]) == (True, "BadWaitingForInitialData")


@pytest.mark.parametrize(
    ("shown", "quality", "status"),
    [
        (accepted_view(), 192, "Good"),
        (view_of(standing_of(result()), after_s=5000.0), 500, "UncertainLastUsableValue"),
        (down(), 500, "UncertainLastUsableValue"),
        (accepted_view(cycle_number=18), 500, "UncertainLastUsableValue"),
        (rejected_view(), 500, "UncertainLastUsableValue"),
    ],
)
def test_an_old_result_in_a_birth_is_not_good(shown: View, quality: int, status: str) -> None:
    """A gateway that starts after a day tells the last result of the day before: good only while
    the analyzer shows the same one as good. What it states, as its id, is true all the same."""
    node = EdgeNode(NODE, {"fp-101": 1}, UNITS)
    node.connected()
    node.shown([shown], NOW)
    record = payload(node.births({"fp-101": result()}, NOW), "DBIRTH fp-101.record")
    for name in ("result/published_c", "result/corrected_c"):
        told = record.named(name).properties
        assert (told["Quality"], told["status"]) == (quality, status)
    assert record.named("result/id").properties["Quality"] == 192


def test_aliases_are_for_ever() -> None:
    """payloads-alias-uniqueness: a control system may keep them, so they never move. The numbers
    were written down when they were given."""
    _, messages = born()
    aliases = {
        f"{kind} {m.name}": m.alias
        for kind in ("NBIRTH", "DBIRTH fp-101", "DBIRTH fp-101.record", "DBIRTH fp-102.record")
        for m in payload(messages, kind).metrics
    }
    assert {key: aliases[key] for key in FOR_EVER} == FOR_EVER
    for point in CATALOGUE:
        assert aliases[f"DBIRTH fp-101 {point.name}"] == 1000 + point.register
    assert all(point.register < 200 for point in CATALOGUE), "a register is a part of the alias"
    assert all(each.place < 200 for each in RESULT_METRICS)
    for point in RECORD_POINTS:
        assert aliases[f"DBIRTH fp-102.record {point.name}"] == 2600 + point.register
    for point in RESULT_POINTS:
        assert aliases[f"DBIRTH fp-102.record result/{point.name}"] == 2200 + point.register


FOR_EVER = {
    "NBIRTH site": 1,
    "NBIRTH edgeflash_version": 2,
    "NBIRTH results_waiting": 3,
    "DBIRTH fp-101.record result/id": 1400,
    "DBIRTH fp-101.record result/verdict": 1401,
    "DBIRTH fp-101.record result/published_c": 1402,
    "DBIRTH fp-101.record result/reasons": 1403,
    "DBIRTH fp-101.record result/reason_text": 1404,
    "DBIRTH fp-101.record result/product": 1405,
    "DBIRTH fp-101.record result/finished_at": 1406,
    "DBIRTH fp-101.record result/judged_at": 1407,
    "DBIRTH fp-101.record result/source": 1408,
    "DBIRTH fp-101.record result/rules_version": 1409,
}


def test_the_record_has_its_points() -> None:
    """What is named in the code is in the catalogue."""
    assert len(RECORD_POINTS) == 9


def test_metric_names_differ_by_more_than_case() -> None:
    """case-sensitivity-metric-names."""
    _, messages = born()
    for message in messages:
        names = [str(m.name).lower() for m in read(message.payload).metrics]
        assert len(set(names)) == len(names)


@pytest.mark.parametrize("name", ["Fp-1", "fp/1", "fp+1", "fp#1", "fp.record", "", "fp 1"])
def test_device_names_are_those_of_analyzers(name: str) -> None:
    """intro-device-id-chars, case-sensitivity-sparkplug-ids: no analyzer can be called so that its
    device would be no topic, another's, or a record."""
    with pytest.raises(ValidationError):
        analyzer(name)


def test_every_type_of_point_has_a_data_type() -> None:
    """With the same range as the history's column."""
    assert set(DATA_TYPES) == set(PointType)
