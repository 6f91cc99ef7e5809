"""What a signal check drives, point by point. Pure.

Every point has test values of its own, so that two points that were swapped on the way are seen;
a number has one in the lower and one in the upper part of its range, so that a wrong span is seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from edgeflash.config.site import SiteFile
from edgeflash.errors import UsageError
from edgeflash.outlets.values import OutletUnits
from edgeflash.points import (
    CATALOGUE,
    STATUS_WORD,
    TEST_ACTIVE,
    Point,
    PointScalar,
    PointType,
)
from edgeflash.status_bits import TEST_MASK
from edgeflash.trust import Quality

CAUTIONS = (
    "Test values go to everything that reads this gateway: loops, interlocks, alarms and "
    "calculations may act on them.",
    "Put every loop that uses this analyzer in manual, and bypass what would trip, as the site's "
    "procedures say, before you go on. Those procedures and licensed practice decide, not this "
    "program.",
    "Tell the operators, and tell them again at the end. The point test_active is 1 while a test "
    "is shown.",
    "Nothing that is truly wrong with the product is shown on a point under test. A high alarm "
    "ends every test.",
)

_DECIMALS = 1
_LOWER, _UPPER, _SPREAD = 0.15, 0.6, 0.3
_TEST_DAY = datetime(2001, 2, 3, 4, 5, 6, tzinfo=UTC)
_FIRST_NUMBER, _NUMBER_STEP = 101_000, 1_001
_FIRST_CODE, _MOST_CODE = 40, 99


@dataclass(frozen=True, slots=True)
class Step:
    """One test value of one point.

    value: in the inside unit, as the gateway takes it; expected: as the checked outlet shows it,
    None for no value. unit: label of the outlet's unit; empty without one. text: what a code means,
    where a display may show that instead; else empty.
    """

    point: str
    title: str
    number: int
    type: PointType
    value: PointScalar
    expected: PointScalar
    unit: str
    quality: Quality
    text: str = ""

    @property
    def key(self) -> tuple[str, int]:
        """Names the step in a plan."""
        return self.point, self.number


def outlets_of(file: SiteFile) -> dict[str, OutletUnits]:
    """The outlets of a site by the names that a check gives them, with their units."""
    found: dict[str, OutletUnits] = {}
    if file.opcua is not None:
        found["opcua"] = OutletUnits(file.opcua.temperature_unit, file.opcua.pressure_unit)
    for number, server in enumerate(file.modbus, start=1):
        found[f"modbus-{number}"] = OutletUnits(server.temperature_unit, server.pressure_unit)
    return found


def plan(
    units: OutletUnits, points: Sequence[str] = (), quality: Quality = Quality.TEST
) -> tuple[Step, ...]:
    """The steps for these points (none named: all), for an outlet with these units.

    Raises UsageError for a point that there is not, or that cannot be tested.
    """
    testable = {point.name: point for point in CATALOGUE if point.name != TEST_ACTIVE}
    for name in points:
        if name not in testable:
            raise UsageError(f"'{name}' is no point that can be tested; see `edgeflash points`")
    steps: list[Step] = []
    for index, (name, point) in enumerate(testable.items()):
        if not points or name in points:
            steps.extend(_steps(point, index, units, quality))
    return tuple(steps)


def _steps(point: Point, index: int, units: OutletUnits, quality: Quality) -> list[Step]:
    unit = units.of(point)
    label = "" if unit is None else unit.label
    steps = []
    for shown in _shown_values(point, index, units):
        inside = shown
        if unit is not None and isinstance(shown, float):
            inside = unit.to_inside(shown)
        steps.append((inside, shown, quality))
    if point.name == "flash_point_c":
        steps.append((None, None, Quality.BAD))
    return [
        Step(
            point.name,
            point.title,
            number,
            point.type,
            inside,
            shown,
            label,
            its_quality,
            point.texts[shown] if point.texts and isinstance(shown, int) else "",
        )
        for number, (inside, shown, its_quality) in enumerate(steps, start=1)
    ]


def _shown_values(point: Point, index: int, units: OutletUnits) -> tuple[PointScalar, ...]:
    """The test values as the outlet shows them."""
    match point.type:
        case PointType.FLOAT:
            low, high = units.range_of(point) or (point.low or 0.0, point.high or 100.0)
            alike = [p.name for p in CATALOGUE if p.quantity is point.quantity]
            shift = _SPREAD * alike.index(point.name) / len(alike)
            return tuple(
                round(low + (high - low) * (share + shift), _DECIMALS) for share in (_LOWER, _UPPER)
            )
        case PointType.INT:
            return (_FIRST_NUMBER + _NUMBER_STEP * index,)
        case PointType.CODE:
            if point.texts:
                return (len(point.texts) - 1, 0)
            code = _FIRST_CODE + index % (_MOST_CODE - _FIRST_CODE)
            return (code | TEST_MASK if point.name == STATUS_WORD else code,)
        case PointType.FLAG:
            return (True, False)
        case PointType.TIME:
            return (_TEST_DAY + timedelta(minutes=index),)
        case PointType.TEXT:
            return (f"TEST {point.title}",)
