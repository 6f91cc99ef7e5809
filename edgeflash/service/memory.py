"""Memory that the C library keeps for later, given back to the system."""

from __future__ import annotations

import ctypes


def give_back_memory() -> bool:
    """Whether freed pages could be given back: malloc_trim(3) of the GNU C library.

    Each thread that once needed much keeps pages for its next time; in a process that runs for
    years they add up to more than it uses. Takes some milliseconds.
    """
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    return trim is not None and bool(trim(0))
