"""The flash point from the distillation: a cross-check, wrong by 4 to 5 °C on average. Pure.

T10 is the 10 % temperature of ASTM D86. One from another distillation must be converted first.
"""

from __future__ import annotations

import math
from enum import StrEnum

from edgeflash.errors import UsageError
from edgeflash.units import UNITS

LOW_T10_C, HIGH_T10_C = 65.0, 320.0
"""Where the correlations hold (from memory)."""

_RANKINE = 459.67
_FAHRENHEIT = UNITS["degF"]


class DistillationError(UsageError):
    """A 10 % temperature outside what the correlations are for."""


class Correlation(StrEnum):
    """The correlations, as the site file names them.

    nonlinear: 1/T_F = −0.014568 + 2.84947/T10 + 1.903e-3·ln T10, in °R (API procedure 2B7.1,
    1987). linear: T_F = 0.69·T10 − 118.2, in °F, closed cup (API; from memory).
    """

    NONLINEAR = "nonlinear"
    LINEAR = "linear"


def check_t10(t10_c: float) -> None:
    """Raises DistillationError outside 65 to 320 °C."""
    if not LOW_T10_C <= t10_c <= HIGH_T10_C:
        raise DistillationError(
            f"T10 must be from {LOW_T10_C:g} to {HIGH_T10_C:g} °C, not {t10_c:g} °C"
        )


def flash_from_t10_c(t10_c: float, correlation: Correlation) -> float:
    """The closed-cup flash point. Raises DistillationError outside 65 to 320 °C."""
    check_t10(t10_c)
    t10_f = _FAHRENHEIT.from_inside(t10_c)
    if correlation is Correlation.LINEAR:
        return _FAHRENHEIT.to_inside(0.69 * t10_f - 118.2)
    t10_r = t10_f + _RANKINE
    flash_r = 1.0 / (-0.014568 + 2.84947 / t10_r + 1.903e-3 * math.log(t10_r))
    return _FAHRENHEIT.to_inside(flash_r - _RANKINE)
