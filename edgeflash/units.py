"""Units at the edge: every map unit to the inside unit, and back for outlets.

Factors: BIPM SI brochure (9th ed.) and NIST SP 811 appendix B; conventional mmHg 133.322387415 Pa.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Quantity(StrEnum):
    """The kinds of quantity a point can be."""

    TEMPERATURE = "temperature"
    TEMPERATURE_DIFFERENCE = "temperature_difference"
    PRESSURE = "pressure"
    TIME = "time"
    FLOW = "flow"
    HEATING_RATE = "heating_rate"
    PERCENT = "percent"
    NONE = "none"


_COUNTED = frozenset({"cycles", "samples", "sparks"})


@dataclass(frozen=True, slots=True)
class Unit:
    """inside = value × factor + offset. unece: Recommendation 20 common code (None: no code)."""

    name: str
    label: str
    quantity: Quantity
    factor: float
    offset: float
    unece: str | None

    def to_inside(self, value: float) -> float:
        """The value in the inside unit of its quantity."""
        return value * self.factor + self.offset

    def from_inside(self, value: float) -> float:
        """The value in this unit."""
        return (value - self.offset) / self.factor


_T, _D, _P = Quantity.TEMPERATURE, Quantity.TEMPERATURE_DIFFERENCE, Quantity.PRESSURE
_S, _F, _R = Quantity.TIME, Quantity.FLOW, Quantity.HEATING_RATE

_ALL = (
    Unit("degC", "°C", _T, 1.0, 0.0, "CEL"),
    Unit("degF", "°F", _T, 5.0 / 9.0, -160.0 / 9.0, "FAH"),
    Unit("K", "K", _T, 1.0, -273.15, "KEL"),
    Unit("delta_degC", "°C", _D, 1.0, 0.0, "CEL"),
    Unit("delta_degF", "°F", _D, 5.0 / 9.0, 0.0, "FAH"),
    Unit("kPa", "kPa", _P, 1.0, 0.0, "KPA"),
    Unit("Pa", "Pa", _P, 1e-3, 0.0, "PAL"),
    Unit("hPa", "hPa", _P, 0.1, 0.0, "A97"),
    Unit("mbar", "mbar", _P, 0.1, 0.0, "MBR"),
    Unit("bar", "bar", _P, 100.0, 0.0, "BAR"),
    Unit("psi", "psi", _P, 6.894757293168361, 0.0, "PS"),
    Unit("mmHg", "mmHg", _P, 0.133322387415, 0.0, "HN"),
    Unit("s", "s", _S, 1.0, 0.0, "SEC"),
    Unit("ms", "ms", _S, 1e-3, 0.0, "C26"),
    Unit("min", "min", _S, 60.0, 0.0, "MIN"),
    Unit("mL/min", "mL/min", _F, 1.0, 0.0, "41"),
    Unit("L/min", "L/min", _F, 1000.0, 0.0, "L2"),
    Unit("L/h", "L/h", _F, 1000.0 / 60.0, 0.0, None),
    Unit("degC/min", "°C/min", _R, 1.0, 0.0, None),
    Unit("degF/min", "°F/min", _R, 5.0 / 9.0, 0.0, None),
    Unit("percent", "%", Quantity.PERCENT, 1.0, 0.0, "P1"),
)

UNITS: dict[str, Unit] = {unit.name: unit for unit in _ALL}
INSIDE: dict[Quantity, Unit] = {
    Quantity.TEMPERATURE: UNITS["degC"],
    Quantity.TEMPERATURE_DIFFERENCE: UNITS["delta_degC"],
    Quantity.PRESSURE: UNITS["kPa"],
    Quantity.TIME: UNITS["s"],
    Quantity.FLOW: UNITS["mL/min"],
    Quantity.HEATING_RATE: UNITS["degC/min"],
    Quantity.PERCENT: UNITS["percent"],
}

UNECE_NAMESPACE = "http://www.opcfoundation.org/UA/units/un/cefact"


def unece_unit_id(code: str) -> int:
    """The OPC UA UnitId of a UNECE code: its characters as big-endian bytes (OPC 10000-8, 5.6.3).

    >>> unece_unit_id("CEL")
    4408652
    """
    return int.from_bytes(code.encode("ascii"), "big")


def with_unit(number: str, unit: str) -> str:
    """A figure with its unit behind it; of what is counted there is 1 spark, but 2 sparks."""
    if number == "1" and unit in _COUNTED:
        unit = unit.removesuffix("s")
    return f"{number} {unit}".rstrip()


def outlet_unit(quantity: Quantity, temperature: str, pressure: str) -> Unit:
    """The unit an outlet shows a quantity in, given its temperature and pressure units."""
    match quantity:
        case Quantity.TEMPERATURE:
            return UNITS[temperature]
        case Quantity.TEMPERATURE_DIFFERENCE:
            return UNITS[f"delta_{temperature}"]
        case Quantity.HEATING_RATE:
            return UNITS[f"{temperature}/min"]
        case Quantity.PRESSURE:
            return UNITS[pressure]
    return INSIDE[quantity]
