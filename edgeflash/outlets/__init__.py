"""Outlets carry results onward: the OPC UA server, Modbus TCP servers, MQTT, the point list."""

from __future__ import annotations

from typing import TYPE_CHECKING

from edgeflash.outlets.listening import OutletError
from edgeflash.outlets.modbus_server import ModbusOutlet
from edgeflash.outlets.point_list import (
    PointRow,
    QualityRow,
    as_csv,
    as_json,
    as_markdown,
    quality_rows,
    rows,
)

if TYPE_CHECKING:
    from edgeflash.outlets.mqtt import MqttOutlet
    from edgeflash.outlets.opcua import OpcUaOutlet

__all__ = [
    "ModbusOutlet",
    "MqttOutlet",
    "OpcUaOutlet",
    "OutletError",
    "PointRow",
    "QualityRow",
    "as_csv",
    "as_json",
    "as_markdown",
    "quality_rows",
    "rows",
]


def __getattr__(name: str) -> object:
    # The libraries take their time to import; the point list and checks do without them.
    if name == "OpcUaOutlet":
        from edgeflash.outlets.opcua import OpcUaOutlet

        return OpcUaOutlet
    if name == "MqttOutlet":
        from edgeflash.outlets.mqtt import MqttOutlet

        return MqttOutlet
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
