"""What a Sparkplug metric says: value, quality, time and properties. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from edgeflash import __version__
from edgeflash.model import Result, Verdict
from edgeflash.outlets.sparkplug_catalogue import (
    DATA_TYPES,
    NODE_METRICS,
    RECORD_POINTS,
    RESULT_METRICS,
    RESULT_POINTS,
    codes_text,
    device_alias,
    record_alias,
    result_alias,
    result_point_alias,
)
from edgeflash.outlets.sparkplug_payload import (
    DataType,
    Metric,
    MetricValue,
    Property,
    milliseconds,
)
from edgeflash.outlets.values import OutletUnits, carried, shown
from edgeflash.points import CATALOGUE, Point
from edgeflash.publication import View
from edgeflash.trust import Quality, Trust

QUALITY = "Quality"
"""The one key of a property that the specification fixes (6.4.14)."""

STATUS = "status"
UNIT = "engUnit"

QUALITY_CODES: dict[Trust, int] = {Trust.GOOD: 192, Trust.UNCERTAIN: 500, Trust.BAD: 0}
"""Good, stale, bad: the only values that the specification allows. Whatever is not simply good but
has a value is "stale": never taken for good, and the property `status` says what it is."""

_STATED = frozenset({"possible_low_flash", "cycle_number", "epoch", "sampled_at", "stream"})
"""Of RESULT_POINTS, what the gateway states, whatever the verdict; the others are figures."""


@dataclass(frozen=True, slots=True)
class Reading:
    """A metric's value now. at: source time, UTC; of_now: it moves although nothing changed.

    birth: the properties that only a birth tells.
    """

    name: str
    alias: int | None
    datatype: DataType
    value: MetricValue
    quality: Quality
    at: datetime
    of_now: bool = False
    birth: tuple[Property, ...] = ()

    @property
    def signature(self) -> tuple[object, ...]:
        """Two readings with one signature say the same."""
        return (self.value, self.quality, None if self.of_now else self.at)

    def in_birth(self) -> Metric:
        """With its name, type and every property."""
        properties = (*self._quality(), *self.birth)
        at_ms = milliseconds(self.at)
        return Metric(self.name, self.alias, at_ms, self.datatype, self.value, properties)

    def in_data(self, *, is_historical: bool = False) -> Metric:
        """By alias alone, with its quality; by name where it has no alias."""
        return Metric(
            self.name if self.alias is None else None,
            self.alias,
            milliseconds(self.at),
            self.datatype,
            self.value,
            self._quality(),
            is_historical,
            says_datatype=False,
        )

    def _quality(self) -> tuple[Property, ...]:
        code = QUALITY_CODES[self.quality.trust]
        return (
            Property(QUALITY, DataType.INT32, code),
            Property(STATUS, DataType.STRING, self.quality.value.opcua_name),
        )


def device_readings(number: int, view: View, units: OutletUnits) -> tuple[Reading, ...]:
    """Every point of the catalogue, as the analyzer's device shows it."""
    return tuple(_of_point(point, device_alias(number, point), view, units) for point in CATALOGUE)


def record_readings(number: int, view: View, units: OutletUnits) -> tuple[Reading, ...]:
    """The points of the analyzer's record."""
    return tuple(
        _of_point(point, record_alias(number, point), view, units) for point in RECORD_POINTS
    )


def _of_point(point: Point, alias: int, view: View, units: OutletUnits) -> Reading:
    now = shown(point, view, units)
    return Reading(
        point.name,
        alias,
        DATA_TYPES[point.type],
        now.value,
        now.quality,
        now.source_time,
        now.of_now,
        _birth_properties(point, units),
    )


def result_readings(
    number: int,
    result: Result | None,
    units: OutletUnits,
    now: datetime,
    *,
    is_current: bool = True,
) -> tuple[Reading, ...]:
    """The metrics of one judged cycle, with the time its sample passed the tap; without a cycle,
    none has a value.

    is_current: what is told is news, or still what the analyzer shows as good; else its figures
    are no better than what was last usable, whatever the verdict was.
    """
    at = now if result is None else result.sampled_at
    found = []
    for each in RESULT_METRICS:
        unit = units.of_quantity(each.quantity)
        value = None if result is None else each.get(result)
        if isinstance(value, float) and unit is not None:
            value = unit.from_inside(value)
        found.append(
            Reading(
                f"result/{each.name}",
                result_alias(number, each),
                each.datatype,
                value,
                _quality_of(result, value, each.is_figure, is_current),
                at,
                birth=_properties(each.description, "" if unit is None else unit.label),
            )
        )
    for point in RESULT_POINTS:
        assert point.of_result is not None
        inside = None if result is None else point.of_result(result)
        value = None if inside is None else carried(point, inside, units.of(point))
        found.append(
            Reading(
                f"result/{point.name}",
                result_point_alias(number, point),
                DATA_TYPES[point.type],
                value,
                _quality_of(result, value, point.name not in _STATED, is_current),
                at,
                birth=_birth_properties(point, units, point.column_description),
            )
        )
    return tuple(found)


def _quality_of(
    result: Result | None, value: MetricValue, is_figure: bool, is_current: bool
) -> Quality:
    """A figure is no better than its cycle's verdict, nor good when it is no longer current."""
    if result is None:
        return Quality.WAITING_FOR_INITIAL_DATA
    if value is None:
        return Quality.NO_DATA
    if is_figure and result.verdict is not Verdict.ACCEPTED:
        return Quality.SUB_NORMAL
    if is_figure and not is_current:
        return Quality.LAST_USABLE
    return Quality.GOOD


def _birth_properties(
    point: Point, units: OutletUnits, description: str | None = None
) -> tuple[Property, ...]:
    unit, limits = units.of(point), units.range_of(point)
    return _properties(
        point.description if description is None else description,
        "" if unit is None else unit.label,
        limits,
        codes_text(point),
    )


def _properties(
    description: str,
    unit: str = "",
    limits: tuple[float, float] | None = None,
    codes: Iterable[str] = (),
) -> tuple[Property, ...]:
    found = [Property("description", DataType.STRING, description)]
    if unit:
        found.append(Property(UNIT, DataType.STRING, unit))
    if limits is not None:
        found.append(Property("low", DataType.DOUBLE, limits[0]))
        found.append(Property("high", DataType.DOUBLE, limits[1]))
    if text := ", ".join(codes):
        found.append(Property("codes", DataType.STRING, text))
    return tuple(found)


def own_readings(site: str, waiting: int, now: datetime) -> tuple[Reading, ...]:
    """What the node says of itself; always good, as of now."""
    values: tuple[MetricValue, ...] = (site, __version__, waiting)
    return tuple(
        Reading(
            each.name,
            each.alias,
            each.datatype,
            value,
            Quality.GOOD,
            now,
            of_now=True,
            birth=_properties(each.description),
        )
        for each, value in zip(NODE_METRICS, values, strict=True)
    )
