"""What a point of an analyzer means, whatever its register map looks like."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum
from typing import TypeAlias

Scalar: TypeAlias = float | int | bool | str | datetime | tuple[str, ...] | None
"""A decoded point. None: the analyzer says "not available" (sentinel or not a number).

`fault_bits` decodes to the tuple of names of the bits that are set, `phase` to a Phase.
"""


class Phase(StrEnum):
    """What the analyzer is doing."""

    IDLE = "idle"
    CLEAN = "clean"
    ZERO = "zero"
    HEAT = "heat"
    FLASHED = "flashed"
    PURGE = "purge"
    CHECK_SAMPLE = "check_sample"
    MAINTENANCE = "maintenance"
    FAULT = "fault"


class Role(StrEnum):
    """The meaning of a point to edgeflash. A register map gives each its place."""

    CYCLE_NUMBER = "cycle_number"
    RESULT_TIME = "result_time"
    FLASH_POINT = "flash_point"
    PHASE = "phase"
    SAMPLE_TEMPERATURE = "sample_temperature"
    CELL_PRESSURE = "cell_pressure"
    IGNITION_SEEN = "ignition_seen"
    PEAK_PRESSURE = "peak_pressure"
    IGNITION_TEMPERATURE = "ignition_temperature"
    START_TEMPERATURE = "start_temperature"
    HEATING_RATE = "heating_rate"
    SPARK_COUNT = "spark_count"
    BAROMETRIC_PRESSURE = "barometric_pressure"
    TRANSDUCER_ZERO = "transducer_zero"
    SAMPLE_FLOW = "sample_flow"
    AIR_FLOW = "air_flow"
    SAMPLE_INLET_TEMPERATURE = "sample_inlet_temperature"
    CELL_TEMPERATURE = "cell_temperature"
    STREAM = "stream"
    FAULT_BITS = "fault_bits"
    ALIVE = "alive"
    TRACE_CYCLE = "trace_cycle"
    TRACE_LENGTH = "trace_length"
    TRACE_TIME = "trace_time"
    TRACE_INTERVAL = "trace_interval"
    TRACE_TEMPERATURE = "trace_temperature"
    TRACE_PRESSURE = "trace_pressure"
    PULSE_CYCLE = "pulse_cycle"
    PULSE_LENGTH = "pulse_length"
    PULSE_INTERVAL = "pulse_interval"
    PULSE_PRESSURE = "pulse_pressure"
    RECENT_NUMBER = "recent_number"
    RECENT_TIME = "recent_time"
    RECENT_FLASH_POINT = "recent_flash_point"
