"""The flash point of a blend by a blending index. Pure.

An index is a number that does blend by volume; the flash point itself never does. Both indices
are for the closed-cup flash point by one method. Outside 20 to 150 °C they extrapolate, and far
apart: a trace of something very light is a matter of vapour pressure, not of an index.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from edgeflash.errors import UsageError

KELVIN = 273.15
TRUSTED_LOW_C, TRUSTED_HIGH_C = 20.0, 150.0
LOWEST_C, HIGHEST_C = -100.0, 600.0

SUM_TOLERANCE = 1e-3
"""Shares from flow meters or rounded by a person add up to 1 only nearly; this moves a flash point
by less than 0.05 °C. Within it they are divided by their sum."""

ONE_SIDED_95 = 1.645


class BlendError(UsageError):
    """Shares or flash points that make no blend; says which."""


class Index(StrEnum):
    """The published indices, as the site file names them.

    logarithmic: log10 I = −6.1188 + 2414 / (T − 42.6), T in K (Wickey and Chittenden 1963, in the
    Kelvin form of ASTM MNL50). power: I = T^(1/x), x = −0.06, T absolute (Hu and Burns 1970).
    """

    LOGARITHMIC = "logarithmic"
    POWER = "power"

    @property
    def other(self) -> Index:
        """The index to compare with."""
        return Index.POWER if self is Index.LOGARITHMIC else Index.LOGARITHMIC


_LOG_A, _LOG_B, _LOG_C = -6.1188, 2414.0, 42.6
_POWER = 1.0 / -0.06
_LN_10 = math.log(10.0)


def ln_index(flash_c: float, index: Index) -> float:
    """Natural logarithm of the index; that of a power is too small to keep its digits itself."""
    kelvin = flash_c + KELVIN
    if index is Index.LOGARITHMIC:
        return _LN_10 * (_LOG_A + _LOG_B / (kelvin - _LOG_C))
    return _POWER * math.log(kelvin)


def flash_of_ln_index_c(ln: float, index: Index) -> float:
    """The flash point of an index: `ln_index` turned round."""
    if index is Index.LOGARITHMIC:
        return _LOG_B / (ln / _LN_10 - _LOG_A) + _LOG_C - KELVIN
    return math.exp(ln / _POWER) - KELVIN


def _slope(flash_c: float, index: Index) -> float:
    """d(ln index)/dT, per K; below 0."""
    kelvin = flash_c + KELVIN
    if index is Index.LOGARITHMIC:
        return -_LN_10 * _LOG_B / (kelvin - _LOG_C) ** 2
    return _POWER / kelvin


@dataclass(frozen=True, slots=True)
class Part:
    """One component: volume fraction, and flash point with one standard deviation."""

    share: float
    flash_c: float
    sd_c: float = 0.0


def blend_flash_c(parts: Sequence[Part], index: Index) -> float:
    """The blend's flash point.

    Raises BlendError when shares do not add up to 1, or a part is not a possible one.
    """
    parts = _checked(parts)
    return flash_of_ln_index_c(_ln_blend(parts, index), index)


def blend_sd_c(parts: Sequence[Part], index: Index) -> float:
    """One standard deviation of the blend's flash point from those of its parts, to first order.

    Errors of the parts are taken as independent. Says nothing about the index itself.
    """
    return math.hypot(*(s * p.sd_c for s, p in _sensitivities(_checked(parts), index)))


def _sensitivities(parts: Sequence[Part], index: Index) -> list[tuple[float, Part]]:
    """∂(blend flash point)/∂(part's flash point) for each part."""
    ln = _ln_blend(parts, index)
    slope = _slope(flash_of_ln_index_c(ln, index), index)
    return [
        (p.share * math.exp(ln_index(p.flash_c, index) - ln) * _slope(p.flash_c, index) / slope, p)
        for p in parts
    ]


def _ln_blend(parts: Sequence[Part], index: Index) -> float:
    """ln Σ vᵢ·Iᵢ, with the largest taken out first."""
    logs = [math.log(p.share) + ln_index(p.flash_c, index) for p in parts]
    top = max(logs)
    return top + math.log(math.fsum(math.exp(one - top) for one in logs))


def _checked(parts: Sequence[Part]) -> list[Part]:
    """Parts whose shares add up to exactly 1, without those of no share."""
    if not parts:
        raise BlendError("a blend needs at least one component")
    for part in parts:
        if not 0.0 <= part.share <= 1.0:
            raise BlendError(f"a share must be from 0 to 1, not {part.share:g}")
        check_temperature(part.flash_c)
    total = math.fsum(part.share for part in parts)
    if not abs(total - 1.0) <= SUM_TOLERANCE:
        raise BlendError(f"the shares add up to {total:.6g}, not to 1")
    return [Part(p.share / total, p.flash_c, p.sd_c) for p in parts if p.share > 0.0]


def check_temperature(flash_c: float) -> None:
    """Raises BlendError for what no index can be asked about."""
    if not LOWEST_C <= flash_c <= HIGHEST_C:
        raise BlendError(
            f"a flash point must be from {LOWEST_C:g} to {HIGHEST_C:g} °C, not {flash_c:g} °C"
        )


def extrapolation_note(flashes_c: Sequence[float]) -> str:
    """A warning when one of the flash points is outside what the indices were made for; or ""."""
    outside = [t for t in flashes_c if not TRUSTED_LOW_C <= t <= TRUSTED_HIGH_C]
    if not outside:
        return ""
    named = ", ".join(f"{t:.1f} °C" for t in outside)
    return (
        f"{named} outside {TRUSTED_LOW_C:g} to {TRUSTED_HIGH_C:g} °C: the index extrapolates, and "
        "the true flash point may be far from this"
    )


@dataclass(frozen=True, slots=True)
class LightShare:
    """How much of a light component a base can take.

    share: the largest volume fraction that leaves the blend at the limit. share_other: by the
    other index. sd: one standard deviation of share, from the components and from the difference
    of the two indices, which counts as one more. cautious: the smaller of the two, less 1.645
    standard deviations from the components (95 %, one-sided); from 0.
    """

    share: float
    share_other: float
    sd: float
    cautious: float


def most_light_share(
    base_c: float,
    light_c: float,
    limit_c: float,
    index: Index,
    base_sd_c: float = 0.0,
    light_sd_c: float = 0.0,
) -> LightShare:
    """The largest share of a light component with which the blend still is at the limit.

    A base at or below the limit takes none. Raises BlendError when the light component is not
    below the limit, for then any share will do, or a temperature is not a possible one.
    """
    for temperature_c in (base_c, light_c, limit_c):
        check_temperature(temperature_c)
    if light_c >= limit_c:
        raise BlendError(
            f"the light component ({light_c:g} °C) must be below the limit ({limit_c:g} °C); "
            "at or above it any share will do"
        )
    share = _light_share(base_c, light_c, limit_c, index)
    share_other = _light_share(base_c, light_c, limit_c, index.other)
    by_parts = {
        each: math.hypot(*_share_errors(base_c, light_c, limit_c, each, base_sd_c, light_sd_c))
        for each in Index
    }
    cautious = min(
        max(0.0, each_share - ONE_SIDED_95 * by_parts[each])
        for each, each_share in ((index, share), (index.other, share_other))
    )
    return LightShare(
        share, share_other, math.hypot(by_parts[index], share - share_other), cautious
    )


def _light_share(base_c: float, light_c: float, limit_c: float, index: Index) -> float:
    """(I_limit − I_base) / (I_light − I_base), in parts of I_light."""
    if base_c <= limit_c:
        return 0.0
    light = ln_index(light_c, index)
    base = math.exp(ln_index(base_c, index) - light)
    limit = math.exp(ln_index(limit_c, index) - light)
    return (limit - base) / (1.0 - base)


def _share_errors(
    base_c: float,
    light_c: float,
    limit_c: float,
    index: Index,
    base_sd_c: float,
    light_sd_c: float,
) -> tuple[float, float]:
    """∂share/∂T · σ of the base and of the light component, without sign; 0 without room."""
    if base_c <= limit_c:
        return 0.0, 0.0
    share = _light_share(base_c, light_c, limit_c, index)
    light = ln_index(light_c, index)
    base = math.exp(ln_index(base_c, index) - light)
    by_base = (1.0 - share) * base * _slope(base_c, index) / (1.0 - base)
    by_light = share * _slope(light_c, index) / (1.0 - base)
    return by_base * base_sd_c, by_light * light_sd_c


@dataclass(frozen=True, slots=True)
class BatchPart:
    """What flowed while one value held. flash_c None: not known."""

    volume_m3: float
    flash_c: float | None
    sd_c: float = 0.0


@dataclass(frozen=True, slots=True)
class Batch:
    """The flash point of all that flowed.

    flash_c, sd_c, worst: of the part of the volume whose flash point is known; None when there is
    none. coverage: that part, 0 to 1. worst: place of the lowest flash point among the parts.
    sd_c takes the errors of all parts as the same one, as of one analyzer: the cautious end.
    """

    flash_c: float | None
    sd_c: float | None
    coverage: float
    worst: int | None


def batch_flash_c(parts: Sequence[BatchPart], index: Index) -> Batch:
    """The volumes blended by the index; temperatures are never averaged.

    Raises BlendError for a volume below 0, or for none at all.
    """
    for part in parts:
        if not 0.0 <= part.volume_m3 < math.inf:
            raise BlendError(f"a volume must be 0 m³ or more, not {part.volume_m3:g} m³")
    total_m3 = math.fsum(part.volume_m3 for part in parts)
    if not total_m3 > 0.0:
        raise BlendError("the batch has no volume")
    known = [
        (place, part.volume_m3, part.flash_c, part.sd_c)
        for place, part in enumerate(parts)
        if part.flash_c is not None and part.volume_m3 > 0.0
    ]
    if not known:
        return Batch(None, None, 0.0, None)
    known_m3 = math.fsum(volume for _, volume, _, _ in known)
    blend = _checked([Part(volume / known_m3, flash, sd) for _, volume, flash, sd in known])
    worst = min(known, key=lambda one: one[2])[0]
    return Batch(
        flash_of_ln_index_c(_ln_blend(blend, index), index),
        math.fsum(s * p.sd_c for s, p in _sensitivities(blend, index)),
        known_m3 / total_m3,
        worst,
    )
