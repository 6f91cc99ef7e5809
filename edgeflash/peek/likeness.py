"""What a decoded value looks like (a temperature, a counter), and its likely scale. Pure.

Ranges are of fuels and their analyzers, wide on purpose (common practice, no source).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from edgeflash.config.register_map import Encoding
from edgeflash.peek.decodings import SCALES, Decoding


class Likeness(StrEnum):
    """What a series of values looks like."""

    TEMPERATURE = "temperature"
    PRESSURE = "pressure"
    BAROMETER = "barometer"
    COUNTER = "counter"
    SIGN_OF_LIFE = "sign of life"
    TIME = "time"
    CODE = "code or bits"
    TEXT = "text"
    ZERO = "always 0"
    NOTHING = ""


@dataclass(frozen=True, slots=True)
class Impression:
    """What a candidate looks like with the likeliest scale. scales: the likeliest first."""

    likeness: Likeness
    scales: tuple[float, ...]
    changed: bool


_TEMPERATURES_C = (-60.0, 450.0)
_USUAL_LOG10, _SPREAD_LOG10 = math.log10(55.0), 0.33
"""Commonest temperature of a fuel's flash point and of its ramp, and how far others lie from it in
decades."""

_BAROMETERS = ((85.0, 108.0), (850.0, 1080.0), (12.3, 15.7), (638.0, 810.0))
"""kPa, hPa or mbar, psi, mmHg."""

_CLOCK_OFF_S = 2 * 86_400.0
_TINIEST = 1e-6
_LARGEST_CODE = 64
_COUNTER_STEP = 3


def impression(
    decoding: Decoding, values: Sequence[int | float | str], epoch_s: Sequence[float] = ()
) -> Impression:
    """What the values of successive looks look like."""
    changed = any(a != b for a, b in itertools.pairwise(values))
    if decoding.encoding is Encoding.STRING:
        return Impression(Likeness.TEXT, (1.0,), changed)
    numbers = [float(v) for v in values if not isinstance(v, str) and math.isfinite(v)]
    if not numbers or all(n == 0 for n in numbers):
        return Impression(Likeness.ZERO, (1.0,), changed)
    if not decoding.is_whole:
        return Impression(_of_measure(numbers), (1.0,), changed)
    if _is_time(numbers, epoch_s):
        return Impression(Likeness.TIME, (1.0,), changed)
    if changed and _counts(numbers):
        each_time = all(a != b for a, b in itertools.pairwise(numbers))
        alive = each_time and len(numbers) > 3
        return Impression(Likeness.SIGN_OF_LIFE if alive else Likeness.COUNTER, (1.0,), True)
    scales = tuple(sorted(SCALES, key=lambda scale: -_temperature_log_likelihood(numbers, scale)))
    if max(numbers) <= _LARGEST_CODE and min(numbers) >= 0 and not _moves_smoothly(numbers):
        return Impression(Likeness.CODE, (1.0, *(s for s in scales if s != 1.0)), changed)
    scaled = [n * scales[0] for n in numbers]
    return Impression(_of_measure(scaled), scales, changed)


def _of_measure(numbers: Sequence[float]) -> Likeness:
    low, high = min(numbers), max(numbers)
    if any(0 < abs(n) < _TINIEST for n in numbers):
        return Likeness.NOTHING
    for lowest, highest in _BAROMETERS:
        if lowest <= low and high <= highest and high - low <= 0.01 * high:
            return Likeness.BAROMETER
    if _TEMPERATURES_C[0] <= low and high <= _TEMPERATURES_C[1]:
        near_zero = sum(abs(n) < 2.0 for n in numbers) > len(numbers) / 2
        return Likeness.PRESSURE if near_zero else Likeness.TEMPERATURE
    return Likeness.NOTHING


def _is_time(numbers: Sequence[float], epoch_s: Sequence[float]) -> bool:
    """Whether it is near the present at every look; 0 is a time that is not known yet."""
    return bool(epoch_s) and all(
        n == 0 or abs(n - at) < _CLOCK_OFF_S for n, at in zip(numbers, epoch_s, strict=False)
    )


def _counts(numbers: Sequence[float]) -> bool:
    """Whether it only ever goes up, in small whole steps."""
    steps = [b - a for a, b in itertools.pairwise(numbers)]
    return all(0 <= step <= _COUNTER_STEP for step in steps)


def _moves_smoothly(numbers: Sequence[float]) -> bool:
    """Whether it takes many values between its lowest and its highest."""
    return len(set(numbers)) > max(4, len(numbers) // 2)


def _temperature_log_likelihood(numbers: Sequence[float], scale: float) -> float:
    """How likely these numbers are as temperatures with this scale; a natural logarithm.

    Half a mean: many looks at one value are no more evidence than a few.
    """
    total = 0.0
    for number in numbers:
        value = abs(number) * scale
        off = (math.log10(value) - _USUAL_LOG10) / _SPREAD_LOG10 if value > 0 else 1.0
        total -= 0.5 * off * off
    return total / len(numbers)
