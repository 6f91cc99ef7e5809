"""What a signal check sends: every point, values of its own, in the unit of the outlet."""

from __future__ import annotations

import struct
from datetime import datetime
from itertools import pairwise

import pytest

from edgeflash.errors import UsageError
from edgeflash.outlets.values import OutletUnits, carried
from edgeflash.points import CATALOGUE, PointType
from edgeflash.signal_check.plan import Step, outlets_of, plan
from edgeflash.trust import Quality
from edgeflash.units import UNITS
from tests.unit.outlets.builders import analyzer, modbus, opcua, site

METRIC, IMPERIAL = OutletUnits("degC", "kPa"), OutletUnits("degF", "psi")
POINTS = {p.name: p for p in CATALOGUE}


@pytest.mark.parametrize("units", [METRIC, IMPERIAL])
def test_every_point_but_the_flag_of_tests_can_be_proved(units: OutletUnits) -> None:
    """With values that its type and registers can carry."""
    steps = plan(units)
    assert {s.point for s in steps} == set(POINTS) - {"test_active"}
    assert len({s.key for s in steps}) == len(steps)
    for s in steps:
        if s.value is not None:
            assert carried(POINTS[s.point], s.value, units.of(POINTS[s.point])) is not None
        if isinstance(s.value, str):
            assert len(s.value.encode()) <= 32


@pytest.mark.parametrize("units", [METRIC, IMPERIAL])
def test_swapped_points_are_seen(units: OutletUnits) -> None:
    """No two numbers of one kind have the same value by more than a display shows."""
    steps = plan(units)
    for kind in (PointType.INT, PointType.TIME, PointType.TEXT):
        values = [s.expected for s in steps if s.type is kind]
        assert len(values) == len(set(values))
    for quantity in {p.quantity for p in CATALOGUE}:
        sent = sorted(
            float(str(s.expected))
            for s in steps
            if s.type is PointType.FLOAT
            and POINTS[s.point].quantity is quantity
            and s.expected is not None
        )
        assert all(b - a > 0.1 for a, b in pairwise(sent)), quantity


def test_a_number_is_sent_low_and_high_in_its_range() -> None:
    """-50 to 400 °C is -58 to 752 °F (by the definition of the scale)."""
    low, high, bad = plan(IMPERIAL, ["flash_point_c"])
    assert isinstance(low.expected, float)
    assert isinstance(high.expected, float)
    assert -58.0 < low.expected < 347.0 < high.expected < 752.0
    assert low.unit == "°F"
    assert UNITS["degF"].from_inside(float(str(low.value))) == pytest.approx(low.expected)
    assert (bad.value, bad.quality) == (None, Quality.BAD)


def test_what_a_display_shows_is_what_is_sent() -> None:
    """One decimal, and the same again after single precision."""
    for units in (METRIC, IMPERIAL):
        for s in plan(units):
            if isinstance(s.expected, float):
                single = struct.unpack(">f", struct.pack(">f", s.expected))[0]
                assert f"{single:.1f}" == f"{s.expected:.1f}" == str(s.expected)


def test_a_quality_may_be_asked_for() -> None:
    """Every step has it but the one without a value."""
    steps = plan(METRIC, ["flash_point_c", "stream"], Quality.GOOD)
    assert [s.quality for s in steps] == [Quality.GOOD] * 2 + [Quality.BAD] + [Quality.GOOD]


@pytest.mark.parametrize("name", ["colour", "test_active"])
def test_what_cannot_be_tested_is_named(name: str) -> None:
    """A mistyped point is not passed over."""
    with pytest.raises(UsageError, match=name):
        plan(METRIC, [name])


def test_the_outlets_of_a_site() -> None:
    """Each with its units."""
    made = site(
        analyzer(),
        opcua_server=opcua(temperature_unit="degF"),
        modbus_servers=(modbus(), modbus(pressure_unit="psi")),
    )
    assert outlets_of(made.file) == {
        "opcua": OutletUnits("degF", "kPa"),
        "modbus-1": METRIC,
        "modbus-2": OutletUnits("degC", "psi"),
    }


def step_of(name: str, number: int = 1) -> Step:
    """One planned step, for other tests."""
    return next(s for s in plan(METRIC, [name]) if s.number == number)


def test_a_time_is_one() -> None:
    """Aware, and long ago, so that nobody takes it for now."""
    sent = step_of("sampled_at").expected
    assert isinstance(sent, datetime)
    assert sent.tzinfo is not None
    assert sent.year == 2001
