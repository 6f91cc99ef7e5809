"""The heat ramp as it really goes: its rate, its bend and its swing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simulators.cup import Cup, FloatArray
from simulators.faults import ActiveFaults, FaultKind

SWING_PERIOD_S = 15.0
BENT_BELOW_FLASH_C = 8.0
"""A bent ramp changes its rate this far below the flash point."""


@dataclass(frozen=True, slots=True)
class Heating:
    """How the cup is heated. bend_c: sample temperature from which bent_by multiplies the rate."""

    rate_c_per_min: float
    bend_c: float
    bent_by: float
    swing_c: float

    @classmethod
    def of_faults(cls, rate_c_per_min: float, flash_c: float, faults: ActiveFaults) -> Heating:
        """The plan's rate as the faults of the cycle change it. flash_c: in the cup."""
        rate = rate_c_per_min
        for kind in (FaultKind.RAMP_FAST, FaultKind.RAMP_SLOW):
            rate *= faults.strength(kind, 1.0)
        return cls(
            rate,
            flash_c - BENT_BELOW_FLASH_C,
            faults.strength(FaultKind.RAMP_BENT, 1.0),
            faults.strength(FaultKind.RAMP_UNSTEADY, 0.0),
        )

    @property
    def slowest_c_per_min(self) -> float:
        """The lower of the rates before and after the bend."""
        return self.rate_c_per_min * min(1.0, self.bent_by)

    def heat(
        self, cup: Cup, samples: int, straight: int | None = None
    ) -> tuple[FloatArray, FloatArray, int]:
        """Heats for that long; true and sensed temperature, and the samples before the bend.

        straight: those samples, where an earlier playing of the same ramp has told them.
        """
        swing_c = self._swing(cup, samples)
        if self.bent_by == 1.0:
            return *cup.ramp(self.rate_c_per_min, samples, swing_c), samples
        if straight is None:
            at_start = (cup.true_c, cup.sensed_c, cup.rate_c_per_s)
            true_c, _ = cup.ramp(self.rate_c_per_min, samples, swing_c)
            cup.true_c, cup.sensed_c, cup.rate_c_per_s = at_start
            beyond = true_c >= self.bend_c
            straight = int(np.argmax(beyond)) if bool(beyond.any()) else samples
        first = min(max(straight, 1), samples)
        parts = [
            cup.ramp(self.rate_c_per_min, first, None if swing_c is None else swing_c[: first + 1])
        ]
        if first < samples:
            rest = None if swing_c is None else swing_c[first:]
            parts.append(cup.ramp(self.rate_c_per_min * self.bent_by, samples - first, rest))
        true_c, sensed_c = (np.concatenate(series) for series in zip(*parts, strict=True))
        return true_c, sensed_c, straight

    def _swing(self, cup: Cup, samples: int) -> FloatArray | None:
        if not self.swing_c:
            return None
        times_s = np.arange(samples + 1) * cup.settings.sample_period_s
        swing: FloatArray = self.swing_c * np.sin(2.0 * np.pi * times_s / SWING_PERIOD_S)
        return swing
