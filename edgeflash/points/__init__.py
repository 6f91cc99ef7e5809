"""The published points, declared once; outlets, history and the point list are made from them."""

from edgeflash.points.catalogue import CATALOGUE
from edgeflash.points.codes import (
    ALARM_TEXTS,
    CLOCK_TEXTS,
    HEALTH_TEXTS,
    LINK_TEXTS,
    PHASE_TEXTS,
    VERDICT_TEXTS,
)
from edgeflash.points.point import (
    BLOCK_REGISTERS,
    LATEST,
    REGISTERS_OF,
    STATUS_WORD,
    TEST_ACTIVE,
    CodeMeaning,
    Point,
    PointScalar,
    PointType,
    PointValue,
)

__all__ = [
    "ALARM_TEXTS",
    "BLOCK_REGISTERS",
    "CATALOGUE",
    "CLOCK_TEXTS",
    "HEALTH_TEXTS",
    "LATEST",
    "LINK_TEXTS",
    "PHASE_TEXTS",
    "REGISTERS_OF",
    "STATUS_WORD",
    "TEST_ACTIVE",
    "VERDICT_TEXTS",
    "CodeMeaning",
    "Point",
    "PointScalar",
    "PointType",
    "PointValue",
]
