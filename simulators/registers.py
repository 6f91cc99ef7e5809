"""Register layout of the simulated analyzer and its image in memory.

Input registers: live values, last result, trace block. Holding registers: settings (constant)
and the ring of the last results. All addresses are zero-based. Values are encoded here with
`struct`, so that the gateway's decoder meets an encoder it does not share.
"""

from __future__ import annotations

import copy
import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulators.errors import UnmappedAddressError
from simulators.firmware import TRACE_CAPACITY, Result, Trace
from simulators.pulse import PULSE_CAPACITY, PULSE_INTERVAL_S

# Live values, input registers
ALIVE = 1  # uint16, counts seconds of the device
PHASE = 2  # uint16, cycle.Phase
STATUS = 3  # bits: 0 ignition seen in the running cycle, 1 heater on, 2 check sample, 3 maintenance
FAULT_BITS = 4  # uint32, bits of the running cycle
SAMPLE_TEMPERATURE = 6  # int16, 0.01 °C
CELL_PRESSURE = 7  # int16, 0.01 kPa, transducer signal with its offset
BAROMETER = 8  # uint16, 0.1 hPa
SAMPLE_FLOW = 9  # uint16, 0.1 mL/min
AIR_FLOW = 10  # float32 low word first, L/h
INLET_TEMPERATURE = 12  # int16, 0.1 °C
CELL_TEMPERATURE = 13  # int16, 0.1 °C
STREAM = 14  # uint16

# Last result, input registers, always written together
RESULT_FIRST = 20
CYCLE_NUMBER = 20  # uint16
RESULT_TIME = 22  # uint32, UTC seconds since 1970
FLASH_POINT = 24  # float32 low word first, °C, NaN = none
PEAK_PRESSURE = 26  # float32, kPa above zero
IGNITION_TEMPERATURE = 28  # int16, 0.01 °C, 0x8000 = none
START_TEMPERATURE = 29  # int16, 0.01 °C
HEATING_RATE = 30  # uint16, 0.01 °C/min, 0xFFFF = none
SPARK_COUNT = 31  # uint16
TRANSDUCER_ZERO = 32  # int16, Pa
RESULT_FLAGS = 33  # bits: 0 ignition seen, 1 check sample, 2 maintenance
RESULT_FAULT_BITS = 34  # uint32, bits during the cycle that gave the result
RESULT_LAST = 35

# Trace block, input registers
TRACE_CYCLE = 1000  # uint16
TRACE_LENGTH = 1001  # uint16
TRACE_TIME = 1100  # uint16 each, 0.01 s
TRACE_TEMPERATURE = 2200  # int16 each, 0.01 °C
TRACE_PRESSURE = 3300  # int16 each, 0.01 kPa

# Fast capture of the pressure around the detection, input registers; length 0: none
PULSE_CYCLE = 5000  # uint16
PULSE_LENGTH = 5001  # uint16
PULSE_INTERVAL = 5002  # uint16, 0.01 ms
PULSE_PRESSURE = 5100  # int16 each, 0.01 kPa

# Ring of the last results, holding registers; a slot: number, spare, time (2), flash (2), spare (2)
RING_FIRST = 400
RING_SLOTS = 16
RING_SLOT_SIZE = 8
RING_NUMBER, RING_TIME, RING_FLASH_POINT = 0, 2, 4

READABLE: dict[str, tuple[tuple[int, int], ...]] = {
    "input": (
        (0, 63),
        (TRACE_CYCLE, TRACE_LENGTH + 6),
        (TRACE_TIME, TRACE_TIME + TRACE_CAPACITY - 1),
        (TRACE_TEMPERATURE, TRACE_TEMPERATURE + TRACE_CAPACITY - 1),
        (TRACE_PRESSURE, TRACE_PRESSURE + TRACE_CAPACITY - 1),
        (PULSE_CYCLE, PULSE_INTERVAL),
        (PULSE_PRESSURE, PULSE_PRESSURE + PULSE_CAPACITY - 1),
    ),
    "holding": ((0, 15), (RING_FIRST, RING_FIRST + RING_SLOTS * RING_SLOT_SIZE - 1)),
}
SIZES = {table: ranges[-1][1] + 1 for table, ranges in READABLE.items()}

NO_INT16 = 0x8000
NO_UINT16 = 0xFFFF
MODEL_CODE = 0x4B31


@dataclass(frozen=True, slots=True)
class Live:
    """Live values at one instant, in °C, kPa and mL/min."""

    alive: int
    phase: int
    status: int
    fault_bits: int
    sample_temperature_c: float
    cell_pressure_kpa: float
    barometer_kpa: float
    sample_flow_ml_per_min: float
    air_flow_ml_per_min: float
    inlet_temperature_c: float
    cell_temperature_c: float
    stream: int


def float32_words(value: float, low_word_first: bool = False) -> list[int]:
    """A float32 in two registers, high word first unless told otherwise."""
    high, low = struct.unpack(">HH", struct.pack(">f", value))
    return [low, high] if low_word_first else [high, low]


def uint32_words(value: int) -> list[int]:
    """An unsigned 32-bit number in two registers, high word first."""
    return list(struct.unpack(">HH", struct.pack(">I", value & 0xFFFFFFFF)))


def int16_word(value: float, step: float) -> int:
    """A signed scaled value, held at the range's ends; NaN gives NO_INT16."""
    if math.isnan(value):
        return NO_INT16
    raw = min(max(round(value / step), -32767), 32767)
    return int(struct.unpack(">H", struct.pack(">h", raw))[0])


def uint16_word(value: float, step: float) -> int:
    """An unsigned scaled value, held at the range's ends; NaN gives NO_UINT16."""
    if math.isnan(value):
        return NO_UINT16
    return min(max(round(value / step), 0), 65534)


def result_words(number: int, time_s: int, result: Result) -> list[int]:
    """Registers RESULT_FIRST..RESULT_LAST of one result."""
    flags = result.ignition_seen | result.check_sample << 1 | result.maintenance << 2
    return [
        number & 0xFFFF,
        0,
        *uint32_words(time_s),
        *float32_words(result.flash_point_c, low_word_first=True),
        *float32_words(result.peak_kpa),
        int16_word(result.ignition_temperature_c, 0.01),
        int16_word(result.start_temperature_c, 0.01),
        uint16_word(result.heating_rate_c_per_min, 0.01),
        min(result.spark_count, 65535),
        int16_word(result.zero_kpa, 0.001),
        flags,
        *uint32_words(result.fault_bits),
    ]


class RegisterImage:
    """All registers of one device; one caller at a time, no await inside, so never half written.

    While torn, the result block comes from three banks in turn (old, new, being cleared), and
    each reading that touches the cycle number moves on to the next bank.
    """

    def __init__(self, set_points: Sequence[int] = ()) -> None:
        self._tables = {table: [0] * size for table, size in SIZES.items()}
        self._frozen: dict[str, list[int]] | None = None
        self._banks: list[list[int]] = []
        self._bank = 0
        self._slot = 0
        self._write("input", 0, [MODEL_CODE])
        self._write("input", RESULT_FIRST, _empty_result())
        self._write("holding", 0, [value & 0xFFFF for value in set_points][:16])
        for slot in range(RING_SLOTS):
            self._write("holding", RING_FIRST + slot * RING_SLOT_SIZE, _empty_slot())

    def copy(self) -> RegisterImage:
        """An image with the same registers that is written apart from this one."""
        made = copy.copy(self)
        made._tables = {table: list(words) for table, words in self._tables.items()}
        return made

    def read(self, table: str, address: int, count: int) -> list[int]:
        """Register values from a zero-based address; table is `input` or `holding`.

        Raises UnmappedAddressError when one of the registers does not exist.
        """
        last = address + count - 1
        inside = any(a <= address and last <= b for a, b in READABLE.get(table, ()))
        if count < 1 or not inside:
            raise UnmappedAddressError(table, address, count)
        served = self._tables if self._frozen is None else self._frozen
        words = served[table][address : address + count]
        if self._banks and table == "input" and address <= RESULT_LAST and last >= RESULT_FIRST:
            if address <= CYCLE_NUMBER <= last:
                self._bank = (self._bank + 1) % len(self._banks)
            for offset, word in enumerate(self._banks[self._bank]):
                place = RESULT_FIRST + offset - address
                if 0 <= place < count:
                    words[place] = word
        return words

    def write_live(self, live: Live) -> None:
        """Replaces the live values."""
        words = [
            live.alive & 0xFFFF,
            live.phase,
            live.status,
            *uint32_words(live.fault_bits),
            int16_word(live.sample_temperature_c, 0.01),
            int16_word(live.cell_pressure_kpa, 0.01),
            uint16_word(live.barometer_kpa, 0.01),  # 0.1 hPa
            uint16_word(live.sample_flow_ml_per_min, 0.1),
            *float32_words(live.air_flow_ml_per_min * 0.06, low_word_first=True),  # L/h
            int16_word(live.inlet_temperature_c, 0.1),
            int16_word(live.cell_temperature_c, 0.1),
            live.stream,
        ]
        self._write("input", ALIVE, words)

    def publish(self, words: Sequence[int], trace: Trace | None, in_ring: bool) -> None:
        """Replaces the last result (from result_words), its trace and the oldest ring slot.

        Without a trace the block keeps the earlier one with its number.
        """
        if trace is not None:
            self._write("input", TRACE_CYCLE, [words[0], int(trace.times_s.size)])
            self._write("input", TRACE_TIME, _unsigned(trace.times_s, 0.01))
            self._write("input", TRACE_TEMPERATURE, _signed(trace.temperatures_c, 0.01))
            self._write("input", TRACE_PRESSURE, _signed(trace.pressures_kpa, 0.01))
        if in_ring:
            time_words = words[RESULT_TIME - RESULT_FIRST :][:2]
            flash_words = words[FLASH_POINT - RESULT_FIRST :][:2]
            slot = [words[0], 0, *time_words, *flash_words, 0, 0]
            self._write("holding", RING_FIRST + self._slot * RING_SLOT_SIZE, slot)
            self._slot = (self._slot + 1) % RING_SLOTS
        self._write("input", RESULT_FIRST, words)

    def publish_pulse(self, number: int, pressures_kpa: NDArray[np.float64] | None) -> None:
        """Replaces the fast capture; None when there is none of that cycle."""
        length = 0 if pressures_kpa is None else int(pressures_kpa.size)
        interval = uint16_word(PULSE_INTERVAL_S, 0.000_01)
        self._write("input", PULSE_CYCLE, [number & 0xFFFF, length, interval])
        if pressures_kpa is not None:
            self._write("input", PULSE_PRESSURE, _signed(pressures_kpa, 0.01))

    def result_block(self) -> list[int]:
        """The result block as last published, whatever is served."""
        return self._tables["input"][RESULT_FIRST : RESULT_LAST + 1]

    def tear(self, before: Sequence[int]) -> None:
        """Starts serving the result block in turns: the one before, the present one, none."""
        self._banks = [list(before), self.result_block(), _empty_result()]

    def mend(self) -> None:
        """Serves the last published result again."""
        self._banks = []

    @property
    def torn(self) -> bool:
        """True while the result block is served in turns."""
        return bool(self._banks)

    def freeze(self) -> None:
        """Serves the present registers until thaw, whatever is written."""
        if self._frozen is None:
            self._frozen = {table: list(words) for table, words in self._tables.items()}

    def thaw(self) -> None:
        """Serves what is written again."""
        self._frozen = None

    def _write(self, table: str, address: int, words: Sequence[int]) -> None:
        self._tables[table][address : address + len(words)] = words


def _empty_result() -> list[int]:
    nothing = Result(
        *(math.nan,) * 5,
        spark_count=0,
        zero_kpa=math.nan,
        ignition_seen=False,
        check_sample=False,
        maintenance=False,
        fault_bits=0,
    )
    return result_words(0, 0, nothing)


def _empty_slot() -> list[int]:
    return [0, 0, 0, 0, *float32_words(math.nan, low_word_first=True), 0, 0]


def _unsigned(values: NDArray[np.float64], step: float) -> list[int]:
    raw = np.clip(np.rint(values / step), 0, 65535).astype(np.int64)
    return [int(word) for word in raw.tolist()]


def _signed(values: NDArray[np.float64], step: float) -> list[int]:
    raw = np.clip(np.rint(values / step), -32767, 32767)
    raw = np.where(np.isnan(raw), NO_INT16, raw).astype(np.int64)
    return [int(word) for word in (raw & 0xFFFF).tolist()]
