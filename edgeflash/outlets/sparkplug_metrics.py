"""What becomes a Sparkplug metric: name, alias, data type, properties and value. Pure.

Points come from the point catalogue under their own names. An alias never changes: analyzer
`number` n has n × 1000 and, within, the point's register for a point, 200 + register for a result's
figure, 400 + place for what only a result has, 600 + register for a point of the record.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime

from edgeflash import __version__
from edgeflash.model import Result, Verdict
from edgeflash.outlets.sparkplug_payload import (
    DataType,
    Metric,
    MetricValue,
    Property,
    milliseconds,
)
from edgeflash.outlets.values import OutletUnits, carried, shown
from edgeflash.points import CATALOGUE, Point, PointType
from edgeflash.publication import View
from edgeflash.trust import Quality, Trust
from edgeflash.units import Quantity

ALIASES_EACH = 1000
_RESULT_POINTS, _RESULT_OWN, _RECORD_POINTS = 200, 400, 600

QUALITY = "Quality"
"""The one key of a property that the specification fixes (6.4.14)."""

STATUS = "status"
UNIT = "engUnit"

QUALITY_CODES: dict[Trust, int] = {Trust.GOOD: 192, Trust.UNCERTAIN: 500, Trust.BAD: 0}
"""Good, stale, bad: the only values that the specification allows. Whatever is not simply good but
has a value is "stale": never taken for good, and the property `status` says what it is."""

DATA_TYPES: dict[PointType, DataType] = {
    PointType.FLOAT: DataType.DOUBLE,
    PointType.INT: DataType.INT64,
    PointType.CODE: DataType.UINT16,
    PointType.FLAG: DataType.BOOLEAN,
    PointType.TIME: DataType.DATETIME,
    PointType.TEXT: DataType.STRING,
}

RECORD_SUFFIX = ".record"
"""Ends the name of the device with what the gateway itself knows of an analyzer. No analyzer's id
has a dot."""

RECORD_POINTS: tuple[Point, ...] = tuple(
    point
    for point in CATALOGUE
    if point.name
    in {
        "quality",
        "reason_code",
        "reason_text",
        "possible_low_flash",
        "link_state",
        "device_health",
        "status_bits",
        "alarms_active",
        "alarms_unacknowledged",
    }
)
"""Points that must still be told while the analyzer cannot be reached and its device is dead."""


@dataclass(frozen=True, slots=True)
class ResultMetric:
    """What a result says beside the figures that are points. place: for ever; append only.

    is_figure: it is a measurement, and no better than the cycle's verdict.
    """

    name: str
    place: int
    datatype: DataType
    description: str
    get: Callable[[Result], MetricValue]
    quantity: Quantity = Quantity.NONE
    is_figure: bool = False


RESULT_METRICS: tuple[ResultMetric, ...] = (
    ResultMetric(
        "id",
        0,
        DataType.STRING,
        "Analyzer, epoch and cycle number; a result with an id seen before is a repeat.",
        lambda r: r.id,
    ),
    ResultMetric(
        "verdict",
        1,
        DataType.STRING,
        "accepted, doubtful or rejected.",
        lambda r: r.verdict.value,
    ),
    ResultMetric(
        "published_c",
        2,
        DataType.DOUBLE,
        "This cycle's own flash point as it may be used; null when rejected.",
        lambda r: r.published_c,
        Quantity.TEMPERATURE,
        is_figure=True,
    ),
    ResultMetric(
        "reasons",
        3,
        DataType.STRING,
        "Rules that doubt or reject, the worst first.",
        lambda r: ", ".join(r.reasons),
    ),
    ResultMetric(
        "reason_text",
        4,
        DataType.STRING,
        "What these rules say, in words.",
        lambda r: "; ".join(f.sentence for f in r.findings if f.rule in r.reasons),
    ),
    ResultMetric(
        "product", 5, DataType.STRING, "Product it was judged as.", lambda r: r.product or None
    ),
    ResultMetric(
        "finished_at",
        6,
        DataType.DATETIME,
        "When the result was made, UTC.",
        lambda r: r.cycle.finished_at,
    ),
    ResultMetric(
        "judged_at",
        7,
        DataType.DATETIME,
        "When the gateway judged it, UTC.",
        lambda r: r.judged_at,
    ),
    ResultMetric(
        "source",
        8,
        DataType.STRING,
        "live, or ring: fetched later from the analyzer.",
        lambda r: r.cycle.source.value,
    ),
    ResultMetric(
        "rules_version",
        9,
        DataType.STRING,
        "Rules that judged the cycle.",
        lambda r: r.rules_version,
    ),
)


@dataclass(frozen=True, slots=True)
class NodeMetric:
    """What the node says of itself. alias: below those of any analyzer, for ever; append only."""

    name: str
    alias: int
    datatype: DataType
    description: str


NODE_METRICS = (
    NodeMetric("site", 1, DataType.STRING, "Name of the site."),
    NodeMetric("edgeflash_version", 2, DataType.STRING, "Version of the gateway."),
    NodeMetric(
        "results_waiting", 3, DataType.INT64, "Results in the journal that are not yet sent."
    ),
)

RESULT_POINTS: tuple[Point, ...] = tuple(p for p in CATALOGUE if p.of_result is not None)

_STATED = frozenset({"possible_low_flash", "cycle_number", "epoch", "sampled_at", "stream"})
"""Of these, what the gateway states, whatever the verdict; the others are figures of the cycle."""


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


def device_alias(number: int, point: Point) -> int:
    """The alias of a point of an analyzer's device."""
    return number * ALIASES_EACH + point.register


def record_alias(number: int, point: Point) -> int:
    """The alias of a point of its record."""
    return number * ALIASES_EACH + _RECORD_POINTS + point.register


def result_alias(number: int, metric: ResultMetric) -> int:
    """The alias of what only a result says."""
    return number * ALIASES_EACH + _RESULT_OWN + metric.place


def result_point_alias(number: int, point: Point) -> int:
    """The alias of a result's figure that is also a point."""
    return number * ALIASES_EACH + _RESULT_POINTS + point.register


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
    number: int, result: Result | None, units: OutletUnits, now: datetime
) -> tuple[Reading, ...]:
    """The metrics of one judged cycle, with the time its sample passed the tap; without a cycle,
    none has a value."""
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
                _quality_of(result, value, is_figure=each.is_figure),
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
                _quality_of(result, value, is_figure=point.name not in _STATED),
                at,
                birth=_birth_properties(point, units, point.column_description),
            )
        )
    return tuple(found)


def _quality_of(result: Result | None, value: MetricValue, *, is_figure: bool) -> Quality:
    """A figure is no better than its cycle's verdict."""
    if result is None:
        return Quality.WAITING_FOR_INITIAL_DATA
    if value is None:
        return Quality.NO_DATA
    if is_figure and result.verdict is not Verdict.ACCEPTED:
        return Quality.SUB_NORMAL
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


def codes_text(point: Point) -> tuple[str, ...]:
    """What each code or bit of a point is: `0=none`, `bit 3=…`."""
    if point.bits:
        return tuple(f"bit {bit.place}={bit.name}" for bit in point.bits)
    if point.texts:
        return tuple(f"{code}={text}" for code, text in enumerate(point.texts))
    return tuple(f"{each.code}={each.name}" for each in point.meanings)


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
