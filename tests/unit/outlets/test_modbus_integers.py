"""Scaled integers against numpy and decimal; what does not fit; times in parts; their places."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from edgeflash.config.register_map import Order
from edgeflash.outlets.modbus_image import (
    empty_image,
    empty_images,
    with_new_views,
    with_views,
)
from edgeflash.outlets.modbus_integers import (
    FINER,
    INT32_OFFSET,
    PARTS,
    PARTS_EACH,
    PARTS_OFFSET,
    USUAL_STEP,
    integer_block,
    integer_place,
    scaled16,
    scaled32,
    seconds_and_milliseconds,
    step_power,
    time_parts,
)
from edgeflash.outlets.modbus_layout import INTEGER_REGISTERS, MOST_INTEGERS
from edgeflash.outlets.values import OutletUnits, shown
from edgeflash.points import CATALOGUE, Point, PointType
from edgeflash.units import UNITS
from tests.unit.outlets.builders import ALL_ORDERS, START, accepted_view, modbus, rejected_view

POINTS = {point.name: point for point in CATALOGUE}
INSIDE = OutletUnits("degC", "kPa")
EVERY_UNITS = [OutletUnits(t, p) for t in ("degC", "degF") for p in ("kPa", "psi", "mbar")]
SCALED = [point for point in CATALOGUE if point.type is PointType.FLOAT]

# numpy's byte orders are the outside reference: big-endian words, then as the order says.
WORDS = {
    Order.ABCD: lambda b: b,
    Order.CDAB: lambda b: b.view(">u2")[::-1].tobytes(),
    Order.BADC: lambda b: b.view(">u2").byteswap().tobytes(),
    Order.DCBA: lambda b: b.tobytes()[::-1],
}


def as_numpy(raw: bytes, dtype: str) -> int:
    """The one number in the bytes, by numpy."""
    return int(np.frombuffer(raw, dtype)[0])


@given(
    st.floats(-5e6, 5e6, allow_nan=False),
    st.sampled_from([scaled16, scaled32]),
    st.integers(-4, 1),
)
@example(62.5, scaled16, -1)
@example(3276.7, scaled16, -1)
@example(3276.75, scaled16, -1)
@example(-3276.8, scaled16, -1)
def test_the_nearest_step_or_none(value: float, scaled: object, power: int) -> None:
    """At most half a step off, or "no value" exactly when it does not fit."""
    bits = 16 if scaled is scaled16 else 32
    read = as_numpy(scaled(value, power), f">i{bits // 8}")  # type: ignore[operator]
    exact = Decimal(value) / Decimal(10) ** power
    most = 2 ** (bits - 1) - 1
    if read == -most - 1:
        assert abs(exact) > Decimal(most) + Decimal("0.4999")
    else:
        assert abs(read - exact) <= Decimal("0.500001")
        assert abs(exact) < Decimal(most) + Decimal("0.500001")


@pytest.mark.parametrize("value", [3276.75, -3276.8, 1e9, -1e9, 3e38, None])
def test_saturation_is_never_silent(value: float | None) -> None:
    """Beyond ±32767 steps, and without a value: 8000; never the largest number."""
    assert scaled16(value, -1) == b"\x80\x00"


@pytest.mark.parametrize("value", [2147483.648, -2147483.648, 1e12, -3e38, None])
def test_saturation_of_32_bits(value: float | None) -> None:
    """Beyond ±2147483647 steps: 80000000."""
    assert scaled32(value, -3) == b"\x80\x00\x00\x00"


@pytest.mark.parametrize("units", EVERY_UNITS, ids=str)
@pytest.mark.parametrize("point", SCALED, ids=lambda p: p.name)
def test_every_declared_range_fits(point: Point, units: OutletUnits) -> None:
    """What is expected of a point can be read as int16 in every unit a server may have."""
    span = units.range_of(point) or (point.low, point.high)
    assert None not in span
    for end in span:
        assert scaled16(end, step_power(point, units)) != b"\x80\x00"


def test_every_unit_of_an_outlet_has_a_step() -> None:
    """No quantity a point may have is without one."""
    seen = {unit.name for units in EVERY_UNITS for p in SCALED if (unit := units.of(p))}
    assert seen <= set(USUAL_STEP) <= set(UNITS)


PROMISED_STEPS = {
    "flash_point_c": -1,
    "margin_c": -1,
    "barometer_kpa": -2,
    "age_s": 1,
    "round_trip_s": -3,
    "clock_error_s": -2,
}


def test_steps_never_change() -> None:
    """A DCS has them as factors: the usual ones, and those of single points."""
    assert USUAL_STEP == {
        "degC": -1,
        "degF": -1,
        "delta_degC": -2,
        "delta_degF": -2,
        "degC/min": -2,
        "degF/min": -2,
        "kPa": -1,
        "mbar": 0,
        "psi": -2,
        "s": 0,
        "mL/min": -1,
        "percent": -2,
    }
    powers = {name: step_power(POINTS[name], INSIDE) for name in PROMISED_STEPS}
    assert powers == PROMISED_STEPS
    assert {p.name for p in CATALOGUE if p.scale} == {
        "margin_c",
        "barometer_kpa",
        "age_s",
        "round_trip_s",
        "clock_error_s",
    }


@pytest.mark.parametrize("order", ALL_ORDERS)
def test_a_block_decodes_with_numpy(order: Order) -> None:
    """62.5 °C is 625 tenths and 62500 thousandths; counts and codes as they are."""
    values = {
        "flash_point_c": 62.5,
        "peak_kpa": 41.0,
        "cycle_number": 70_000,
        "quality": 18,
        "possible_low_flash": True,
        "reason_code": 40_000,
        "sampled_at": START,
    }
    raw = integer_block(values, INSIDE, order)
    assert len(raw) == 2 * INTEGER_REGISTERS

    def at16(name: str) -> bytes:
        return raw[2 * POINTS[name].register :][:2]

    def at32(name: str) -> bytes:
        start = 2 * (INT32_OFFSET + POINTS[name].register)
        return raw[start : start + 4]

    for name, small, large in (("flash_point_c", 625, 62_500), ("peak_kpa", 410, 41_000)):
        assert as_numpy(at16(name), ">i2") == small
        assert at32(name) == bytes(WORDS[order](np.array([large], ">i4")))
    assert at16("cycle_number") == b"\x80\x00", "70000 does not fit 16 bits"
    assert at32("cycle_number") == bytes(WORDS[order](np.array([70_000], ">i4")))
    for name, number in (("quality", 18), ("possible_low_flash", 1), ("reason_code", 40_000)):
        assert as_numpy(at16(name), ">u2") == number
        assert at32(name)[:2] == at16(name)
    seconds = raw[2 * (INT32_OFFSET + 12) :][:6]
    assert seconds[:4] == bytes(WORDS[order](np.array([int(START.timestamp())], ">u4")))
    assert as_numpy(seconds[4:], ">u2") == 901
    parts = np.frombuffer(raw[2 * PARTS_OFFSET :][:14], ">u2").tolist()
    assert parts == [2031, 4, 5, 6, 7, 8, 901]


moments = st.integers(0, 4_294_944_000_000_000).map(  # to 2106-02-07
    lambda micros: datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=micros)
)


@given(moments)
@example(datetime(2032, 2, 29, 23, 59, 59, 999_999, tzinfo=UTC))
def test_times_put_together_again(moment: datetime) -> None:
    """Parts and seconds both give the time back, to the millisecond."""
    *parts, milli = np.frombuffer(time_parts(moment), ">u2").tolist()
    whole = moment.replace(microsecond=moment.microsecond // 1000 * 1000)
    assert datetime(*parts, milli * 1000, tzinfo=UTC) == whole
    raw = seconds_and_milliseconds(moment, Order.ABCD)
    seconds, milli = as_numpy(raw[:4], ">u4"), as_numpy(raw[4:], ">u2")
    epoch = datetime(1970, 1, 1, tzinfo=UTC)
    assert epoch + timedelta(seconds=seconds, milliseconds=milli) == whole


def test_no_time() -> None:
    """All ones; so does a time whose seconds 32 bits cannot hold."""
    assert time_parts(None) == b"\xff" * 14
    assert seconds_and_milliseconds(None, Order.DCBA) == b"\xff" * 6
    late = datetime(2106, 2, 7, 6, 28, 16, tzinfo=UTC)  # 2 ** 32 s
    assert seconds_and_milliseconds(late, Order.ABCD) == b"\xff" * 6


@pytest.mark.parametrize("order", ALL_ORDERS)
def test_nothing_known_looks_like_no_number(order: Order) -> None:
    """Every number of an analyzer without a view is "no value"."""
    raw = integer_block({}, INSIDE, order)
    for point in SCALED:
        assert raw[2 * point.register :][:2] == b"\x80\x00"
        start = 2 * (INT32_OFFSET + point.register)
        none = {Order.ABCD: "80000000", Order.CDAB: "00008000", Order.BADC: "00800000"}
        assert raw[start : start + 4].hex() == none.get(order, "00000080")


def test_integers_do_not_overlap() -> None:
    """No register of the block is used twice, the parts of times included."""
    taken: list[int] = []
    times = 0
    for point in CATALOGUE:
        if point.type is PointType.TIME:
            first = PARTS_OFFSET + times * PARTS_EACH
            taken += [*range(first, first + PARTS_EACH), *range(212, 215)]
            times += 1
        elif point.type is not PointType.TEXT:
            size = 1 if point.type in (PointType.CODE, PointType.FLAG) else 2
            at32 = INT32_OFFSET + point.register
            taken += [point.register, *range(at32, at32 + size)]
    assert len(taken) == len(set(taken))
    assert max(taken) < INTEGER_REGISTERS
    assert len(PARTS) <= PARTS_EACH


@pytest.mark.parametrize("unit_ids", ["any", "per_analyzer"])
@pytest.mark.parametrize("units", [("degC", "kPa"), ("degF", "psi")])
def test_the_place_holds_the_value(unit_ids: str, units: tuple[str, str]) -> None:
    """Read where `integer_place` says and multiplied by its step, it is the float."""
    server = modbus(unit_ids=unit_ids, temperature_unit=units[0], pressure_unit=units[1])
    view, numbers = accepted_view("fp-101", 61.37), {"fp-101": 7}
    images = empty_images([7], server)
    image = with_new_views(images, [view], numbers, server).of(7)
    assert image is not None
    outlet_units = OutletUnits(server.temperature_unit, server.pressure_unit)
    checked = 0
    for point in SCALED:
        place = integer_place(server, 7, point)
        assert place is not None and place.int16 is not None and place.int32 is not None
        value = shown(point, view, outlet_units).value
        raw16, raw32 = image.registers(place.int16, 1), image.registers(place.int32, 2)
        assert raw16 is not None and raw32 is not None
        if value is None:
            assert (raw16, raw32) == (b"\x80\x00", b"\x80\x00\x00\x00")
            continue
        assert isinstance(value, float)
        half16, half32 = 0.500001 * place.step16, 0.500001 * place.step32
        assert as_numpy(raw16, ">i2") * place.step16 == pytest.approx(value, abs=half16)
        assert as_numpy(raw32, ">i4") * place.step32 == pytest.approx(value, abs=half32)
        assert place.step16 / place.step32 == pytest.approx(10**FINER)
        checked += 1
    assert checked >= 12


def test_analyzers_beyond_the_room_have_none() -> None:
    """Number 26 has no integers where every unit is the same; as a unit of its own it has."""
    flash = POINTS["flash_point_c"]
    assert integer_place(modbus(), MOST_INTEGERS, flash) is not None
    assert integer_place(modbus(), MOST_INTEGERS + 1, flash) is None
    own = integer_place(modbus(unit_ids="per_analyzer"), 200, flash)
    assert own is not None
    assert own.int16 == 1000
    assert integer_place(modbus(), 1, POINTS["reason_text"]) is None


def test_a_bad_value_has_no_integer() -> None:
    """After the hold time: 8000, beside the quality that says why."""
    server, numbers = modbus(), {"fp-101": 1}
    image = with_views(empty_image([1], Order.ABCD), [rejected_view(held=False)], numbers, server)
    raw = image.registers(40_000, 3)
    assert raw is not None
    assert raw[:2] == b"\x80\x00"
    assert int.from_bytes(raw[4:], "big") >= 10
