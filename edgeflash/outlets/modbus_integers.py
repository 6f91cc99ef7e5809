"""Points as scaled integers, for a DCS that takes no floats. Pure.

One analyzer has 400 registers of integers. A point at register r of the float block is

    at r         int16: the value divided by its step
    at 200 + r   int32, in the order of the server: the value divided by a hundredth of that step

Codes and flags stand in both places as in the float block. An integer is an int16 and an int32 of
step 1. A time has at 200 + r its whole seconds since 1970-01-01 UTC as uint32, at 200 + r + 2 its
milliseconds, and at 360 + 8 k, for the k-th time of the catalogue, its parts: year, month, day,
hour, minute, second, millisecond. Text and all other registers read 0.

No value reads 8000 hexadecimal, 80000000 in 32 bits; a time FFFF and FFFFFFFF. So does a number
that does not fit: it never reads as another.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import assert_never

from edgeflash.config.register_map import Order
from edgeflash.config.site import ModbusServer
from edgeflash.outlets.modbus_encoding import encoded, reordered
from edgeflash.outlets.modbus_layout import INTEGER_REGISTERS, addresses_on
from edgeflash.outlets.values import LARGEST_INT, OutletUnits, microseconds_since_1970
from edgeflash.points import CATALOGUE, Point, PointScalar, PointType

INT32_OFFSET = 200
FINER = 2
"""Powers of ten by which the step of an int32 is finer than that of the int16."""

PARTS_OFFSET = 360
PARTS_EACH = 8
PARTS = ("year", "month", "day", "hour", "minute", "second", "millisecond")

NO_INT16 = b"\x80\x00"
NO_INT32 = b"\x80\x00\x00\x00"
_NO_PART = 0xFFFF

USUAL_STEP: dict[str, int] = {
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
"""The step of an int16 by the outlet's unit, as a power of ten; Point.scale is added to it."""

_TIMES = tuple(point for point in CATALOGUE if point.type is PointType.TIME)


@dataclass(frozen=True, slots=True)
class IntegerPlace:
    """Where a server shows a point as an integer, and by what its integers are multiplied.

    Addresses count from 0. step16, step32: in `unit`; 1 where the number stands as it is. seconds,
    parts: of a time only, which has no int16.
    """

    int16: int | None
    int32: int | None
    step16: float
    step32: float
    unit: str
    seconds: int | None = None
    parts: int | None = None


def integer_place(server: ModbusServer, number: int, point: Point) -> IntegerPlace | None:
    """The integers of a point of analyzer `number`; None where this server has none of it."""
    start = addresses_on(server, number).integers
    if start is None or point.type is PointType.TEXT:
        return None
    at16, at32 = start + point.register, start + INT32_OFFSET + point.register
    if point.type is PointType.TIME:
        parts = start + PARTS_OFFSET + PARTS_EACH * _TIMES.index(point)
        return IntegerPlace(None, None, 1.0, 1.0, "", at32, parts)
    units = OutletUnits(server.temperature_unit, server.pressure_unit)
    unit, power = units.of(point), step_power(point, units)
    label = unit.label if unit else ""
    step32 = 1.0 if point.type is not PointType.FLOAT else 10.0 ** (power - FINER)
    return IntegerPlace(at16, at32, 10.0**power, step32, label)


def step_power(point: Point, units: OutletUnits) -> int:
    """The power of ten that is the step of a point's int16 in the outlet's unit.

    Where a point has no unit of the outlet's, 1 is the usual step.
    """
    unit = units.of(point)
    return point.scale + (0 if unit is None else USUAL_STEP[unit.name])


def integer_block(values: Mapping[str, PointScalar], units: OutletUnits, order: Order) -> bytes:
    """One analyzer's integers as sent. values: by point name, as `shown` gives them."""
    made = bytearray(2 * INTEGER_REGISTERS)
    for point in CATALOGUE:
        value = values.get(point.name)
        at16, at32 = 2 * point.register, 2 * (INT32_OFFSET + point.register)
        match point.type:
            case PointType.FLOAT | PointType.INT:
                power = step_power(point, units) if point.type is PointType.FLOAT else 0
                finer = FINER if point.type is PointType.FLOAT else 0
                made[at16 : at16 + 2] = scaled16(value, power)
                made[at32 : at32 + 4] = reordered(scaled32(value, power - finer), order)
            case PointType.CODE | PointType.FLAG:
                made[at16 : at16 + 2] = made[at32 : at32 + 2] = encoded(point, value, order)
            case PointType.TIME:
                place = 2 * (PARTS_OFFSET + PARTS_EACH * _TIMES.index(point))
                made[at32 : at32 + 6] = seconds_and_milliseconds(value, order)
                made[place : place + 2 * len(PARTS)] = time_parts(value)
            case PointType.TEXT:
                pass
            case _:
                assert_never(point.type)
    return bytes(made)


def scaled16(value: PointScalar, power: int) -> bytes:
    """A number as int16 of step 10 ** power; 8000 when there is none or it does not fit."""
    number = _divided(value, power)
    return NO_INT16 if number is None or abs(number) > 32_767 else struct.pack(">h", number)


def scaled32(value: PointScalar, power: int) -> bytes:
    """A number as int32 of step 10 ** power; 80000000 when there is none or it does not fit."""
    number = _divided(value, power)
    return NO_INT32 if number is None or abs(number) > 2**31 - 1 else struct.pack(">i", number)


def _divided(value: PointScalar, power: int) -> int | None:
    """value / 10 ** power, to the nearest whole number, a half to the even one."""
    if not isinstance(value, int | float):
        return None
    # A power of ten below 1 is no binary fraction: multiplying by its inverse is exact more often.
    return round(value * 10.0**-power if power <= 0 else value / 10.0**power)


def seconds_and_milliseconds(value: PointScalar, order: Order) -> bytes:
    """A time as uint32 of whole seconds since 1970 and one register of milliseconds."""
    if isinstance(value, datetime):
        micros = microseconds_since_1970(value)
        seconds, rest = divmod(micros, 1_000_000)
        if 0 <= seconds < LARGEST_INT:
            return reordered(struct.pack(">I", seconds), order) + struct.pack(">H", rest // 1000)
    return b"\xff" * 6


def time_parts(value: PointScalar) -> bytes:
    """A UTC time as seven registers, in the order of PARTS."""
    if not isinstance(value, datetime):
        return struct.pack(">7H", *[_NO_PART] * len(PARTS))
    t = value
    parts = (t.year, t.month, t.day, t.hour, t.minute, t.second, t.microsecond // 1000)
    return struct.pack(">7H", *parts)
