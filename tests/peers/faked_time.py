"""A wall clock that a test sets, for the processes it starts; their monotonic clock stays true.

By two libraries that stand before the C library: faked_clock.c, and for what the kernel says of the
clock kernel_clock.c.
"""

from __future__ import annotations

import struct
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

KEPT = "0 8193 43000 1200"
"""What adjtimex(2) answers for a clock that a time service keeps: TIME_OK, STA_PLL and STA_NANO,
43 ms at most, 1.2 ms expected."""

HERE = Path(__file__).parent
LIBRARIES = ("faked_clock", "kernel_clock")


class FakedTime:
    """One wall clock for all processes started while its environment is set. folder: its own."""

    def __init__(self, folder: Path, starts_at: datetime) -> None:
        folder.mkdir()
        self._file = folder / "ahead"
        self._ahead = starts_at - datetime.now(UTC)
        self._file.write_bytes(bytes(8))
        self.move(0.0)
        self._libraries = [folder / f"{name}.so" for name in LIBRARIES]
        for name, library in zip(LIBRARIES, self._libraries, strict=True):
            flags = ("-Wall", "-Wextra", "-Werror", "-DPRETEND", "-shared", "-fPIC", "-O1")
            command = ["gcc", *flags, "-o", str(library), str(HERE / f"{name}.c")]
            subprocess.run(command, check=True, timeout=60)

    def apply_to(self, environment: pytest.MonkeyPatch, zone: str) -> None:
        """Sets the environment of the processes to come."""
        environment.setenv("LD_PRELOAD", ":".join(str(library) for library in self._libraries))
        environment.setenv("FAKED_CLOCK", str(self._file))
        environment.setenv("PRETENDED_CLOCK", KEPT)
        environment.setenv("TZ", zone)

    def now(self) -> datetime:
        """What the faked clock shows."""
        return datetime.now(UTC) + self._ahead

    def move(self, seconds: float) -> None:
        """Sets the clock by so much, at once."""
        self._ahead += timedelta(seconds=seconds)
        with self._file.open("r+b", buffering=0) as file:
            file.write(struct.pack("=q", self._ahead // timedelta(microseconds=1) * 1000))

    def set_to(self, at: datetime) -> None:
        """Sets the clock."""
        self.move((at - self.now()).total_seconds())
