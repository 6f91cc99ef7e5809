"""What an outlet shows of a point: value, quality and source time, in the outlet's own units.

Both outlets read points through `shown`, so they cannot disagree. Pure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import assert_never

from edgeflash.config.outlet_units import PressureUnit, TemperatureUnit
from edgeflash.points import TEST_ACTIVE, Point, PointScalar, PointType, PointValue
from edgeflash.publication import JUDGED, View
from edgeflash.trust import Quality, Trust
from edgeflash.units import Quantity, Unit, outlet_unit

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
LARGEST_FLOAT32 = (2 - 2**-23) * 2.0**127
LARGEST_CODE = 2**16 - 1
LARGEST_INT = 2**32 - 1

QUALITY_OF_JUDGED = "quality"

INSTRUMENT_RANGE_POINTS = frozenset(
    {"flash_point_c", "reported_c", "recomputed_c", "corrected_c", "live_flash_point_c"}
)
"""Points that are a flash point, and so have the analyzer's own measuring range."""


@dataclass(frozen=True, slots=True)
class OutletUnits:
    """The units one outlet shows temperatures and pressures in."""

    temperature: TemperatureUnit
    pressure: PressureUnit

    def of(self, point: Point) -> Unit | None:
        """The unit a point is shown in; None when it has no quantity."""
        return self.of_quantity(point.quantity)

    def of_quantity(self, quantity: Quantity) -> Unit | None:
        """The unit a quantity is shown in; None for none."""
        if quantity is Quantity.NONE:
            return None
        return outlet_unit(quantity, self.temperature, self.pressure)

    def range_of(self, point: Point) -> tuple[float, float] | None:
        """Lowest and highest expected value in the outlet's unit; None when none is declared."""
        unit = self.of(point)
        if unit is None or point.low is None or point.high is None:
            return None
        return unit.from_inside(point.low), unit.from_inside(point.high)


@dataclass(frozen=True, slots=True)
class Shown:
    """One point as an outlet shows it. value is None exactly when the quality is bad.

    of_now: the source time is only the instant of the view, so it moves although nothing changed.
    """

    value: PointScalar
    quality: Quality
    source_time: datetime
    of_now: bool


def shown(point: Point, view: View, units: OutletUnits) -> Shown:
    """The point's value in the outlet's unit.

    A bad quality takes the value away. A value that its type cannot carry (not finite, a number
    beyond the register, a time before 1970) is shown as bad, never as another number. A test
    signal stands in place of what is known, as of now; whatever outlet shows it.
    """
    read = _under_test(point, view) or point.read(view)
    of_now = read.source_time == view.at
    if read.quality.trust is Trust.BAD:
        return Shown(None, read.quality, read.source_time, of_now)
    if read.value is None:
        return Shown(None, Quality.NO_DATA, read.source_time, of_now)
    value = carried(point, read.value, units.of(point))
    quality = Quality.BAD if value is None else read.quality
    return Shown(value, quality, read.source_time, of_now)


def _under_test(point: Point, view: View) -> PointValue | None:
    """What a test shows in place of a point; None when there is none.

    Where a value has no status beside it, as in Modbus, the quality's own point tells of the judged
    flash point: while that is under test, it tells the quality of the test.
    """
    tests = view.standing.tests
    test = tests.get(point.name)
    if test is not None and point.name != TEST_ACTIVE:
        return PointValue(test.value, test.quality, view.at)
    if JUDGED in tests and point.name == QUALITY_OF_JUDGED:
        return PointValue(view.shown_quality.value.modbus, Quality.GOOD, view.at)
    return None


def carried(point: Point, value: PointScalar, unit: Unit | None) -> PointScalar:
    """The value as its point type carries it, or None when it cannot."""
    match point.type:
        case PointType.FLOAT:
            if isinstance(value, bool) or not isinstance(value, int | float):
                return None
            number = float(value) if unit is None else unit.from_inside(float(value))
            return number if math.isfinite(number) and abs(number) <= LARGEST_FLOAT32 else None
        case PointType.INT | PointType.CODE:
            if isinstance(value, bool) or not isinstance(value, int):
                return None
            largest = LARGEST_INT if point.type is PointType.INT else LARGEST_CODE
            return int(value) if 0 <= value <= largest else None
        case PointType.FLAG:
            return value if isinstance(value, bool) else None
        case PointType.TIME:
            usable = isinstance(value, datetime) and value.tzinfo is not None and value >= EPOCH
            return value if usable else None
        case PointType.TEXT:
            return value if isinstance(value, str) else None
        case _:
            assert_never(point.type)


def microseconds_since_1970(moment: datetime) -> int:
    """Whole microseconds from 1970-01-01T00:00Z to an aware time, without rounding."""
    return (moment - EPOCH) // timedelta(microseconds=1)
