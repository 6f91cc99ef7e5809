"""What a test method says: scope, ramp, ignitions, precision. Pure.

Everything here is in °C. A precision that is proportional to the flash point holds on the Celsius
scale only: bring °F to °C first, then a difference back by 1.8.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

READ = "read"
READ_SECONDARY = "read in a secondary source"
FROM_MEMORY = "from memory"

EXTRAPOLATION_C = 5.0
"""So far beyond its span a precision is still used (common practice, no source).

Limits stand there: 38 °C, where the D93 precision begins at 40 °C.
"""


@dataclass(frozen=True, slots=True)
class Form:
    """constant_c + factor · (x + offset_c) ^ exponent, x the flash point in °C."""

    constant_c: float = 0.0
    factor: float = 0.0
    offset_c: float = 0.0
    exponent: float = 1.0

    def at(self, flash_point_c: float) -> float:
        """The value in °C."""
        if not self.factor:
            return self.constant_c
        return self.constant_c + self.factor * math.pow(
            flash_point_c + self.offset_c, self.exponent
        )


@dataclass(frozen=True, slots=True)
class Precision:
    """Repeatability and reproducibility (95 %) over a span of flash points.

    high_included: whether a flash point at high_c belongs to this span or to the next one.
    """

    low_c: float
    high_c: float
    repeatability: Form
    reproducibility: Form
    high_included: bool = True


@dataclass(frozen=True, slots=True)
class Ramp:
    """Heating and step between ignitions, for an expected flash point up to high_c.

    high_c None: without end. high_included: whether high_c itself belongs to it.
    """

    low_c_per_min: float
    high_c_per_min: float
    interval_c: float
    high_c: float | None = None
    high_included: bool = True


@dataclass(frozen=True, slots=True)
class Method:
    """One procedure of a test method, in one edition.

    scope_*: flash points it is for; None: no end is stated. *_excluded: the end itself is outside.
    ramps: by expected flash point, in rising order; empty where the cup is isothermal.
    first_ignition_*: how far below the expected flash point the first ignition is; None: not
    stated. valid_*: between first ignition and flash for a valid flash; None: no such window.
    *_origin: where the figures are from.
    """

    id: str
    name: str
    source: str
    edition: str
    scope_low_c: float | None
    scope_high_c: float | None
    precisions: tuple[Precision, ...]
    ramps: tuple[Ramp, ...] = ()
    scope_low_excluded: bool = False
    scope_high_excluded: bool = False
    first_ignition_near_c: float | None = None
    first_ignition_far_c: float | None = None
    valid_shortest_c: float | None = None
    valid_longest_c: float | None = None
    scope_origin: str = FROM_MEMORY
    ramp_origin: str = FROM_MEMORY
    precision_origin: str = FROM_MEMORY

    def covers(self, flash_point_c: float) -> bool:
        """True when the flash point lies within the method's scope."""
        low, high = self.scope_low_c, self.scope_high_c
        if (self.scope_low_excluded and flash_point_c == low) or (
            self.scope_high_excluded and flash_point_c == high
        ):
            return False
        return (low is None or flash_point_c >= low) and (high is None or flash_point_c <= high)

    def ramp(self, expected_c: float) -> Ramp | None:
        """Heating and ignitions for that expected flash point; None for an isothermal cup."""
        for ramp in self.ramps:
            if ramp.high_c is None or _is_within(expected_c, ramp.high_c, ramp.high_included):
                return ramp
        return None

    def repeatability_c(self, flash_point_c: float) -> float | None:
        """r at that flash point; None too far outside where it was determined."""
        precision = self._precision(flash_point_c)
        return None if precision is None else precision.repeatability.at(flash_point_c)

    def reproducibility_c(self, flash_point_c: float) -> float | None:
        """R at that flash point; None too far outside where it was determined."""
        precision = self._precision(flash_point_c)
        return None if precision is None else precision.reproducibility.at(flash_point_c)

    def _precision(self, flash_point_c: float) -> Precision | None:
        if flash_point_c < self.precisions[0].low_c - EXTRAPOLATION_C:
            return None
        for precision in self.precisions:
            if _is_within(flash_point_c, precision.high_c, precision.high_included):
                return precision
        last = self.precisions[-1]
        return last if flash_point_c <= last.high_c + EXTRAPOLATION_C else None


def _is_within(value: float, high: float, included: bool) -> bool:
    return value <= high if included else value < high
