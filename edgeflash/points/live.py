"""The points of the analyzer as it is now, and of the gateway's counting."""

from __future__ import annotations

from edgeflash.model import Role
from edgeflash.points.point import Point, PointType
from edgeflash.points.reading import live, state
from edgeflash.units import Quantity

LIVE: tuple[Point, ...] = (
    Point(
        "live_flash_point_c",
        "LiveFlashPoint",
        "What the analyzer shows as flash point now. Not judged: do not control on it.",
        PointType.FLOAT,
        40,
        live(Role.FLASH_POINT),
        Quantity.TEMPERATURE,
        -50.0,
        400.0,
    ),
    Point(
        "live_sample_temperature_c",
        "LiveSampleTemperature",
        "Sample temperature in the cup now.",
        PointType.FLOAT,
        42,
        live(Role.SAMPLE_TEMPERATURE),
        Quantity.TEMPERATURE,
        -50.0,
        400.0,
    ),
    Point(
        "live_cell_pressure_kpa",
        "LiveCellPressure",
        "Cell pressure above ambient now.",
        PointType.FLOAT,
        44,
        live(Role.CELL_PRESSURE),
        Quantity.PRESSURE,
        -100.0,
        1000.0,
    ),
    Point(
        "live_sample_flow_ml_per_min",
        "LiveSampleFlow",
        "Sample flow now.",
        PointType.FLOAT,
        46,
        live(Role.SAMPLE_FLOW),
        Quantity.FLOW,
        0.0,
        1000.0,
    ),
)
"""Readings of now; nothing judges them."""

COUNTED: tuple[Point, ...] = (
    Point(
        "accepted_count",
        "AcceptedCount",
        "Cycles accepted since the gateway started.",
        PointType.INT,
        48,
        state(lambda v: v.standing.counts.accepted),
    ),
    Point(
        "doubtful_count",
        "DoubtfulCount",
        "Cycles doubted since the gateway started.",
        PointType.INT,
        50,
        state(lambda v: v.standing.counts.doubtful),
    ),
    Point(
        "rejected_count",
        "RejectedCount",
        "Cycles rejected since the gateway started.",
        PointType.INT,
        52,
        state(lambda v: v.standing.counts.rejected),
    ),
    Point(
        "reason_text",
        "ReasonText",
        "The reason in words; Modbus carries the first 32 bytes.",
        PointType.TEXT,
        54,
        state(lambda v: v.reason_text),
    ),
)
"""How many cycles came to which verdict, and the reason in force in words."""
