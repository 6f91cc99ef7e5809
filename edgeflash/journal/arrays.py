"""The trace and the pulse of a cycle as bytes, and back bit for bit. Pure.

Each is a zlib stream of its own: the trace's time, temperature and pressure one after the other,
then the pulse's pressure; all float64, little-endian.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence

import numpy as np

from edgeflash.model import Floats, Pulse, Trace, TraceSource

# Traces are read a few times and written once, beside a synced commit that costs more: the
# fastest level is within a few percent of the best one on noisy doubles.
_ZLIB_LEVEL = 1
_FLOAT64 = np.dtype("<f8")


def encode_arrays(trace: Trace | None, pulse: Pulse | None) -> bytes | None:
    """The trace's stream, then the pulse's; None without both."""
    streams = b""
    if trace is not None:
        streams += _stream((trace.time_s, trace.temperature_c, trace.pressure_kpa))
    if pulse is not None:
        streams += _stream((pulse.pressure_kpa,))
    return streams or None


def decode_arrays(
    data: bytes | None, source: TraceSource | None, interval_s: float | None
) -> tuple[Trace | None, Pulse | None]:
    """What was encoded. source, interval_s: of the trace and the pulse; None where there is none.

    Raises ValueError or zlib.error when the bytes are damaged or hold other streams than those.
    """
    trace, pulse, rest = None, None, data or b""
    if source is not None:
        values, rest = _first_stream(rest)
        trace = Trace(source, *values.reshape(3, -1))
    if interval_s is not None:
        values, rest = _first_stream(rest)
        pulse = Pulse(interval_s, values)
    if rest:
        raise ValueError("there are more arrays than the cycle tells of")
    return trace, pulse


def _stream(arrays: Sequence[Floats]) -> bytes:
    return zlib.compress(b"".join(np.asarray(a, _FLOAT64).tobytes() for a in arrays), _ZLIB_LEVEL)


def _first_stream(data: bytes) -> tuple[Floats, bytes]:
    """The numbers of the first stream, and the bytes after it."""
    inflating = zlib.decompressobj()
    plain = inflating.decompress(data)
    if not inflating.eof:
        raise ValueError("the arrays end too early")
    return np.frombuffer(plain, _FLOAT64).astype(np.float64), inflating.unused_data
