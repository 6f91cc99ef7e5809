"""Correction of an observed flash point to standard pressure, in the three forms of the methods.

Standard pressure in these formulas is 101.3 kPa = 760 mmHg. Low pressure lowers the observed
flash point, so the correction is positive below standard pressure. The pressure is the absolute
station pressure (or the cell's, where the cell is not vented), never one reduced to sea level.
"""

from __future__ import annotations

from edgeflash.config.site import Correction
from edgeflash.units import UNITS

STANDARD_KPA = 101.3
STANDARD_MMHG = 760.0
_MMHG = UNITS["mmHg"]


def correction_c(pressure_kpa: float, form: Correction) -> float:
    """What to add to an observed flash point in °C, unrounded.

    celsius_kpa: 0.25·(101.3 − p), p in kPa (ISO 2719, ASTM D3828).
    celsius_mmhg: 0.033·(760 − p) °C, p in mmHg (ASTM D93, D56; from memory).
    fahrenheit_mmhg: 0.06·(760 − p) °F, p in mmHg (ASTM D3828), given here in °C.
    Raises ValueError for a pressure that is not positive.
    """
    if not pressure_kpa > 0:
        raise ValueError(f"a barometer cannot read {pressure_kpa} kPa")
    pressure_mmhg = _MMHG.from_inside(pressure_kpa)
    match form:
        case Correction.CELSIUS_KPA:
            return 0.25 * (STANDARD_KPA - pressure_kpa)
        case Correction.CELSIUS_MMHG:
            return 0.033 * (STANDARD_MMHG - pressure_mmhg)
        case Correction.FAHRENHEIT_MMHG:
            return 0.06 * (STANDARD_MMHG - pressure_mmhg) / 1.8
        case Correction.NONE:
            return 0.0
