"""Fuels as n-alkane mixtures whose flash point follows from composition and pressure.

Model: the vapour above the liquid lights when it reaches the lower flammability limit.
By Le Chatelier's rule with Raoult's law: sum(x_i * Psat_i(T) / (LFL_i * P)) >= 1, where P is
the absolute pressure in the cup. All temperatures in °C, pressures in kPa, fractions 0..1.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from simulators.errors import FuelError

FloatArray = NDArray[np.float64]

CARBON_NUMBERS: tuple[int, ...] = tuple(range(7, 17))

# Antoine constants A, B, C of log10(Psat/Pa) = A - B / (T/K + C), n-heptane to n-hexadecane.
# Source: Poling, Prausnitz, O'Connell, "The Properties of Gases and Liquids", 5th ed.,
# appendix A, converted to Pa. Below the stated minimum temperature they are extrapolated;
# against the DIPPR-101 equations of Perry's handbook, 8th ed., the flash moves by < 1 °C.
ANTOINE: Mapping[int, tuple[float, float, float]] = {
    7: (9.02023, 1263.909, -56.718),
    8: (9.05075, 1356.36, -63.515),
    9: (9.07356, 1438.03, -70.456),
    10: (9.06853, 1495.17, -79.292),
    11: (9.0971, 1569.57, -85.45),
    12: (9.12285, 1639.27, -91.31),
    13: (9.13246, 1690.67, -98.93),
    14: (9.1379, 1740.88, -105.43),
    15: (9.14849, 1789.95, -111.77),
    16: (9.15357, 1830.51, -118.7),
}

_A = np.array([ANTOINE[n][0] for n in CARBON_NUMBERS])
_B = np.array([ANTOINE[n][1] for n in CARBON_NUMBERS])
_C = np.array([ANTOINE[n][2] for n in CARBON_NUMBERS])

LOWEST_C, HIGHEST_C = -90.0, 260.0  # range in which a flash point is looked for
START_SEARCH_C = 60.0
MAX_NEWTON_STEPS = 50
_LN10 = math.log(10.0)
SUM_TOLERANCE = 1e-6


def lower_flammability_limit(carbon_number: int) -> float:
    """Lower flammability limit of an n-alkane in air, as a mole fraction.

    Crowl–Louvar (after Jones): 0.55 / (4.76*m + 1.19*x + 1) for C_m H_x.
    Source: Crowl & Louvar, "Chemical Process Safety", chapter on fires and explosions.
    """
    return 0.55 / (4.76 * carbon_number + 1.19 * (2 * carbon_number + 2) + 1.0)


LIMITS: FloatArray = np.array([lower_flammability_limit(n) for n in CARBON_NUMBERS])


def vapour_pressures_kpa(temperature_c: float) -> FloatArray:
    """Saturation pressures of all components at one temperature, kPa, in CARBON_NUMBERS order."""
    pressures: FloatArray = 10.0 ** (_A - _B / (temperature_c + 273.15 + _C)) / 1000.0
    return pressures


@dataclass(frozen=True, slots=True)
class Fuel:
    """A liquid mixture of n-alkanes C7..C16.

    fractions: mole fractions in CARBON_NUMBERS order, each >= 0, sum 1.
    Raises FuelError when they are not.
    """

    fractions: tuple[float, ...]

    def __post_init__(self) -> None:
        if len(self.fractions) != len(CARBON_NUMBERS):
            raise FuelError(
                f"a fuel needs {len(CARBON_NUMBERS)} mole fractions, got {len(self.fractions)}"
            )
        if min(self.fractions) < 0.0 or abs(math.fsum(self.fractions) - 1.0) > SUM_TOLERANCE:
            raise FuelError(f"mole fractions must be >= 0 and add up to 1: {self.fractions}")

    def fraction(self, carbon_number: int) -> float:
        """Mole fraction of one component."""
        return self.fractions[CARBON_NUMBERS.index(carbon_number)]


def fuel_from(parts: Mapping[int, float]) -> Fuel:
    """Fuel from amounts by carbon number; amounts are scaled to add up to 1."""
    unknown = sorted(set(parts) - set(CARBON_NUMBERS))
    total = math.fsum(parts.values())
    if unknown or total <= 0.0:
        raise FuelError(f"need positive amounts of C7..C16, got {dict(parts)}")
    return Fuel(tuple(parts.get(n, 0.0) / total for n in CARBON_NUMBERS))


def mix(first: Fuel, second: Fuel, second_fraction: float) -> Fuel:
    """Molar mixture of two fuels; second_fraction in 0..1 is the share of the second."""
    if not 0.0 <= second_fraction <= 1.0:
        raise FuelError(f"the share of the second fuel must be within 0..1, got {second_fraction}")
    keep = 1.0 - second_fraction
    pairs = zip(first.fractions, second.fractions, strict=True)
    return Fuel(_normalised([keep * a + second_fraction * b for a, b in pairs]))


def lean_limit_ratio(
    fuel: Fuel, temperature_c: float, pressure_kpa: float, limits: Sequence[float] | None = None
) -> float:
    """Le Chatelier's sum; the vapour can be lit where it is >= 1.

    limits: lower flammability limits as mole fractions in CARBON_NUMBERS order;
    Crowl–Louvar by default.
    """
    used = LIMITS if limits is None else np.asarray(limits, dtype=np.float64)
    terms = np.asarray(fuel.fractions) * vapour_pressures_kpa(temperature_c) / used
    return float(terms.sum()) / pressure_kpa


def flash_point_c(fuel: Fuel, pressure_kpa: float, limits: Sequence[float] | None = None) -> float:
    """Equilibrium flash point at the cup's absolute pressure, °C, to better than 1e-7 °C.

    Raises FuelError when it lies outside LOWEST_C..HIGHEST_C or the pressure is not positive.
    """
    if pressure_kpa <= 0.0:
        raise FuelError(f"the cup's absolute pressure must be positive, got {pressure_kpa} kPa")
    used = LIMITS if limits is None else np.asarray(limits, dtype=np.float64)
    weights = np.asarray(fuel.fractions) / (used * pressure_kpa * 1000.0)
    # Newton on ln(sum) against 1/T, where each component is nearly a straight line.
    temperature_k = START_SEARCH_C + 273.15
    for _ in range(MAX_NEWTON_STEPS):
        terms = weights * 10.0 ** (_A - _B / (temperature_k + _C))
        total = float(terms.sum())
        slope = float(terms @ (_B / (temperature_k + _C) ** 2)) * _LN10 / total  # d ln(sum)/dT
        inverse_k = 1.0 / temperature_k + math.log(total) / (slope * temperature_k**2)
        found_k = 1.0 / inverse_k
        if not LOWEST_C <= found_k - 273.15 <= HIGHEST_C:
            break
        if abs(found_k - temperature_k) < 1e-8:
            return found_k - 273.15
        temperature_k = found_k
    raise FuelError(f"no flash point within {LOWEST_C}..{HIGHEST_C} °C at {pressure_kpa} kPa")


def contaminate(fuel: Fuel, light_mole_fraction: float, carbon_number: int = 8) -> Fuel:
    """The fuel with a light n-alkane (n-octane by default) mixed in up to that share."""
    return mix(fuel, fuel_from({carbon_number: 1.0}), light_mole_fraction)


def blend_for_flash_point(
    light: Fuel, heavy: Fuel, target_c: float, pressure_kpa: float = 101.325
) -> Fuel:
    """Mixture of two stocks whose flash point is target_c within 1e-4 °C.

    Raises FuelError when the target lies outside the two stocks' own flash points.
    """
    low_c, high_c = flash_point_c(light, pressure_kpa), flash_point_c(heavy, pressure_kpa)
    if not low_c <= target_c <= high_c:
        raise FuelError(f"target {target_c} °C is outside the stocks' {low_c:.2f}..{high_c:.2f} °C")
    low, high = 0.0, 1.0
    for _ in range(60):
        share = 0.5 * (low + high)
        reached_c = flash_point_c(mix(light, heavy, share), pressure_kpa)
        if abs(reached_c - target_c) < 1e-4:
            break
        low, high = (share, high) if reached_c < target_c else (low, share)
    return mix(light, heavy, share)


def drift(fuel: Fuel, log_changes: Sequence[float]) -> Fuel:
    """The fuel with each fraction multiplied by exp(change) and scaled back to a sum of 1."""
    pairs = zip(fuel.fractions, log_changes, strict=True)
    return Fuel(_normalised([x * math.exp(change) for x, change in pairs]))


# Two invented stocks: a light kerosene-like and a heavy gas-oil-like cut (mole parts).
LIGHT_STOCK = fuel_from({8: 6, 9: 18, 10: 26, 11: 24, 12: 16, 13: 10})
HEAVY_STOCK = fuel_from({10: 1, 11: 4, 12: 10, 13: 18, 14: 24, 15: 24, 16: 19})
CHECK_FLUID = fuel_from({11: 1.0})  # n-undecane, a common check fluid (common practice)


@lru_cache(maxsize=256)
def product(target_c: float, pressure_kpa: float = 101.325) -> Fuel:
    """A fuel with that flash point: the two stocks where they reach, else neighbouring alkanes.

    Raises FuelError outside the pure components' range (about -6..128 °C at 101.325 kPa).
    """
    stocks = [LIGHT_STOCK, HEAVY_STOCK]
    ends_c = [flash_point_c(stock, pressure_kpa) for stock in stocks]
    if ends_c[0] <= target_c <= ends_c[1]:
        return blend_for_flash_point(LIGHT_STOCK, HEAVY_STOCK, target_c, pressure_kpa)
    for carbon_number in CARBON_NUMBERS[:-1]:
        light, heavy = fuel_from({carbon_number: 1.0}), fuel_from({carbon_number + 1: 1.0})
        if target_c <= flash_point_c(heavy, pressure_kpa):
            return blend_for_flash_point(light, heavy, target_c, pressure_kpa)
    raise FuelError(f"no mixture of C7..C16 flashes at {target_c} °C")


def _normalised(amounts: Sequence[float]) -> tuple[float, ...]:
    total = math.fsum(amounts)
    return tuple(amount / total for amount in amounts)
