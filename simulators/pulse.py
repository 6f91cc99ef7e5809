"""The device's fast capture of the cell pressure around what it took for the flash."""

from __future__ import annotations

import numpy as np

from simulators.cup import FloatArray
from simulators.cycle import CycleRecord
from simulators.faults import Chances

PULSE_CAPACITY = 600
PULSE_INTERVAL_S = 0.001
BEFORE_S = 0.1
"""How much of the capture lies before the firmware's detection."""


def pulse_of(record: CycleRecord, chances: Chances) -> FloatArray | None:
    """Pressures in kPa, PULSE_INTERVAL_S apart; None when nothing was detected."""
    if record.ignition.detected_s is None:
        return None
    since_s = np.arange(PULSE_CAPACITY, dtype=np.float64) * PULSE_INTERVAL_S
    times_s: FloatArray = record.ignition.detected_s - BEFORE_S + since_s
    noise = np.random.default_rng(chances.seed).normal(
        0.0, record.pressure.noise_kpa, PULSE_CAPACITY
    )
    pressures_kpa: FloatArray = record.pressure.at(times_s) + noise
    return pressures_kpa
