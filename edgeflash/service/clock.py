"""The two clocks: UTC for timestamps, a monotonic one for ages, timeouts and durations."""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """Where an I/O shell gets the time from; the core gets times as arguments."""

    def utc_now(self) -> datetime:
        """Aware UTC wall-clock time. May jump either way when the machine's clock is set."""

    def mono_s(self) -> float:
        """Seconds from an arbitrary start. Never goes back; setting the clock leaves it alone."""


# CLOCK_MONOTONIC stands still while the machine is suspended, so a value would come back from a
# suspended night as fresh as it went. CLOCK_BOOTTIME counts on; only Linux has it.
_MONOTONIC_CLOCK_ID: int = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


@dataclass(frozen=True, slots=True)
class SystemClock:
    """The machine's own clocks."""

    def utc_now(self) -> datetime:
        """Aware UTC wall-clock time."""
        return datetime.now(UTC)

    def mono_s(self) -> float:
        """Seconds since the machine started, time asleep included."""
        return time.clock_gettime(_MONOTONIC_CLOCK_ID)


SYSTEM_CLOCK = SystemClock()
