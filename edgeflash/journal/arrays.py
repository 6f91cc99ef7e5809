"""The trace and the pulse of a cycle as bytes, and back bit for bit. Pure.

One block: a byte that tells its form and which arrays are there; the number of samples of the trace
and of the pulse; then one Zstandard frame (RFC 8878). In it are the trace's time, temperature and
pressure and the pulse's pressure, one after the other, in single precision, of which they are
(`model.Trace`). Of each number there is the difference of its bits from those of the number before,
modulo 2^32; first the lowest byte of every difference, then the second of each, and so on: the
high ones hardly change, and take next to nothing.

An entry of before (format 1) has a zlib stream for each instead: first the trace's three columns,
then the pulse; float64, little-endian.
"""

from __future__ import annotations

import struct
import zlib
from typing import cast

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from edgeflash.model import Floats, Pulse, Trace, TraceSource

_HAS_TRACE, _HAS_PULSE = 1, 2
# A zlib stream begins with 0x78 (RFC 1950: deflate, a window of 32 kB), no block does.
_FORM = 0x10
_HEAD = struct.Struct("<BII")
_MOST_SAMPLES = 2**24
"""Of a trace or a pulse, which are far shorter. Bounds what a damaged head asks for."""

# The lowest level: a higher one takes a third longer and saves 2 %.
_ZSTD = pa.Codec("zstd", compression_level=1)
_FLOAT64, _UINT32 = np.dtype("<f8"), np.dtype("<u4")
_COLUMNS = 3


def encode_arrays(trace: Trace | None, pulse: Pulse | None) -> bytes | None:
    """The block; None without both. Raises ValueError for more samples than a block can hold."""
    parts: list[Floats] = []
    form, in_trace, in_pulse = _FORM, 0, 0
    if trace is not None:
        form, in_trace = form | _HAS_TRACE, len(trace)
        parts += (trace.time_s, trace.temperature_c, trace.pressure_kpa)
    if pulse is not None:
        form, in_pulse = form | _HAS_PULSE, len(pulse)
        parts.append(pulse.pressure_kpa)
    if not parts:
        return None
    if max(in_trace, in_pulse) > _MOST_SAMPLES:
        raise ValueError(f"a trace or pulse has more than {_MOST_SAMPLES} samples")
    plain = _taken_apart(np.concatenate(parts).astype(np.float32))
    frame: bytes = _ZSTD.compress(plain, asbytes=True)
    return _HEAD.pack(form, in_trace, in_pulse) + frame


def decode_arrays(
    data: bytes | None, source: TraceSource | None, interval_s: float | None
) -> tuple[Trace | None, Pulse | None]:
    """What was encoded. source, interval_s: of the trace and the pulse; None where there is none.

    Raises ValueError or zlib.error when the bytes are damaged or hold other arrays than those.
    """
    if data and data[0] & ~(_HAS_TRACE | _HAS_PULSE) == _FORM:
        return _decoded_block(data, source, interval_s)
    return _decoded_streams(data or b"", source, interval_s)


def _decoded_block(
    data: bytes, source: TraceSource | None, interval_s: float | None
) -> tuple[Trace | None, Pulse | None]:
    if len(data) < _HEAD.size:
        raise ValueError("the arrays end too early")
    form, in_trace, in_pulse = _HEAD.unpack_from(data)
    if bool(form & _HAS_TRACE) != (source is not None):
        raise ValueError("the arrays have a trace and the cycle tells of none, or the reverse")
    if bool(form & _HAS_PULSE) != (interval_s is not None):
        raise ValueError("the arrays have a pulse and the cycle tells of none, or the reverse")
    if max(in_trace, in_pulse) > _MOST_SAMPLES:
        raise ValueError("the arrays tell of too many samples")
    count = _COLUMNS * in_trace + in_pulse
    try:
        plain = _ZSTD.decompress(data[_HEAD.size :], 4 * count, asbytes=True)
    except OSError as error:
        raise ValueError(f"the arrays are damaged: {error}") from error
    # The model makes doubles of them, as of whatever it is given.
    values = cast(Floats, _put_together(plain, count))
    trace, pulse = None, None
    if source is not None:
        trace = Trace(source, *values[: _COLUMNS * in_trace].reshape(_COLUMNS, in_trace))
    if interval_s is not None:
        pulse = Pulse(interval_s, values[_COLUMNS * in_trace :])
    return trace, pulse


def _taken_apart(values: npt.NDArray[np.float32]) -> bytes:
    """The differences of the numbers' bits, byte by byte of all of them."""
    bits = values.view(np.uint32).astype(_UINT32)
    bits[1:] -= bits[:-1].copy()
    return bits.view(np.uint8).reshape(-1, 4).T.tobytes()


def _put_together(plain: bytes, count: int) -> npt.NDArray[np.float32]:
    """The numbers that were taken apart. Raises ValueError for another number of bytes."""
    by_place = np.frombuffer(plain, np.uint8).reshape(4, count)
    bits = np.empty(count, _UINT32)
    octets = bits.view(np.uint8).reshape(count, 4)
    for place in range(4):
        octets[:, place] = by_place[place]
    return bits.cumsum(dtype=np.uint32).view(np.float32)


def _decoded_streams(
    rest: bytes, source: TraceSource | None, interval_s: float | None
) -> tuple[Trace | None, Pulse | None]:
    trace, pulse = None, None
    if source is not None:
        values, rest = _first_stream(rest)
        trace = Trace(source, *values.reshape(_COLUMNS, -1))
    if interval_s is not None:
        values, rest = _first_stream(rest)
        pulse = Pulse(interval_s, values)
    if rest:
        raise ValueError("there are more arrays than the cycle tells of")
    return trace, pulse


def _first_stream(data: bytes) -> tuple[Floats, bytes]:
    """The numbers of the first zlib stream, and the bytes after it."""
    inflating = zlib.decompressobj()
    plain = inflating.decompress(data)
    if not inflating.eof:
        raise ValueError("the arrays end too early")
    return np.frombuffer(plain, _FLOAT64).astype(np.float64), inflating.unused_data
