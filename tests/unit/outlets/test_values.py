"""What an outlet shows of a point: units, quality, and what a point type cannot carry."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from edgeflash.model import Role
from edgeflash.outlets.values import (
    INSTRUMENT_RANGE_POINTS,
    OutletUnits,
    microseconds_since_1970,
    shown,
)
from edgeflash.points import CATALOGUE, Point, PointScalar, PointType, PointValue
from edgeflash.publication import TestSignal, View
from edgeflash.trust import Quality, Trust
from edgeflash.units import Quantity
from tests.unit.outlets.builders import START, accepted_view, rejected_view

METRIC = OutletUnits("degC", "kPa")
IMPERIAL = OutletUnits("degF", "psi")
POINTS = {point.name: point for point in CATALOGUE}


def test_a_temperature_is_shown_in_the_outlets_unit() -> None:
    """62.5 °C is 144.5 °F (by the definition of the scale: 62.5 × 1.8 + 32)."""
    view = accepted_view(value_c=62.5)
    point = POINTS["flash_point_c"]
    assert shown(point, view, METRIC).value == 62.5
    assert shown(point, view, IMPERIAL).value == pytest.approx(144.5, abs=1e-12)


def test_a_temperature_difference_has_no_offset() -> None:
    """0.25 °C of correction is 0.45 °F, not 32.45 °F."""
    value = shown(POINTS["correction_c"], accepted_view(), IMPERIAL).value
    assert value == pytest.approx(0.45, abs=1e-12)


def test_a_pressure_is_shown_in_the_outlets_unit() -> None:
    """41 kPa is 5.94655 psi (NIST SP 811, appendix B: 1 psi = 6.894757 kPa)."""
    value = shown(POINTS["peak_kpa"], accepted_view(), IMPERIAL).value
    assert value == pytest.approx(41.0 / 6.894757, rel=1e-6)


def test_ranges_are_converted_like_values() -> None:
    """-50..400 °C is -58..752 °F; a range without a quantity is none."""
    assert IMPERIAL.range_of(POINTS["flash_point_c"]) == pytest.approx((-58.0, 752.0))
    assert IMPERIAL.range_of(POINTS["uncertainty_c"]) == pytest.approx((0.0, 18.0))
    assert IMPERIAL.range_of(POINTS["quality"]) is None
    assert IMPERIAL.of(POINTS["quality"]) is None


def test_every_quantity_of_the_catalogue_has_a_unit_and_a_range() -> None:
    """The analog node types need both (OPC 10000-8, 5.3.2.3)."""
    for point in CATALOGUE:
        for units in (METRIC, IMPERIAL, OutletUnits("degC", "mbar")):
            assert (point.quantity is Quantity.NONE) == (units.of(point) is None), point.name
            assert (point.quantity is Quantity.NONE) == (units.range_of(point) is None), point.name


def test_points_with_an_instrument_range_are_temperatures_of_the_catalogue() -> None:
    """The names are the catalogue's; each is a temperature."""
    assert POINTS.keys() >= INSTRUMENT_RANGE_POINTS
    assert {POINTS[n].quantity for n in INSTRUMENT_RANGE_POINTS} == {Quantity.TEMPERATURE}


@pytest.mark.parametrize(
    "view", [accepted_view(), rejected_view(held=True), rejected_view(held=False)]
)
def test_a_value_is_missing_exactly_when_its_quality_is_bad(view: View) -> None:
    """For every point and view: bad means no value, anything else means a value."""
    for point in CATALOGUE:
        one = shown(point, view, METRIC)
        assert (one.quality.trust is Trust.BAD) == (one.value is None), point.name


def test_a_held_value_stays_and_is_uncertain_until_the_hold_time_is_over() -> None:
    """A rejected cycle holds the value as uncertain; after hold_s there is none."""
    held = shown(POINTS["flash_point_c"], rejected_view(held=True), METRIC)
    over = shown(POINTS["flash_point_c"], rejected_view(held=False), METRIC)
    assert (held.value, held.quality) == (62.5, Quality.LAST_USABLE)
    assert over.value is None
    assert over.quality.trust is Trust.BAD


def _reading(of: Point, value: PointScalar, quality: Quality = Quality.GOOD) -> Point:
    return replace(of, read=lambda v: PointValue(value, quality, v.at))


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("flash_point_c", math.nan),
        ("flash_point_c", math.inf),
        ("flash_point_c", 1e39),
        ("flash_point_c", True),
        ("flash_point_c", "62.5"),
        ("cycle_number", -1),
        ("cycle_number", 2**32),
        ("cycle_number", 1.5),
        ("quality", 2**16),
        ("quality", True),
        ("possible_low_flash", 1),
        ("sampled_at", datetime(1969, 12, 31, tzinfo=UTC)),
        ("sampled_at", 5.0),
        ("reason_text", 5),
    ],
)
def test_what_a_type_cannot_carry_is_bad_never_another_number(
    name: str, value: PointScalar
) -> None:
    """Wrapped counters, non-finite floats and mixed types never reach a DCS as numbers."""
    one = shown(_reading(POINTS[name], value), accepted_view(), METRIC)
    assert (one.value, one.quality) == (None, Quality.BAD)


@pytest.mark.parametrize(
    ("name", "value"),
    [("cycle_number", 2**32 - 1), ("cycle_number", 0), ("heartbeat", 65535), ("quality", 0)],
)
def test_the_whole_range_of_a_type_is_carried(name: str, value: int) -> None:
    """Both ends of a register's range are values."""
    assert shown(_reading(POINTS[name], value), accepted_view(), METRIC).value == value


def test_a_value_without_a_value_is_no_data_whatever_quality_it_claims() -> None:
    """None with a good quality is not passed on as good."""
    one = shown(_reading(POINTS["cycle_number"], None), accepted_view(), METRIC)
    assert (one.value, one.quality) == (None, Quality.NO_DATA)


def test_a_bad_quality_takes_the_value_away() -> None:
    """A bad value must not look like a number (OPC 10000-4, 7.11.1)."""
    point = _reading(POINTS["flash_point_c"], 62.5, Quality.DEVICE_FAILURE)
    one = shown(point, accepted_view(), METRIC)
    assert (one.value, one.quality) == (None, Quality.DEVICE_FAILURE)


def test_times_of_the_view_itself_are_marked_as_now() -> None:
    """Age moves each second with the view; the sample's time does not."""
    view = accepted_view()
    assert shown(POINTS["age_s"], view, METRIC).of_now
    judged = shown(POINTS["flash_point_c"], view, METRIC)
    assert not judged.of_now
    assert judged.source_time == START


def test_microseconds_are_exact() -> None:
    """2031-04-05T06:07:08.901234Z; seconds from `date -u -d ... +%s` (GNU coreutils)."""
    assert microseconds_since_1970(START) == 1_933_135_628_901_234
    assert {p.type for p in CATALOGUE} == set(PointType)


def under_test(**tests: TestSignal) -> View:
    """An accepted value's view with tests."""
    view = accepted_view()
    return replace(view, standing=replace(view.standing, tests=tests))


def test_a_test_stands_in_place_of_what_is_known() -> None:
    """In the outlet's unit, with its own quality, as of now; nothing else moves but the flag."""
    view = under_test(flash_point_c=TestSignal(50.0, Quality.TEST))
    seen = shown(POINTS["flash_point_c"], view, IMPERIAL)
    assert seen.value == pytest.approx(122.0, abs=1e-9)
    assert (seen.quality, seen.of_now) == (Quality.TEST, True)
    for point in CATALOGUE:
        if point.name not in ("flash_point_c", "quality", "test_active", "status_bits"):
            assert shown(point, view, METRIC) == shown(point, accepted_view(), METRIC)
    assert shown(POINTS["test_active"], view, METRIC).value is True
    assert shown(POINTS["test_active"], accepted_view(), METRIC).value is False


def test_the_quality_register_tells_of_the_test() -> None:
    """Where no status stands beside the value, a test must not pass as good; unless the quality
    is itself under test."""
    signal = TestSignal(50.0, Quality.TEST)
    quality = POINTS["quality"]
    assert shown(quality, accepted_view(), METRIC).value == 0
    assert shown(quality, under_test(flash_point_c=signal), METRIC).value == 6
    both = under_test(flash_point_c=signal, quality=TestSignal(43, Quality.TEST))
    assert shown(quality, both, METRIC).value == 43


def test_a_bad_test_and_one_that_cannot_be_carried_show_no_value() -> None:
    """Never another number; the flag of tests is no point to test."""
    bad = under_test(stream=TestSignal(None, Quality.SENSOR_FAILURE))
    seen = shown(POINTS["stream"], bad, METRIC)
    assert (seen.value, seen.quality) == (None, Quality.SENSOR_FAILURE)
    foreign = under_test(stream=TestSignal("seven", Quality.TEST))
    assert shown(POINTS["stream"], foreign, METRIC).quality is Quality.BAD
    hiding = under_test(test_active=TestSignal(False, Quality.GOOD))
    assert shown(POINTS["test_active"], hiding, METRIC).value is True


@pytest.mark.parametrize(
    ("status", "expected"),
    [
        ("UncertainSensorNotAccurate", Quality.NOT_ACCURATE),
        ("UncertainLastUsableValue", Quality.LAST_USABLE),
        ("UncertainSubstituteValue", Quality.SUB_NORMAL),
        ("GoodLocalOverride", Quality.SUB_NORMAL),
        ("Uncertain0x40FF0000", Quality.SUB_NORMAL),
        ("", Quality.GOOD),
    ],
)
def test_a_live_value_is_no_better_than_its_server_says(status: str, expected: Quality) -> None:
    """An analyzer's OPC UA server that doubts a value is not overruled by the gateway. A substitute
    value of its own is doubted, but it is no test of ours. Names: OPC 10000-4, A.2."""
    view = accepted_view()
    doubted = {Role.SAMPLE_TEMPERATURE: status} if status else {}
    view = replace(view, standing=replace(view.standing, live_statuses=doubted))
    value = shown(POINTS["live_sample_temperature_c"], view, METRIC)
    assert (44.25, expected) == (value.value, value.quality)


def test_a_live_value_that_is_missing_has_its_servers_reason() -> None:
    """ "Sensor failure" says more than "no data"; a status that is not ours is no data."""
    view = accepted_view()
    live = {**view.standing.live, Role.SAMPLE_TEMPERATURE: None}
    for status, expected in (
        ("BadSensorFailure", Quality.SENSOR_FAILURE),
        ("BadTypeMismatch", Quality.NO_DATA),
        ("UncertainSensorNotAccurate", Quality.NO_DATA),
    ):
        told = {Role.SAMPLE_TEMPERATURE: status}
        standing = replace(view.standing, live=live, live_statuses=told)
        value = shown(POINTS["live_sample_temperature_c"], replace(view, standing=standing), METRIC)
        assert (None, expected) == (value.value, value.quality)
