"""Where each point of each analyzer is in every outlet, as rows. Pure.

Made from the catalogue and the site file, so the rows cannot be out of date.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import overload

from edgeflash.config.site import Analyzer, ModbusServer, OpcUaServer, Site, SiteFile
from edgeflash.outlets.alarm_limits import failing_c
from edgeflash.outlets.modbus_encoding import REORDERED, TEXT_BYTES
from edgeflash.outlets.modbus_integers import IntegerPlace, integer_place
from edgeflash.outlets.modbus_layout import ORDERS, addresses_on, unit_of
from edgeflash.outlets.opcua_names import browse_path, data_type, node_id_text, variable_type
from edgeflash.outlets.values import INSTRUMENT_RANGE_POINTS, OutletUnits
from edgeflash.points import BLOCK_REGISTERS, CATALOGUE, Point, PointType
from edgeflash.trust import Quality

FIRST_DISCRETE_INPUT = 100_001
FIRST_INPUT_REGISTER = 300_001
FIRST_HOLDING_REGISTER = 400_001
"""Six-digit register numbers: a table's digit, then the address counted from 1 (common practice,
no source; the protocol itself counts from 0)."""

LIMITED_POINT = "flash_point_c"
"""The point that a product's limit is compared with."""

_MODBUS_TYPES: dict[PointType, str] = {
    PointType.FLOAT: "float32",
    PointType.INT: "uint32",
    PointType.CODE: "uint16",
    PointType.FLAG: "uint16, 0 or 1",
    PointType.TIME: "uint64, microseconds since 1970-01-01 UTC",
    PointType.TEXT: f"{TEXT_BYTES} bytes of UTF-8, zero filled",
}


@dataclass(frozen=True, slots=True)
class OutletPlace:
    """How one outlet shows a point. low, high: range in `unit`; order: of registers and bytes.

    direction: "read", or "write" where clients of this outlet may write it. alarm_limits: below
    which flash point which product raises `below_limit`. Of Modbus only: address: of the point on
    this server, counted from 0; unit_id: the unit to ask, None: any; integer: where it stands as
    an integer; in_order: its address in each order, where it has one.
    """

    outlet: str
    unit: str
    low: float | None
    high: float | None
    instrument_low: float | None = None
    instrument_high: float | None = None
    order: str = ""
    direction: str = "read"
    alarm_limits: str = ""
    address: int | None = None
    unit_id: int | None = None
    integer: IntegerPlace | None = None
    in_order: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class PointRow:
    """One point of one analyzer, or one part of an input.

    codes: also what each bit of a word is. modbus_address: zero-based, as sent, on the first
    Modbus server; None when Modbus lacks it, as an empty opcua_node_id says of OPC UA.
    input_register (function 4) and holding_register (function 3) are the same address as one-based
    numbers; discrete_input only for flags, and the first one of a word of bits. direction: "write"
    when any outlet takes it from the control system.
    """

    analyzer: str
    point: str
    title: str
    description: str
    type: str
    codes: tuple[str, ...]
    opcua_node_id: str
    opcua_path: str
    opcua_type: str
    opcua_data_type: str
    modbus_type: str
    modbus_address: int | None
    registers: int
    input_register: int | None
    holding_register: int | None
    discrete_input: int | None
    opcua: OutletPlace | None
    modbus: tuple[OutletPlace, ...]
    direction: str = "read"


@dataclass(frozen=True, slots=True)
class ModbusNumbers:
    """Where one server has a point: unit to ask, address from 0, and one-based numbers."""

    unit: str
    address: int
    input_register: int
    holding_register: int
    discrete_input: int | None


def modbus_numbers(row: PointRow, place: OutletPlace) -> ModbusNumbers | None:
    """The numbers of a row on one of its servers; None when Modbus lacks it."""
    if place.address is None or row.modbus_address is None:
        return None
    discrete = row.discrete_input
    return ModbusNumbers(
        "any" if place.unit_id is None else str(place.unit_id),
        place.address,
        FIRST_INPUT_REGISTER + place.address,
        FIRST_HOLDING_REGISTER + place.address,
        None if discrete is None else discrete + place.address - row.modbus_address,
    )


@dataclass(frozen=True, slots=True)
class QualityRow:
    """One quality as each outlet spells it."""

    opcua_name: str
    opcua_code: str
    modbus: int
    trust: str
    meaning: str


def analyzer_rows(site: Site) -> list[PointRow]:
    """Every point of every analyzer, in the order of the site file and of the catalogue."""
    return [
        _row(analyzer, point, site.file) for analyzer in site.file.analyzers for point in CATALOGUE
    ]


def quality_rows() -> list[QualityRow]:
    """The quality table, in the order of the Modbus numbers."""
    entries = sorted((q.value for q in Quality), key=lambda entry: entry.modbus)
    return [
        QualityRow(e.opcua_name, f"0x{e.opcua_code:08X}", e.modbus, e.trust.value, e.meaning)
        for e in entries
    ]


def _row(analyzer: Analyzer, point: Point, file: SiteFile) -> PointRow:
    opcua, modbus = file.opcua, file.modbus
    limits = failing_c(analyzer, file.products) if point.name == LIMITED_POINT else {}
    block = addresses_on(modbus[0] if modbus else ModbusServer(), analyzer.number).block
    address = block + point.register
    discrete = None
    if point.type is PointType.FLAG or point.bits:
        discrete = block + (point.bits_at if point.bits else point.register)
    return PointRow(
        analyzer=analyzer.id,
        point=point.name,
        title=point.title,
        description=point.description,
        type=point.type.value,
        codes=_codes(point),
        opcua_node_id=node_id_text(analyzer.id, point),
        opcua_path=browse_path(analyzer.id, point),
        opcua_type=variable_type(point),
        opcua_data_type=data_type(point),
        modbus_type=_MODBUS_TYPES[point.type],
        modbus_address=address,
        registers=point.registers,
        input_register=FIRST_INPUT_REGISTER + address,
        holding_register=FIRST_HOLDING_REGISTER + address,
        discrete_input=None if discrete is None else FIRST_DISCRETE_INPUT + discrete,
        opcua=_place("OPC UA", analyzer, point, opcua, limits) if opcua else None,
        modbus=tuple(
            _modbus_place(f"Modbus {place}", analyzer, point, server, limits)
            for place, server in enumerate(modbus, start=1)
        ),
    )


def _codes(point: Point) -> tuple[str, ...]:
    if point.bits:
        return tuple(f"bit {bit.place}={bit.name}" for bit in point.bits)
    return tuple(f"{code}={text}" for code, text in enumerate(point.texts))


def _modbus_place(
    outlet: str,
    analyzer: Analyzer,
    point: Point,
    server: ModbusServer,
    limits: Mapping[str, tuple[str, float]],
) -> OutletPlace:
    places = addresses_on(server, analyzer.number)
    in_order: dict[str, int] = {}
    if point.type in REORDERED and places.orders is not None:
        for place, order in enumerate(ORDERS):
            in_order[order.value] = places.orders + place * BLOCK_REGISTERS + point.register
    return replace(
        _place(outlet, analyzer, point, server, limits),
        order=server.order.value if point.type in REORDERED else "",
        address=places.block + point.register,
        unit_id=unit_of(server, analyzer.number),
        integer=integer_place(server, analyzer.number, point),
        in_order=in_order,
    )


def _place(
    outlet: str,
    analyzer: Analyzer,
    point: Point,
    server: OpcUaServer | ModbusServer,
    limits: Mapping[str, tuple[str, float]],
) -> OutletPlace:
    units = OutletUnits(server.temperature_unit, server.pressure_unit)
    unit = units.of(point)
    low, high = units.range_of(point) or (None, None)
    instrument_low = instrument_high = None
    if unit is not None and point.name in INSTRUMENT_RANGE_POINTS:
        instrument_low = unit.from_inside(analyzer.range_low_c)
        instrument_high = unit.from_inside(analyzer.range_high_c)
    return OutletPlace(
        f"{outlet} ({server.host}:{server.port})",
        unit.label if unit else "",
        _rounded(low),
        _rounded(high),
        _rounded(instrument_low),
        _rounded(instrument_high),
        alarm_limits="; ".join(
            f"{fails} {_rounded(unit.from_inside(limit_c)):g} {unit.label} ({name})"
            for name, (fails, limit_c) in limits.items()
            if unit is not None
        ),
    )


@overload
def _rounded(value: float) -> float: ...
@overload
def _rounded(value: None) -> None: ...
def _rounded(value: float | None) -> float | None:
    """Without the last digits a unit conversion leaves behind."""
    return None if value is None else round(value, 6)
