"""The two clocks of the process."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta

from edgeflash.service import SYSTEM_CLOCK, Clock

ONE_SECOND = timedelta(seconds=1)


def test_the_system_clock_is_a_clock() -> None:
    """The type checker holds SystemClock to the protocol."""
    clock: Clock = SYSTEM_CLOCK
    assert abs(clock.utc_now() - datetime.fromtimestamp(time.time(), UTC)) < ONE_SECOND


def test_utc_does_not_depend_on_the_time_zone() -> None:
    """A process in another zone stamps the same instant, aware and in UTC."""
    program = "from edgeflash.service import SYSTEM_CLOCK as c; print(c.utc_now().isoformat())"
    printed = subprocess.run(
        [sys.executable, "-c", program],
        env={**os.environ, "TZ": "Asia/Kathmandu"},
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    ).stdout.strip()
    stamped = datetime.fromisoformat(printed)
    assert timedelta(0) == stamped.utcoffset()
    assert abs(datetime.now(UTC) - stamped) < timedelta(seconds=30)


def test_monotonic_seconds_never_go_back() -> None:
    """Successive readings rise or stay, and count seconds."""
    readings = [SYSTEM_CLOCK.mono_s() for _ in range(1000)]
    assert sorted(readings) == readings
    before_s, before_reference_s = SYSTEM_CLOCK.mono_s(), time.monotonic()
    while time.monotonic() - before_reference_s < 0.05:
        pass
    passed_s = SYSTEM_CLOCK.mono_s() - before_s
    assert 0.05 <= passed_s < 5.0


def test_monotonic_seconds_count_the_time_asleep() -> None:
    """The clock is the one that goes on in suspend (clock_gettime(2), CLOCK_BOOTTIME) ."""
    difference_s = SYSTEM_CLOCK.mono_s() - time.clock_gettime(time.CLOCK_BOOTTIME)
    assert abs(difference_s) < 1.0
