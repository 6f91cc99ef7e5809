"""What is wrong with the sample sensor: bias, step, standing still."""

from __future__ import annotations

import numpy as np

from simulators.cup import FloatArray
from simulators.faults import ActiveFaults, Chances, FaultKind

STRIKES_FROM, STRIKES_TO = 0.3, 0.9
"""Between which shares of the way to the flash the sensor goes wrong."""


def spoiled(
    reading_c: FloatArray,
    heating_s: FloatArray,
    flash_s: float,
    faults: ActiveFaults,
    chances: Chances,
) -> FloatArray:
    """The readings of a whole cycle as a faulty sensor gives them.

    heating_s: time of each since the heater was switched on; negative before. flash_s: when the
    sample reaches its flash point.
    """
    if not any(
        kind in faults
        for kind in (
            FaultKind.SENSOR_BIAS,
            FaultKind.SENSOR_JUMP,
            FaultKind.SENSOR_HELD,
            FaultKind.SENSOR_FROZEN,
        )
    ):
        return reading_c
    shown_c = reading_c + faults.strength(FaultKind.SENSOR_BIAS, 0.0)
    strikes_s = flash_s * (STRIKES_FROM + (STRIKES_TO - STRIKES_FROM) * chances.sensor)
    shown_c[heating_s >= strikes_s] += faults.strength(FaultKind.SENSOR_JUMP, 0.0)
    held_s = min(faults.strength(FaultKind.SENSOR_HELD, 0.0), flash_s)
    # It lives again before the flash where it can, so that the flash itself is read well.
    held_from_s = min(strikes_s, max(flash_s * STRIKES_TO - held_s, 0.0))
    _stand_still(shown_c, heating_s, held_from_s, held_from_s + held_s)
    if FaultKind.SENSOR_FROZEN in faults:
        _stand_still(shown_c, heating_s, faults.strength(FaultKind.SENSOR_FROZEN, 0.0), np.inf)
    return shown_c


def _stand_still(shown_c: FloatArray, heating_s: FloatArray, from_s: float, to_s: float) -> None:
    """Every reading of that time is the first of them."""
    held = np.flatnonzero((heating_s >= from_s) & (heating_s < to_s))
    if held.size:
        shown_c[held] = shown_c[held[0]]
