"""What each role may be: its quantity, its encodings, and the units a map may give it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from edgeflash.config.register_map import WHOLE_RANGE, Encoding
from edgeflash.model import Role
from edgeflash.units import UNITS, Quantity

EPOCH_UNITS = ("epoch_s", "epoch_ms")
"""Units of a time stamp held as a number: since 1970-01-01 00:00 UTC."""

WHOLE = frozenset(WHOLE_RANGE)
FLOATS = frozenset({Encoding.FLOAT32, Encoding.FLOAT64})
NUMBERS = WHOLE | FLOATS


@dataclass(frozen=True, slots=True)
class RoleKind:
    """The encodings that can hold a role, what they hold in words, and the role's quantity."""

    encodings: frozenset[Encoding]
    words: str
    quantity: Quantity = Quantity.NONE

    @property
    def units(self) -> tuple[str, ...]:
        """Units a number of this kind is given in; empty for a number without dimension."""
        if self is TIME:
            return EPOCH_UNITS
        if self.quantity is Quantity.NONE:
            return ()
        return tuple(unit.name for unit in UNITS.values() if unit.quantity is self.quantity)


# float32 would hold seconds since 1970 to no better than 128 s; 16 bits not at all.
_STAMPS = frozenset(
    {Encoding.INT32, Encoding.UINT32, Encoding.INT64, Encoding.UINT64, Encoding.FLOAT64}
)
TIME = RoleKind(_STAMPS | {Encoding.SPLIT_TIME}, "a time stamp")
COUNTER = RoleKind(WHOLE, "a whole number that counts")
COUNT = RoleKind(NUMBERS, "a number")
PHASE = RoleKind(WHOLE, "a whole number with a meaning for each value")
FAULTS = RoleKind(frozenset({Encoding.UINT16, Encoding.UINT32}), "a set of bits")
FLAG = RoleKind(frozenset({Encoding.BOOL}), "one bit")
SIGN_OF_LIFE = RoleKind(NUMBERS | {Encoding.BOOL}, "a counter or a toggling bit")
LABEL = RoleKind(NUMBERS | {Encoding.STRING}, "a number or a text")


def _measure(quantity: Quantity) -> RoleKind:
    return RoleKind(NUMBERS, f"a {quantity.value.replace('_', ' ')}", quantity)


_TEMPERATURE = _measure(Quantity.TEMPERATURE)
_PRESSURE = _measure(Quantity.PRESSURE)
_FLOW = _measure(Quantity.FLOW)
_DURATION = _measure(Quantity.TIME)

KINDS: Mapping[Role, RoleKind] = {
    Role.CYCLE_NUMBER: COUNTER,
    Role.RESULT_TIME: TIME,
    Role.FLASH_POINT: _TEMPERATURE,
    Role.PHASE: PHASE,
    Role.SAMPLE_TEMPERATURE: _TEMPERATURE,
    Role.CELL_PRESSURE: _PRESSURE,
    Role.IGNITION_SEEN: FLAG,
    Role.PEAK_PRESSURE: _PRESSURE,
    Role.IGNITION_TEMPERATURE: _TEMPERATURE,
    Role.START_TEMPERATURE: _TEMPERATURE,
    Role.HEATING_RATE: _measure(Quantity.HEATING_RATE),
    Role.SPARK_COUNT: COUNT,
    Role.BAROMETRIC_PRESSURE: _PRESSURE,
    Role.TRANSDUCER_ZERO: _PRESSURE,
    Role.SAMPLE_FLOW: _FLOW,
    Role.AIR_FLOW: _FLOW,
    Role.SAMPLE_INLET_TEMPERATURE: _TEMPERATURE,
    Role.CELL_TEMPERATURE: _TEMPERATURE,
    Role.STREAM: LABEL,
    Role.FAULT_BITS: FAULTS,
    Role.ALIVE: SIGN_OF_LIFE,
    Role.TRACE_CYCLE: COUNTER,
    Role.TRACE_LENGTH: COUNTER,
    Role.TRACE_TIME: _DURATION,
    Role.TRACE_INTERVAL: _DURATION,
    Role.TRACE_TEMPERATURE: _TEMPERATURE,
    Role.TRACE_PRESSURE: _PRESSURE,
    Role.PULSE_CYCLE: COUNTER,
    Role.PULSE_LENGTH: COUNTER,
    Role.PULSE_INTERVAL: _DURATION,
    Role.PULSE_PRESSURE: _PRESSURE,
    Role.RECENT_NUMBER: COUNTER,
    Role.RECENT_TIME: TIME,
    Role.RECENT_FLASH_POINT: _TEMPERATURE,
}

LIVE_ROLES = (
    Role.CYCLE_NUMBER,
    Role.RESULT_TIME,
    Role.FLASH_POINT,
    Role.PHASE,
    Role.SAMPLE_TEMPERATURE,
    Role.CELL_PRESSURE,
    Role.IGNITION_SEEN,
    Role.BAROMETRIC_PRESSURE,
    Role.SAMPLE_FLOW,
    Role.AIR_FLOW,
    Role.SAMPLE_INLET_TEMPERATURE,
    Role.CELL_TEMPERATURE,
    Role.STREAM,
    Role.FAULT_BITS,
    Role.ALIVE,
)
"""Roles that are read with every poll; all others with a finished cycle."""

TRACE_ARRAYS = (Role.TRACE_TEMPERATURE, Role.TRACE_PRESSURE, Role.TRACE_TIME)
TRACE_ROLES = (*TRACE_ARRAYS, Role.TRACE_INTERVAL, Role.TRACE_LENGTH, Role.TRACE_CYCLE)
PULSE_ROLES = (Role.PULSE_PRESSURE, Role.PULSE_INTERVAL, Role.PULSE_LENGTH, Role.PULSE_CYCLE)
RECENT_ARRAYS = (Role.RECENT_NUMBER, Role.RECENT_FLASH_POINT, Role.RECENT_TIME)
ARRAYS = frozenset({*TRACE_ARRAYS, Role.PULSE_PRESSURE, *RECENT_ARRAYS})


def has_trace(roles: frozenset[Role]) -> bool:
    """True when a trace can be had: from the analyzer's block, or by polling live values."""
    return has_trace_block(roles) or {Role.SAMPLE_TEMPERATURE, Role.CELL_PRESSURE} <= roles


def has_trace_block(roles: frozenset[Role]) -> bool:
    """True when the map has a complete trace block."""
    timed = Role.TRACE_TIME in roles or Role.TRACE_INTERVAL in roles
    return timed and {Role.TRACE_TEMPERATURE, Role.TRACE_PRESSURE} <= roles
