"""Memory given back to the system."""

from __future__ import annotations

import ctypes
import os
from pathlib import Path

import pytest

from edgeflash.service.memory import give_back_memory


def resident_bytes() -> int:
    """Pages in RAM; proc(5)."""
    pages = int(Path("/proc/self/statm").read_text("ascii").split()[1])
    return pages * os.sysconf("SC_PAGESIZE")


@pytest.mark.skipif(not hasattr(ctypes.CDLL(None), "malloc_trim"), reason="another C library")
def test_freed_pages_are_given_back() -> None:
    """Pieces below the size that is mapped by itself, with one behind them that stays in use."""
    libc = ctypes.CDLL(None)
    libc.malloc.restype = ctypes.c_void_p
    pieces = []
    for _ in range(1000):
        piece = libc.malloc(100_000)
        ctypes.memset(piece, 1, 100_000)
        pieces.append(piece)
    kept = libc.malloc(100_000)
    for piece in pieces:
        libc.free(ctypes.c_void_p(piece))
    before = resident_bytes()
    assert give_back_memory()
    assert before - resident_bytes() > 50_000_000
    libc.free(ctypes.c_void_p(kept))
