"""How many bits it takes to write down what was seen, if it was meant as some number. Pure.

A right decoding makes registers short to describe: measured values lie in a small range, move
little from look to look, and often have few digits; a wrong one gives noise. This is the principle
of minimum description length (J. Rissanen, Automatica 14 (1978) 465-471; from memory). The figures
below are coarse prior knowledge (common practice, no source); only their differences matter.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence

from edgeflash.config.register_map import Encoding
from edgeflash.peek.decodings import Decoding

IMPLAUSIBLE_BITS = 40.0
SAME_BITS = 0.1
_SIGN_BITS = 5.0
_LOWEST, _HIGHEST = 1e-4, 1e6
"""Magnitudes that measured values have, whatever their unit."""

_LARGEST_WHOLE, _LARGE_BITS = 1_000_000, 8.0
"""A measured value or a counter is hardly ever a larger whole number; a clock is."""

_USUAL_LOG2 = 5.5
"""Binary logarithm of the commonest magnitude (45: a temperature, a pressure, a flow)."""

_PRIOR_BITS = {
    Encoding.INT16: 2.0,
    Encoding.UINT16: 2.2,
    Encoding.FLOAT32: 2.0,
    Encoding.INT32: 3.0,
    Encoding.UINT32: 3.0,
    Encoding.FLOAT64: 16.0,
    Encoding.UINT64: 16.0,
    Encoding.STRING: 8.0,
}
_TIME_OFF_S = 2.0 * 86_400.0
"""How far a clock of a device may be off and still be taken for one."""

_LEAST_STEP_BITS = 12.0
"""A measured float that moves does so by more than its last bits; what moves by less is a whole
number in its lower register."""

_QUIET_NAN = bytes.fromhex("7ff8000000000000")
"""What devices write for "no value": the NaN without a payload (IEEE 754-2008, 6.2)."""

_MANTISSA_BITS = {Encoding.FLOAT32: 23, Encoding.FLOAT64: 52}
_NOT_AVAILABLE = frozenset({0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF})


def description_bits(
    decoding: Decoding, numbers: Sequence[int | float], epoch_s: Sequence[float] = ()
) -> float:
    """Bits to describe the numbers that successive looks gave. Smaller is more plausible.

    epoch_s: the seconds since 1970 UTC of each look, where a clock is to be recognised.
    """
    bits = _PRIOR_BITS[decoding.encoding]
    before: int | float | None = None
    for place, number in enumerate(numbers):
        at = epoch_s[place] if place < len(epoch_s) else None
        if isinstance(number, float):
            first = _float_bits(number, decoding.encoding)
            step = None if before is None else _float_step_bits(before, number, decoding.encoding)
        else:
            first = _whole_bits(number, decoding, at)
            step = None if before is None else _whole_step_bits(int(before), number)
        bits += first if step is None else min(step, first + 4.0)
        before = number
    return bits


def text_bits(registers: int, looks: int) -> float:
    """Bits to describe a printable text that stands still."""
    return _PRIOR_BITS[Encoding.STRING] + 4.0 * registers + SAME_BITS * (looks - 1)


def _whole_bits(number: int, decoding: Decoding, epoch_s: float | None) -> float:
    if number == 0:
        return 0.5
    magnitude = abs(number)
    bits = 2.0 + math.log2(magnitude + 1) + math.log2(1 + math.log2(magnitude + 1))
    if number < 0:
        bits += _SIGN_BITS
    if magnitude > _LARGEST_WHOLE:
        bits += _LARGE_BITS
    if epoch_s is not None and decoding.registers == 2 and abs(number - epoch_s) <= _TIME_OFF_S:
        bits = min(bits, 4.0 + math.log2(1 + abs(number - epoch_s)))
    if magnitude in _NOT_AVAILABLE:
        bits = min(bits, 8.0)
    return bits


def _whole_step_bits(before: int, number: int) -> float:
    step = abs(number - before)
    if step == 0:
        return SAME_BITS
    return 2.0 + math.log2(step) + math.log2(1 + math.log2(step + 1)) + (number < before)


def _float_bits(number: float, encoding: Encoding) -> float:
    if math.isnan(number):
        return 6.0 if struct.pack(">d", abs(number)) == _QUIET_NAN else 30.0
    if number == 0.0:
        return 1.5 if math.copysign(1.0, number) > 0 else 25.0
    magnitude = abs(number)
    if not _LOWEST <= magnitude <= _HIGHEST:
        return IMPLAUSIBLE_BITS * (1 if encoding is Encoding.FLOAT32 else 2)
    octave = 3.0 + 0.35 * abs(math.log2(magnitude) - _USUAL_LOG2)
    bits = octave + _mantissa_bits(number, encoding)
    decimals = _decimals(number, encoding)
    if decimals is not None:
        bits = min(bits, 3.0 + math.log2(magnitude * 10**decimals + 1) + decimals)
    return bits + (_SIGN_BITS if number < 0 else 0.0)


def _mantissa_bits(number: float, encoding: Encoding) -> float:
    """Bits of the fraction up to its last one that is set."""
    width = _MANTISSA_BITS[encoding]
    fraction, _ = math.frexp(abs(number))
    scaled = int(fraction * 2 ** (width + 1))
    trailing = (scaled & -scaled).bit_length() - 1 if scaled else width
    return float(min(width, width - trailing + 3))


def _decimals(number: float, encoding: Encoding) -> int | None:
    """How few decimals (0 to 3) say the number as exactly as its registers do; else None."""
    tolerance = abs(number) * 2.0 ** -(_MANTISSA_BITS[encoding] + 1)
    for decimals in range(4):
        if abs(round(number, decimals) - number) <= tolerance:
            return decimals
    return None


def _float_step_bits(before: float, number: float, encoding: Encoding) -> float:
    if number == before or (math.isnan(number) and math.isnan(before)):
        return SAME_BITS
    if not (math.isfinite(number) and math.isfinite(before)):
        return IMPLAUSIBLE_BITS
    if number != 0.0 and not _LOWEST <= abs(number) <= _HIGHEST:
        return IMPLAUSIBLE_BITS * (1 if encoding is Encoding.FLOAT32 else 2)
    if before != 0.0 and abs(before) < _LOWEST:
        return IMPLAUSIBLE_BITS
    step = abs(number - before)
    finest = max(abs(number), abs(before)) * 2.0 ** -_MANTISSA_BITS[encoding]
    bits = 3.0 + max(_LEAST_STEP_BITS, math.log2(step / finest))
    decimals = _decimals(number, encoding)
    if decimals is not None:
        bits = min(bits, 4.0 + math.log2(step * 10**decimals + 1))
    return bits
