"""The inputs in the point list: value, quality, age and whether it may be used, as rows. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from edgeflash.config.site import Input, ModbusServer, OpcUaServer, Site
from edgeflash.outlets.modbus_inputs import (
    AGE_OFFSET,
    QUALITY_NUMBERS,
    QUALITY_OFFSET,
    VALUE_OFFSET,
    VALUE_REGISTERS,
    address_of,
)
from edgeflash.outlets.opcua_names import (
    AGE,
    INPUTS_ID,
    IS_GOOD,
    input_browse_path,
    input_node_id_text,
    input_variable_type,
)
from edgeflash.outlets.point_rows import (
    FIRST_HOLDING_REGISTER,
    FIRST_INPUT_REGISTER,
    OutletPlace,
    PointRow,
)
from edgeflash.units import UNITS


@dataclass(frozen=True, slots=True)
class _Part:
    """One thing said of an input. registers: 0 when Modbus lacks it; opcua_type: "" likewise.

    is_written: the control system writes it. child, title: of its OPC UA node; "" for the input's.
    """

    name: str
    description: str
    type: str
    is_written: bool = False
    opcua_type: str = ""
    opcua_data_type: str = ""
    child: str = ""
    title: str = ""
    offset: int = 0
    registers: int = 0
    modbus_type: str = ""
    codes: tuple[str, ...] = ()


_QUALITY = _Part(
    ".quality",
    "quality of the value, as its writer says; anything but good is not used",
    "code",
    is_written=True,
    offset=QUALITY_OFFSET,
    registers=1,
    modbus_type="uint16",
    codes=tuple(f"{number}={trust}" for trust, number in QUALITY_NUMBERS.items()),
)
_AGE = _Part(
    f".{AGE}",
    "whole seconds since the value came",
    "float",
    opcua_type="BaseDataVariableType",
    opcua_data_type="Double",
    child=AGE,
    title="Age",
    offset=AGE_OFFSET,
    registers=1,
    modbus_type="uint16, 65535: older or not known",
)
_IS_GOOD = _Part(
    f".{IS_GOOD}",
    "whether the value may be used: good, in its range and not too old",
    "flag",
    opcua_type="BaseDataVariableType",
    opcua_data_type="Boolean",
    child=IS_GOOD,
    title="IsGood",
)


def input_rows(site: Site) -> list[PointRow]:
    """The rows of every input, in the order of the site file; of what some outlet shows."""
    every = (
        _row(declared, part, site.file.opcua, site.file.modbus)
        for declared in site.file.inputs
        for part in _parts(declared)
    )
    return [row for row in every if row.opcua is not None or row.modbus]


def _parts(declared: Input) -> tuple[_Part, ...]:
    value = _Part(
        "",
        declared.description or f"input {declared.id}",
        "float",
        is_written=True,
        opcua_type=input_variable_type(declared),
        opcua_data_type="Double",
        offset=VALUE_OFFSET,
        registers=VALUE_REGISTERS,
        modbus_type="float32",
    )
    if declared.value is not None:
        return (value, _QUALITY, _IS_GOOD)
    return (value, _QUALITY, _AGE, _IS_GOOD)


def _row(
    declared: Input, part: _Part, opcua: OpcUaServer | None, modbus: tuple[ModbusServer, ...]
) -> PointRow:
    address = address_of(declared) + part.offset
    in_opcua, in_modbus = bool(part.opcua_type), bool(part.registers)
    opcua_place = _place("OPC UA", declared, part, opcua) if opcua and in_opcua else None
    places = tuple(
        _place(f"Modbus {place}", declared, part, server)
        for place, server in enumerate(modbus, start=1)
        if in_modbus
    )
    every = (*places, *((opcua_place,) if opcua_place else ()))
    return PointRow(
        analyzer=INPUTS_ID,
        point=f"{declared.id}{part.name}",
        title=part.title or declared.id,
        description=part.description,
        type=part.type,
        codes=part.codes,
        opcua_node_id=input_node_id_text(declared, part.child) if in_opcua else "",
        opcua_path=input_browse_path(declared, part.title) if in_opcua else "",
        opcua_type=part.opcua_type,
        opcua_data_type=part.opcua_data_type,
        modbus_type=part.modbus_type,
        modbus_address=address if in_modbus else None,
        registers=part.registers,
        input_register=FIRST_INPUT_REGISTER + address if in_modbus else None,
        holding_register=FIRST_HOLDING_REGISTER + address if in_modbus else None,
        discrete_input=None,
        opcua=opcua_place,
        modbus=places,
        direction="write" if any(p.direction == "write" for p in every) else "read",
    )


def _place(
    outlet: str, declared: Input, part: _Part, server: OpcUaServer | ModbusServer
) -> OutletPlace:
    unit, low, high, order = "", None, None, ""
    if part.name == "":
        unit = UNITS[declared.unit].label if declared.unit in UNITS else ""
        low, high = declared.low, declared.high
        order = server.order.value if isinstance(server, ModbusServer) else ""
    elif part is _AGE:
        unit = "s"
    is_written = part.is_written and server.accept_inputs and declared.value is None
    return OutletPlace(
        f"{outlet} ({server.host}:{server.port})",
        unit,
        low,
        high,
        order=order,
        direction="write" if is_written else "read",
        address=address_of(declared) + part.offset if isinstance(server, ModbusServer) else None,
    )
