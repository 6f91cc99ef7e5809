"""The methods of an analyzer object, declared once: arguments, who may, and what they ask for.

From a declaration follow the method's node with its InputArguments, its checks and the page of
documentation. Names are for ever. A value of StartTestSignal is in the outlet's own unit.
"""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from asyncua import ua
from asyncua.ua.status_codes import StatusCodes

from edgeflash.access import Operation, Who
from edgeflash.operations import LONGEST_DECLARED_MIN, LONGEST_TEST_S, Operations
from edgeflash.outlets.opcua_calls import Argument, CallRefusedError, one_line, within
from edgeflash.outlets.values import LARGEST_INT, OutletUnits
from edgeflash.points import CATALOGUE, Point, PointType
from edgeflash.publication import TestSignal
from edgeflash.trust import Quality, Trust
from edgeflash.units import Unit

_POINTS = {point.name: point for point in CATALOGUE}
_QUALITIES = {quality.value.modbus: quality for quality in Quality}
_TRUE, _FALSE = frozenset({"true", "1", "yes"}), frozenset({"false", "0", "no"})


@dataclass(frozen=True, slots=True)
class Call:
    """One call as it reaches the gateway. values: as the arguments are declared."""

    operations: Operations
    analyzer: str
    values: list[Any]
    who: Who
    units: OutletUnits


@dataclass(frozen=True, slots=True)
class MethodDeclaration:
    """One method. title: its browse name; name: the last part of its NodeId."""

    name: str
    title: str
    description: str
    needs: Operation
    arguments: tuple[Argument, ...]
    run: Callable[[Call], Awaitable[object]]


def _known_point(value: Any) -> int:
    return StatusCodes.Good if value in _POINTS else StatusCodes.BadOutOfRange


def _known_quality(value: Any) -> int:
    return StatusCodes.Good if value in _QUALITIES else StatusCodes.BadOutOfRange


_MINUTES = Argument(
    "Minutes",
    ua.VariantType.Double,
    f"It ends by itself after so many minutes: above 0, at most {LONGEST_DECLARED_MIN:g}.",
    within(0.0, LONGEST_DECLARED_MIN),
)
_BECAUSE = Argument(
    "Because", ua.VariantType.String, "Why, for the record; may be empty.", one_line
)
_POINT = Argument(
    "Point", ua.VariantType.String, "Name of a point, for example flash_point_c.", _known_point
)
_ALARM = Argument(
    "Alarm", ua.VariantType.String, "Name of the alarm, for example unavailable.", one_line
)
_VALUE = Argument(
    "Value",
    ua.VariantType.Null,
    "The value to show in the unit of this server: a number, a Boolean, a time, or a text. Empty "
    "with a bad quality.",
    lambda value: one_line(value) if isinstance(value, str) else StatusCodes.Good,
)
_QUALITY = Argument(
    "Quality",
    ua.VariantType.UInt16,
    "Number of the quality to show, as in the quality table: 0 is good.",
    _known_quality,
)
_SECONDS = Argument(
    "Seconds",
    ua.VariantType.Double,
    f"It ends by itself after so many seconds: above 0, at most {LONGEST_TEST_S:g}.",
    within(0.0, LONGEST_TEST_S),
)


async def _start_maintenance(call: Call) -> None:
    minutes, because = call.values
    await call.operations.maintenance(call.analyzer, minutes, call.who, because or "")


async def _end_maintenance(call: Call) -> None:
    await call.operations.maintenance(call.analyzer, None, call.who)


async def _start_check_sample(call: Call) -> None:
    minutes, because = call.values
    await call.operations.check_sample(call.analyzer, minutes, call.who, because or "")


async def _end_check_sample(call: Call) -> None:
    await call.operations.check_sample(call.analyzer, None, call.who)


async def _start_test_signal(call: Call) -> None:
    name, value, number, seconds = call.values
    point, quality = _POINTS[name], _QUALITIES[number]
    signal = TestSignal(value_for_test(point, value, quality, call.units.of(point)), quality)
    await call.operations.test_signal(call.analyzer, name, signal, seconds, call.who)


async def _end_test_signal(call: Call) -> None:
    await call.operations.end_test(call.analyzer, call.values[0] or None, call.who)


async def _acknowledge_alarm(call: Call) -> None:
    alarm, because = call.values
    await call.operations.acknowledge(call.analyzer, alarm or "", call.who, because or "")


METHODS: tuple[MethodDeclaration, ...] = (
    MethodDeclaration(
        "start_maintenance",
        "StartMaintenance",
        "Declares that the analyzer is under maintenance: its results are not used meanwhile.",
        Operation.MAINTENANCE,
        (_MINUTES, _BECAUSE),
        _start_maintenance,
    ),
    MethodDeclaration(
        "end_maintenance",
        "EndMaintenance",
        "Ends the declared maintenance.",
        Operation.MAINTENANCE,
        (),
        _end_maintenance,
    ),
    MethodDeclaration(
        "start_check_sample",
        "StartCheckSample",
        "Declares that a check sample is measured, not the stream.",
        Operation.CHECK_SAMPLE,
        (_MINUTES, _BECAUSE),
        _start_check_sample,
    ),
    MethodDeclaration(
        "end_check_sample",
        "EndCheckSample",
        "Ends the declared check sample.",
        Operation.CHECK_SAMPLE,
        (),
        _end_check_sample,
    ),
    MethodDeclaration(
        "start_test_signal",
        "StartTestSignal",
        "Shows a test value in place of a point, in every outlet, to prove its way. Whoever acts "
        "on the point acts on the test value.",
        Operation.TEST_SIGNAL,
        (_POINT, _VALUE, _QUALITY, _SECONDS),
        _start_test_signal,
    ),
    MethodDeclaration(
        "end_test_signal",
        "EndTestSignal",
        "Ends the test of a point; with an empty name, every test of the analyzer.",
        Operation.TEST_SIGNAL,
        (
            Argument(
                "Point",
                ua.VariantType.String,
                "Name of a point, or empty for all.",
                lambda value: _known_point(value) if value else StatusCodes.Good,
            ),
        ),
        _end_test_signal,
    ),
    MethodDeclaration(
        "acknowledge_alarm",
        "AcknowledgeAlarm",
        "Takes note of an alarm. It makes nothing safe.",
        Operation.ACKNOWLEDGE,
        (_ALARM, _BECAUSE),
        _acknowledge_alarm,
    ),
)


def value_for_test(
    point: Point, given: Any, quality: Quality, unit: Unit | None
) -> float | int | bool | str | datetime | None:
    """What a test shows, in the point's inside unit. unit: that of the outlet, None without one.

    A bad quality shows no value. A text is read as the point's own type. Raises CallRefusedError
    with the status of each of StartTestSignal's arguments.
    """
    if quality.trust is Trust.BAD:
        return None
    if given is None or (given == "" and point.type is not PointType.TEXT):
        raise _refused(StatusCodes.BadOutOfRange, f"{point.name}: {quality.name} needs a value")
    value = _of_text(point, given) if isinstance(given, str) else given
    number = _number(value)
    match point.type:
        case PointType.FLOAT if number is not None:
            return number if unit is None else unit.to_inside(number)
        case PointType.INT | PointType.CODE if number is not None and number.is_integer():
            most = len(point.texts) - 1 if point.texts else LARGEST_INT
            if not 0 <= number <= most:
                raise _refused(StatusCodes.BadOutOfRange, f"{point.name}: {number:g} is no value")
            return int(number)
        case PointType.FLAG if isinstance(value, bool):
            return value
        case PointType.TIME if isinstance(value, datetime):
            return value if value.tzinfo else value.replace(tzinfo=UTC)
        case PointType.TEXT if isinstance(value, str):
            return value
    raise _refused(StatusCodes.BadTypeMismatch, f"{point.name}: {value!r} is no {point.type.value}")


def _number(value: Any) -> float | None:
    """A finite number, or None. A bool is none."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if math.isfinite(value) else None


def _of_text(point: Point, text: str) -> Any:
    """What a text means for the point; the text itself when it means nothing."""
    try:
        match point.type:
            case PointType.FLOAT | PointType.INT | PointType.CODE:
                return float(text)
            case PointType.FLAG if text.lower() in _TRUE | _FALSE:
                return text.lower() in _TRUE
            case PointType.TIME:
                return datetime.fromisoformat(text)
    except ValueError:
        pass
    return text


def _refused(code: int, why: str) -> CallRefusedError:
    good = StatusCodes.Good
    return CallRefusedError(StatusCodes.BadInvalidArgument, why, (good, code, good, good))
