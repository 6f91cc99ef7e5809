"""The points of the latest cycle: its computed figures, and what they say of the product."""

from __future__ import annotations

from collections.abc import Callable

from edgeflash.model import Result
from edgeflash.points.point import LATEST, Point, PointType
from edgeflash.points.reading import latest
from edgeflash.units import Quantity

_T, _D, _P = Quantity.TEMPERATURE, Quantity.TEMPERATURE_DIFFERENCE, Quantity.PRESSURE


def result_float(
    name: str,
    title: str,
    description: str,
    register: int,
    get: Callable[[Result], float | None],
    quantity: Quantity,
    low: float,
    high: float,
    scale: int = 0,
) -> Point:
    """A figure of the latest cycle that is also a column of `results`."""
    about, read = LATEST + description, latest(get)
    return Point(
        name,
        title,
        about,
        PointType.FLOAT,
        register,
        read,
        quantity,
        low,
        high,
        of_result=get,
        scale=scale,
    )


FIGURES: tuple[Point, ...] = (
    result_float(
        "reported_c",
        "Reported",
        "flash point as the analyzer reports it. Not judged.",
        22,
        lambda r: r.computed.reported_c,
        _T,
        -50.0,
        400.0,
    ),
    result_float(
        "recomputed_c",
        "Recomputed",
        "sample temperature at the ignition, recomputed from the trace. Not judged.",
        24,
        lambda r: r.computed.recomputed_c,
        _T,
        -50.0,
        400.0,
    ),
    result_float(
        "corrected_c",
        "Corrected",
        "the chosen basis corrected to standard pressure. Not judged.",
        26,
        lambda r: r.computed.corrected_c,
        _T,
        -50.0,
        400.0,
    ),
    result_float(
        "uncertainty_c",
        "Uncertainty",
        "one standard deviation of the recomputed temperature.",
        28,
        lambda r: r.computed.uncertainty_c,
        _D,
        0.0,
        10.0,
    ),
    result_float(
        "resolution_c",
        "Resolution",
        "temperature step between two sparks.",
        30,
        lambda r: r.computed.resolution_c,
        _D,
        0.0,
        10.0,
    ),
    result_float(
        "heating_rate_c_per_min",
        "HeatingRate",
        "heating rate before the ignition, from the trace.",
        32,
        lambda r: r.computed.heating_rate_c_per_min,
        Quantity.HEATING_RATE,
        0.0,
        30.0,
    ),
    result_float(
        "peak_kpa",
        "IgnitionPeak",
        "highest cell pressure of the ignition above its baseline.",
        34,
        lambda r: r.computed.peak_kpa,
        _P,
        0.0,
        1000.0,
    ),
    result_float(
        "barometer_kpa",
        "Barometer",
        "absolute pressure used for the correction.",
        36,
        lambda r: r.computed.barometer_kpa,
        _P,
        50.0,
        110.0,
        scale=-1,
    ),
    result_float(
        "correction_c",
        "PressureCorrection",
        "correction to standard pressure that was added.",
        38,
        lambda r: r.computed.correction_c,
        _D,
        -10.0,
        15.0,
    ),
)
"""What was measured and computed."""

ASSESSED: tuple[Point, ...] = (
    result_float(
        "margin_c",
        "Margin",
        "flash point minus the product's limit; below 0 it fails. Not judged.",
        70,
        lambda r: r.assessment.margin_c,
        _D,
        -200.0,
        200.0,
        scale=1,
    ),
    result_float(
        "meets_limit_percent",
        "MeetsLimit",
        "probability that the true flash point meets the product's limit. Not judged.",
        72,
        lambda r: None if (p := r.assessment.probability) is None else 100.0 * p,
        Quantity.PERCENT,
        0.0,
        100.0,
    ),
    result_float(
        "minimum_c",
        "Minimum",
        "the product's lowest flash point, in force for it.",
        74,
        lambda r: r.assessment.minimum_c,
        _T,
        -50.0,
        400.0,
    ),
    result_float(
        "predicted_c",
        "Predicted",
        "flash point predicted from the blend or the distillation. A cross-check only.",
        76,
        lambda r: r.assessment.predicted_c,
        _T,
        -50.0,
        400.0,
    ),
    Point(
        "stream",
        "Stream",
        LATEST + "number of the stream that was measured.",
        PointType.INT,
        78,
        latest(lambda r: r.assessment.stream),
        of_result=lambda r: r.assessment.stream,
    ),
    Point(
        "product",
        "Product",
        LATEST + "product it was judged as.",
        PointType.TEXT,
        80,
        latest(lambda r: r.product or None),
    ),
    Point(
        "hazard_class",
        "HazardClass",
        LATEST + "hazard class by flash point under the site's scheme, as information only: local "
        "codes and licensed practice decide.",
        PointType.TEXT,
        96,
        latest(lambda r: r.assessment.hazard_class or None),
        of_result=lambda r: r.assessment.hazard_class or None,
    ),
)
"""What the figures say of the stream's product."""
