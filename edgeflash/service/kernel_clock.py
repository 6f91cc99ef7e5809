"""Asks the kernel for the state of its wall clock: ntp_adjtime of the C library, with no change.

Every time service tells the kernel how well it keeps the clock (chronyd, systemd-timesyncd and ntpd
alike, by the same call), so none of them need be asked, installed or known. Reading takes no
privilege; a service unit must allow the system calls adjtimex and clock_adjtime.
"""

from __future__ import annotations

import ctypes
import sys

from edgeflash.clock_state import UNKNOWN_CLOCK, ClockState, of_kernel


class _Timex(ctypes.Structure):
    """The beginning of `struct timex` (adjtimex(2)); what follows is not looked at."""

    _fields_ = [
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        # The kernel writes 208 bytes on 64-bit machines; room to spare for any other.
        ("rest", ctypes.c_byte * 512),
    ]


def read_clock_state() -> ClockState:
    """The state now; not known where there is no such call or it is not allowed."""
    if not sys.platform.startswith("linux"):
        return UNKNOWN_CLOCK
    timex = _Timex(modes=0)
    try:
        returned = ctypes.CDLL(None).ntp_adjtime(ctypes.byref(timex))
    except (AttributeError, OSError):
        return UNKNOWN_CLOCK
    if returned < 0:
        return UNKNOWN_CLOCK
    return of_kernel(returned, timex.status, timex.maxerror, timex.esterror)
