"""How a point is named and typed in OPC UA. Pure, and without the OPC UA library.

A NodeId is made of the analyzer's id and the point's name only, so neither the order of analyzers
nor another analyzer can change it. Types: OPC 10000-8 (data access).
"""

from __future__ import annotations

from edgeflash.points import Point, PointType
from edgeflash.units import Quantity

NAMESPACE_URI = "urn:edgeflash:points"
UNITS_NAMESPACE_URI = "urn:edgeflash:units"
"""Namespace of engineering units that have no UNECE code; their UnitId is -1."""

ROOT_NAME = "Edgeflash"


def identifier(analyzer: str, point: Point) -> str:
    """The string identifier of a point's node, for example `fp-101.flash_point_c`."""
    return f"{analyzer}.{point.name}"


def node_id_text(analyzer: str, point: Point) -> str:
    """The NodeId as text with its namespace URI (OPC 10000-6, 5.1.12), free of indexes."""
    return f"nsu={NAMESPACE_URI};s={identifier(analyzer, point)}"


def browse_path(analyzer: str, point: Point) -> str:
    """Browse names from Objects down to the point's node."""
    return f"Objects/{ROOT_NAME}/{analyzer}/{point.title}"


def variable_type(point: Point) -> str:
    """The standard VariableType of a point's node."""
    match point.type:
        case PointType.FLOAT if point.quantity is not Quantity.NONE:
            return "AnalogUnitRangeType"
        case PointType.CODE if point.texts:
            return "MultiStateDiscreteType"
        case PointType.FLAG:
            return "TwoStateDiscreteType"
    return "BaseDataVariableType"


def data_type(point: Point) -> str:
    """The built-in DataType of a point's value. A multi-state value must be an unsigned integer."""
    match point.type:
        case PointType.FLOAT:
            return "Double"
        case PointType.INT:
            return "UInt32"
        case PointType.CODE:
            return "UInt32" if point.texts else "UInt16"
        case PointType.FLAG:
            return "Boolean"
        case PointType.TIME:
            return "DateTime"
        case PointType.TEXT:
            return "String"
