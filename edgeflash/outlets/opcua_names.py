"""How a point is named and typed in OPC UA. Pure, and without the OPC UA library.

A NodeId is made of the analyzer's id and the point's name only, so neither the order of analyzers
nor another analyzer can change it. Types: OPC 10000-8 (data access).
"""

from __future__ import annotations

from edgeflash.config.site import Input
from edgeflash.points import Point, PointType
from edgeflash.units import UNITS, Quantity

NAMESPACE_URI = "urn:edgeflash:points"
"""Namespace of a server's own nodes, and of every browse name of ours below types."""

TYPES_NAMESPACE_URI = "urn:edgeflash:types"
"""Namespace of the types: the same on every server of one version."""

UNITS_NAMESPACE_URI = "urn:edgeflash:units"
"""Namespace of engineering units that have no UNECE code; their UnitId is -1."""

ROOT_NAME = "Edgeflash"
INPUTS_NAME = "Inputs"
INPUTS_ID = "inputs"
"""First part of the inputs' identifiers; no analyzer may have this id beside them."""
AGE, IS_GOOD = "age_s", "is_good"


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
        case PointType.CODE if point.meanings:
            return "MultiStateValueDiscreteType"
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


def input_identifier(declared: Input, child: str = "") -> str:
    """The string identifier of an input's node or of a child of it, for example `inputs.t10`."""
    return ".".join((INPUTS_ID, declared.id, child)).removesuffix(".")


def input_node_id_text(declared: Input, child: str = "") -> str:
    """The NodeId of an input's node or child as text with its namespace URI."""
    return f"nsu={NAMESPACE_URI};s={input_identifier(declared, child)}"


def input_browse_path(declared: Input, title: str = "") -> str:
    """Browse names from Objects down to an input's node or to a child of it."""
    return "/".join(("Objects", ROOT_NAME, INPUTS_NAME, declared.id, title)).removesuffix("/")


INPUT_TYPES: dict[str, str] = {
    "BaseDataVariableType": "InputType",
    "AnalogItemType": "RangeInputType",
    "AnalogUnitType": "UnitInputType",
    "AnalogUnitRangeType": "UnitRangeInputType",
}
"""Our VariableTypes of inputs by the standard's type that each is a subtype of."""


def input_standard_type(declared: Input) -> str:
    """The standard VariableType that demands just the properties an input has (OPC 10000-8)."""
    has_unit = declared.unit in UNITS
    if declared.low is not None and declared.high is not None:
        return "AnalogUnitRangeType" if has_unit else "AnalogItemType"
    return "AnalogUnitType" if has_unit else "BaseDataVariableType"


def input_variable_type(declared: Input) -> str:
    """Our VariableType of an input's node."""
    return INPUT_TYPES[input_standard_type(declared)]
