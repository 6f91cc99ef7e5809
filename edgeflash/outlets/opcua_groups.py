"""The members of analyzers, of the gateway and of inputs. Pure.

Each function makes them twice from one declaration: for the type (no place given: without what a
site chooses), and for an instance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from edgeflash.config.site import Analyzer, Input
from edgeflash.outlets.opcua_diagnostics import (
    ANALYZER_DIAGNOSTICS,
    GATEWAY_DIAGNOSTICS,
    Diagnostic,
)
from edgeflash.outlets.opcua_enumerations import Enumeration
from edgeflash.outlets.opcua_members import (
    Interval,
    Live,
    LiveKind,
    Meaning,
    Member,
    NodeClass,
    Presence,
    Ref,
    Space,
    Text,
    UnitInfo,
    Value,
    own_type,
    property_of,
    standard,
)
from edgeflash.outlets.opcua_names import (
    AGE,
    IS_GOOD,
    UNITS_NAMESPACE_URI,
    data_type,
    input_variable_type,
    variable_type,
)
from edgeflash.outlets.opcua_settings import (
    ANALYZER_SETTINGS,
    GATEWAY_SETTINGS,
    NAMEPLATE,
    InForce,
    Setting,
)
from edgeflash.outlets.point_rows import LIMITED_POINT
from edgeflash.outlets.values import INSTRUMENT_RANGE_POINTS, OutletUnits
from edgeflash.points import CATALOGUE, Point
from edgeflash.units import UNECE_NAMESPACE, UNITS, Quantity, Unit, outlet_unit, unece_unit_id

GROUP_TYPE = own_type("FunctionalGroupType")
MINIMUM = "minimum_c"
"""The point that says the minimum in force for the latest cycle."""


@dataclass(frozen=True, slots=True)
class Place:
    """One analyzer of one server."""

    analyzer: Analyzer
    units: OutletUnits
    in_force: InForce


def unit_info(unit: Unit) -> UnitInfo:
    """The unit as OPC 10000-8, 5.6.4 has it; without a UNECE code, in our own namespace."""
    if unit.unece is None:
        return UnitInfo(UNITS_NAMESPACE_URI, -1, unit.label)
    return UnitInfo(UNECE_NAMESPACE, unece_unit_id(unit.unece), unit.label)


def analyzer_points(place: Place | None) -> tuple[Member, ...]:
    """Every point of the catalogue."""
    return tuple(_point(point, place) for point in CATALOGUE)


def _point(point: Point, place: Place | None) -> Member:
    live = Live(LiveKind.POINT, place.analyzer.id, point.name) if place else None
    return Member(
        key=point.name,
        name=point.title,
        description=point.description,
        type=standard(variable_type(point)),
        data_type=standard(data_type(point)),
        live=live,
        members=(*_point_properties(point, place), *_limits(point, place)),
    )


def _point_properties(point: Point, place: Place | None) -> tuple[Member, ...]:
    """Those that OPC 10000-8 makes mandatory for the type, and a flash point's InstrumentRange."""
    match variable_type(point):
        case "AnalogUnitRangeType":
            return _analog_properties(point, place)
        case "MultiStateDiscreteType":
            texts = tuple(Text(text) for text in point.texts)
            return (property_of("EnumStrings", "LocalizedText", texts),)
        case "MultiStateValueDiscreteType":
            meanings = tuple(Meaning(m.code, m.name, m.sentence) for m in point.meanings)
            live = Live(LiveKind.TEXT_OF_POINT, place.analyzer.id, point.name) if place else None
            return (
                property_of("EnumValues", "EnumValueType", meanings),
                property_of("ValueAsText", "LocalizedText", live=live),
            )
        case "TwoStateDiscreteType":
            no, yes = point.texts if len(point.texts) == 2 else ("no", "yes")
            return (
                property_of("FalseState", "LocalizedText", Text(no)),
                property_of("TrueState", "LocalizedText", Text(yes)),
            )
    return ()


def _analog_properties(point: Point, place: Place | None) -> tuple[Member, ...]:
    own: Value = None
    limits: Value = None
    instrument: Value = None
    if place is not None:
        unit, span = place.units.of(point), place.units.range_of(point)
        assert unit is not None and span is not None, f"{point.name}: a quantity needs a range"
        own, limits = unit_info(unit), Interval(*span)
        low_c, high_c = place.analyzer.range_low_c, place.analyzer.range_high_c
        instrument = Interval(unit.from_inside(low_c), unit.from_inside(high_c))
    found = [
        property_of("EURange", "Range", limits),
        property_of("EngineeringUnits", "EUInformation", own),
    ]
    if point.name in INSTRUMENT_RANGE_POINTS:
        found.append(property_of("InstrumentRange", "Range", instrument))
    return tuple(found)


def _limits(point: Point, place: Place | None) -> tuple[Member, ...]:
    """The judged flash point's minimum; where something may choose it, as of the latest cycle."""
    if point.name != LIMITED_POINT:
        return ()
    value: Value = None
    live = None
    if place is not None:
        if not place.in_force.may_have_minimum(place.analyzer):
            return ()
        fixed_c = place.in_force.fixed_minimum_c(place.analyzer)
        unit = place.units.of(point)
        if fixed_c is None:
            live = Live(LiveKind.SAME_AS_POINT, place.analyzer.id, MINIMUM)
        else:
            value = fixed_c if unit is None else unit.from_inside(fixed_c)
    return (
        property_of(
            "LowLimit",
            "Double",
            value,
            description="The product's lowest flash point, in force; in the unit of the variable.",
            presence=Presence.WHERE_IT_APPLIES,
            live=live,
        ),
    )


def analyzer_groups(place: Place | None) -> tuple[Member, ...]:
    """Identification, Configuration and Diagnostics of an analyzer."""
    analyzer, in_force, units = (
        (place.analyzer, place.in_force, place.units) if place else (None, None, None)
    )
    identity = analyzer.id if analyzer else None
    return (
        _group(
            "Identification",
            "The analyzer's nameplate, as far as the site says.",
            _settings(NAMEPLATE, in_force, analyzer, units),
        ),
        _group(
            "Configuration",
            "How the analyzer's cycles are judged and published: the settings in force.",
            _settings(ANALYZER_SETTINGS, in_force, analyzer, units),
        ),
        _group(
            "Diagnostics",
            "How the reading of the analyzer goes.",
            tuple(_diagnostic(one, identity) for one in ANALYZER_DIAGNOSTICS),
        ),
    )


def gateway_groups(in_force: InForce | None) -> tuple[Member, ...]:
    """Configuration and Diagnostics of the gateway."""
    identity = None if in_force is None else ""
    return (
        _group(
            "Configuration",
            "What holds for the whole site.",
            _settings(GATEWAY_SETTINGS, in_force, None, None),
        ),
        _group(
            "Diagnostics",
            "How the gateway itself is.",
            tuple(_diagnostic(one, identity) for one in GATEWAY_DIAGNOSTICS),
        ),
    )


def _group(name: str, description: str, members: Sequence[Member]) -> Member:
    return Member(
        key=name,
        name=name,
        description=description,
        node_class=NodeClass.OBJECT,
        type=GROUP_TYPE,
        members=tuple(members),
    )


def _settings(
    declared: Sequence[Setting[Any]],
    in_force: InForce | None,
    of: Analyzer | None,
    units: OutletUnits | None,
) -> list[Member]:
    """in_force None: as members of a type, with the optional ones."""
    if in_force is None:
        return [_setting(one, None, None) for one in declared]
    read = ((one, one.read(in_force, of)) for one in declared)
    return [_setting(one, value, units) for one, value in read if value is not None]


def _setting(one: Setting[Any], value: Value, units: OutletUnits | None) -> Member:
    presence = Presence.WHERE_IT_APPLIES if one.is_optional else Presence.ALWAYS
    if one.quantity is not Quantity.NONE:
        unit = outlet_unit(one.quantity, units.temperature, units.pressure) if units else None
        if unit is not None and isinstance(value, float):
            value = unit.from_inside(value)
        return _with_unit(one.name, one.description, unit, value, presence)
    data: str | Ref = ""
    if isinstance(one.data_type, Enumeration):
        data = one.data_type.ref
        value = one.data_type.code(value) if isinstance(value, str) else value
    else:
        data = one.data_type
    return property_of(
        one.name,
        data,
        value,
        description=one.description,
        space=Space.POINTS,
        is_array=one.is_array,
        presence=presence,
    )


def _with_unit(
    name: str,
    description: str,
    unit: Unit | None,
    value: Value = None,
    presence: Presence = Presence.ALWAYS,
    live: Live | None = None,
) -> Member:
    info = None if unit is None else unit_info(unit)
    return Member(
        key=name,
        name=name,
        description=description,
        type=standard("AnalogUnitType"),
        data_type=standard("Double"),
        value=value,
        presence=presence,
        live=live,
        members=(property_of("EngineeringUnits", "EUInformation", info),),
    )


def _diagnostic(one: Diagnostic[Any], identity: str | None) -> Member:
    """identity: the analyzer's id, "" for the gateway; None for a type."""
    live = None if identity is None else Live(LiveKind.DIAGNOSTIC, identity, one.name)
    if one.unit is not None:
        return _with_unit(one.name, one.description, one.unit, live=live)
    return Member(
        key=one.name,
        name=one.name,
        description=one.description,
        type=standard("BaseDataVariableType"),
        data_type=standard(one.data_type),
        live=live,
    )


def input_member(declared: Input, is_writable: bool) -> Member:
    """An input's node."""
    return Member(
        key=declared.id,
        name=declared.id,
        description=declared.description or f"Input {declared.id}",
        type=own_type(input_variable_type(declared)),
        data_type=standard("Double"),
        is_writable=is_writable,
        live=Live(LiveKind.INPUT, name=declared.id),
        members=(*_input_properties(declared), *input_parts(declared)),
    )


def _input_properties(declared: Input) -> list[Member]:
    found = []
    if declared.low is not None and declared.high is not None:
        limits = Interval(declared.low, declared.high)
        found.append(property_of("EURange", "Range", limits))
    if (unit := UNITS.get(declared.unit)) is not None:
        found.append(property_of("EngineeringUnits", "EUInformation", unit_info(unit)))
    return found


def input_parts(declared: Input | None) -> tuple[Member, ...]:
    """Whether an input may be used, and its age, which a constant has not."""
    parts = [
        _input_part(declared, IS_GOOD, "IsGood", "Boolean", "Whether the value may be used."),
        _input_part(
            declared,
            AGE,
            "Age",
            "Double",
            "Whole seconds since the value came.",
            Presence.WHERE_IT_APPLIES,
        ),
    ]
    return tuple(parts[:1] if declared is not None and declared.value is not None else parts)


def _input_part(
    declared: Input | None,
    key: str,
    name: str,
    data: str,
    description: str,
    presence: Presence = Presence.ALWAYS,
) -> Member:
    return Member(
        key=key,
        name=name,
        description=description,
        type=standard("BaseDataVariableType"),
        data_type=standard(data),
        live=Live(LiveKind.INPUT, name=f"{declared.id}.{key}") if declared else None,
        presence=presence,
    )
