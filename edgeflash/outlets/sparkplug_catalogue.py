"""Which Sparkplug metrics there are: names, aliases, data types. Pure.

Points come from the point catalogue under their own names. An alias never changes: analyzer
`number` n has n × 1000 and, within, the point's register for a point, 200 + register for a result's
figure, 400 + place for what only a result has, 600 + register for a point of the record.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from edgeflash.model import Result
from edgeflash.outlets.sparkplug_payload import (
    DataType,
    MetricValue,
)
from edgeflash.points import CATALOGUE, Point, PointType
from edgeflash.units import Quantity

ALIASES_EACH = 1000
_RESULT_POINTS, _RESULT_OWN, _RECORD_POINTS = 200, 400, 600

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


def codes_text(point: Point) -> tuple[str, ...]:
    """What each code or bit of a point is: `0=none`, `bit 3=…`."""
    if point.bits:
        return tuple(f"bit {bit.place}={bit.name}" for bit in point.bits)
    if point.texts:
        return tuple(f"{code}={text}" for code, text in enumerate(point.texts))
    return tuple(f"{each.code}={each.name}" for each in point.meanings)
