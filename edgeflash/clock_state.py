"""Whether a time service keeps the wall clock right, and how wrong it may be. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum

STA_UNSYNC = 0x0040
"""The bit of the kernel's clock status that says: not synchronised (adjtimex(2))."""

TIME_ERROR = 5
"""What the kernel's call returns when the clock is not synchronised (adjtimex(2))."""

ERROR_STEP_S = 0.01
"""Errors are shown in such steps, rounded up: the kernel's own bound grows at every look."""

_STEPS_PER_S = round(1.0 / ERROR_STEP_S)


class Synchronisation(IntEnum):
    """What the system says of its wall clock. Codes are for ever."""

    NOT_KNOWN = 0
    NOT_SYNCHRONISED = 1
    SYNCHRONISED = 2

    @property
    def words(self) -> str:
        """For people."""
        return self.name.lower().replace("_", " ")


@dataclass(frozen=True, slots=True)
class ClockState:
    """The wall clock as its time service keeps it.

    largest_error_s: the bound that service and kernel give; estimated_error_s: what they expect.
    Both None unless it is synchronised: then nobody knows.
    """

    synchronisation: Synchronisation = Synchronisation.NOT_KNOWN
    largest_error_s: float | None = None
    estimated_error_s: float | None = None


UNKNOWN_CLOCK = ClockState()


def of_kernel(returned: int, status: int, maxerror_us: int, esterror_us: int) -> ClockState:
    """What the answer of adjtimex(2) means.

    The kernel lets its bound grow by 500 ppm until the service sets it anew, and calls the clock
    unsynchronised when the bound has reached 16 s: about nine hours after the last correction.
    """
    if status & STA_UNSYNC or returned == TIME_ERROR:
        return ClockState(Synchronisation.NOT_SYNCHRONISED)
    return ClockState(
        Synchronisation.SYNCHRONISED, _rounded_s(maxerror_us), _rounded_s(esterror_us)
    )


def _rounded_s(error_us: int) -> float:
    return math.ceil(max(0, error_us) * _STEPS_PER_S / 1_000_000) / _STEPS_PER_S
