"""Fuels: vapour pressures, flammability limits and flash points against published values."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import chemicals
import chemicals.vapor_pressure as tables
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulators.errors import FuelError
from simulators.fuel import (
    CARBON_NUMBERS,
    HEAVY_STOCK,
    LIGHT_STOCK,
    LIMITS,
    Fuel,
    blend_for_flash_point,
    contaminate,
    drift,
    flash_point_c,
    fuel_from,
    lean_limit_ratio,
    lower_flammability_limit,
    mix,
    product,
    vapour_pressures_kpa,
)

STANDARD_KPA = 101.325
CAS = {
    7: "142-82-5",
    8: "111-65-9",
    9: "111-84-2",
    10: "124-18-5",
    11: "1120-21-4",
    12: "112-40-3",
    13: "629-50-5",
    14: "629-59-4",
    15: "629-62-9",
    16: "544-76-3",
}

# Two functions that the library leaves without types.
EQ101: Callable[..., float] = chemicals.EQ101
fire_mixing: Callable[[list[float], list[float]], float] = chemicals.fire_mixing


def antoine_row(carbon_number: int) -> dict[str, float]:
    """Constants A, B, C and range Tmin, Tmax in K as published by Poling et al., 5th ed."""
    row: Any = tables.Psat_data_AntoinePoling.loc[CAS[carbon_number]]
    return {name: float(row[name]) for name in ("A", "B", "C", "Tmin", "Tmax")}


fuels = st.lists(
    st.floats(min_value=0.001, max_value=1.0), min_size=len(CARBON_NUMBERS), max_size=10
).map(lambda parts: fuel_from(dict(zip(CARBON_NUMBERS, parts, strict=True))))


@pytest.mark.parametrize("carbon_number", CARBON_NUMBERS)
def test_vapour_pressure_follows_the_handbook_equation(carbon_number: int) -> None:
    """Within 3 % of DIPPR-101 at 10..200 kPa of the handbook's range.

    Source: Perry's Chemical Engineers' Handbook, 8th ed., table 2-8, through `chemicals`;
    the simulator's own constants come from another book (Poling et al., 5th ed.).
    """
    row: Any = tables.Psat_data_Perrys2_8.loc[CAS[carbon_number]]
    antoine = antoine_row(carbon_number)
    for step in range(5):
        kelvin = antoine["Tmin"] + step * (antoine["Tmax"] - antoine["Tmin"]) / 4.0
        published = EQ101(kelvin, *(float(row[f"C{n}"]) for n in range(1, 6)))
        ours = vapour_pressures_kpa(kelvin - 273.15)[CARBON_NUMBERS.index(carbon_number)] * 1e3
        assert ours == pytest.approx(published, rel=0.03)


@pytest.mark.parametrize("carbon_number", CARBON_NUMBERS)
def test_antoine_constants_are_the_published_ones(carbon_number: int) -> None:
    """Equal to the Antoine table of Poling et al., 5th ed., in `chemicals`, at 60 °C."""
    row = antoine_row(carbon_number)
    published = chemicals.Antoine(333.15, row["A"], row["B"], row["C"])
    ours = vapour_pressures_kpa(60.0)[CARBON_NUMBERS.index(carbon_number)] * 1000.0
    assert ours == pytest.approx(published, rel=1e-9)


@pytest.mark.parametrize("carbon_number", CARBON_NUMBERS)
def test_lower_limit_is_crowl_louvar(carbon_number: int) -> None:
    """Equal to `chemicals.Crowl_Louvar_LFL`."""
    published = chemicals.Crowl_Louvar_LFL({"C": carbon_number, "H": 2 * carbon_number + 2})
    assert lower_flammability_limit(carbon_number) == pytest.approx(published, rel=1e-12)


@pytest.mark.parametrize(
    ("carbon_number", "tolerance_c"),
    [(7, 3), (8, 3), (9, 3), (10, 3), (11, 5), (12, 5), (13, 5), (14, 5), (16, 5)],
)
def test_pure_alkanes_flash_where_the_tables_say(carbon_number: int, tolerance_c: float) -> None:
    """C7..C10 within 3 °C of IEC 60079-20-1 (2010), the others within 5 °C.

    C11, C13, C14, C16: DIPPR values of Serat et al. (2017); C12: an open data base. All from
    `chemicals.T_flash`. The tables differ among themselves by 1 to 8 °C.
    """
    published_c = chemicals.T_flash(CAS[carbon_number]) - 273.15
    ours_c = flash_point_c(fuel_from({carbon_number: 1.0}), STANDARD_KPA)
    assert ours_c == pytest.approx(published_c, abs=tolerance_c)


def test_pentadecane_lies_between_its_neighbours() -> None:
    """The one tabulated value of C15 (132 °C) is above that of C16, so it proves nothing.

    Our value is held between the tabulated ones of C14 and C16 (Serat et al. 2017) instead.
    """
    tabulated_c = {n: chemicals.T_flash(CAS[n]) - 273.15 for n in (14, 15, 16)}
    assert tabulated_c[15] > tabulated_c[16]
    ours_c = flash_point_c(fuel_from({15: 1.0}), STANDARD_KPA)
    assert tabulated_c[14] < ours_c < tabulated_c[16]


# Liaw's equation sum(x*Psat(T)/Psat(Tf)) = 1, worked outside this project from the Antoine
# constants of Poling et al. and these pure flash points (IEC 60079-20-1; C12, C14 as above).
PURE_FLASH_C = {8: 13.0, 9: 30.0, 10: 46.0, 12: 74.0, 14: 107.5}
LIAW = [
    ({8: 0.5, 10: 0.5}, 22.619),
    ({8: 0.1, 10: 0.9}, 38.690),
    ({10: 0.5, 14: 0.5}, 57.795),
    ({9: 0.1, 10: 0.3, 12: 0.4, 14: 0.2}, 54.449),
    ({8: 0.02, 12: 0.98}, 67.822),
]


def liaw_limits() -> list[float]:
    """Limits that make each pure component flash at PURE_FLASH_C at standard pressure."""
    limits = [float(limit) for limit in LIMITS]
    for carbon_number, flash_c in PURE_FLASH_C.items():
        place = CARBON_NUMBERS.index(carbon_number)
        limits[place] = float(vapour_pressures_kpa(flash_c)[place]) / STANDARD_KPA
    return limits


@pytest.mark.parametrize(("parts", "expected_c"), LIAW)
def test_mixtures_flash_as_liaw_says(parts: dict[int, float], expected_c: float) -> None:
    """Le Chatelier with limits from the pure flash points is Liaw's equation: 0.001 °C."""
    found_c = flash_point_c(fuel_from(parts), STANDARD_KPA, liaw_limits())
    assert found_c == pytest.approx(expected_c, abs=0.001)


@given(fuels, st.floats(min_value=70.0, max_value=110.0))
def test_vapour_at_the_flash_is_at_its_limit_by_le_chatelier(fuel: Fuel, kpa: float) -> None:
    """The share of fuel in the vapour equals `chemicals.fire_mixing` of the same vapour."""
    flash_c = flash_point_c(fuel, kpa)
    partial = [
        x * p for x, p in zip(fuel.fractions, vapour_pressures_kpa(flash_c).tolist(), strict=True)
    ]
    total = sum(partial)
    limit = fire_mixing([part / total for part in partial], LIMITS.tolist())
    assert total / kpa == pytest.approx(limit, rel=1e-6)
    assert lean_limit_ratio(fuel, flash_c, kpa) == pytest.approx(1.0, abs=1e-7)


@given(fuels, st.floats(min_value=0.01, max_value=0.5))
def test_light_component_lowers_the_flash(fuel: Fuel, share: float) -> None:
    """Heptane, lighter than or equal to all of it, never raises the flash point."""
    clean_c = flash_point_c(fuel, STANDARD_KPA)
    assert flash_point_c(contaminate(fuel, share, 7), STANDARD_KPA) < clean_c


def test_two_per_cent_octane_takes_about_six_degrees_off_dodecane() -> None:
    """6.18 °C by Liaw's equation (worked as above); within 1 °C with Crowl–Louvar limits."""
    clean = fuel_from({12: 1.0})
    dirty = contaminate(clean, 0.02)
    limits = liaw_limits()
    by_liaw_c = flash_point_c(clean, STANDARD_KPA, limits) - flash_point_c(
        dirty, STANDARD_KPA, limits
    )
    ours_c = flash_point_c(clean, STANDARD_KPA) - flash_point_c(dirty, STANDARD_KPA)
    assert by_liaw_c == pytest.approx(6.18, abs=0.01)
    assert ours_c == pytest.approx(6.18, abs=1.0)


def test_flash_rises_with_pressure_as_clausius_clapeyron_says() -> None:
    """n-Decane near 46 °C: 0.165 °C per kPa, from its heat of vaporisation by handbook data."""
    decane = fuel_from({10: 1.0})
    slope = (flash_point_c(decane, 103.0) - flash_point_c(decane, 98.5)) / 4.5
    assert slope == pytest.approx(0.165, abs=0.01)


@pytest.mark.parametrize("target_c", [15.0, 45.0, 62.0, 90.0, 120.0])
def test_product_flashes_at_its_target(target_c: float) -> None:
    """A product is within 0.001 °C of the flash point asked for."""
    assert flash_point_c(product(target_c), STANDARD_KPA) == pytest.approx(target_c, abs=0.001)


def test_stocks_cannot_reach_beyond_themselves() -> None:
    """Targets outside the stocks, impossible fractions and pressures are refused."""
    with pytest.raises(FuelError, match="outside the stocks"):
        blend_for_flash_point(LIGHT_STOCK, HEAVY_STOCK, 20.0)
    with pytest.raises(FuelError, match="flashes at"):
        product(140.0)
    with pytest.raises(FuelError, match="add up to 1"):
        Fuel((0.5,) * 10)
    with pytest.raises(FuelError, match=r"C7\.\.C16"):
        fuel_from({4: 1.0})
    with pytest.raises(FuelError, match=r"within 0\.\.1"):
        mix(LIGHT_STOCK, HEAVY_STOCK, 1.5)
    with pytest.raises(FuelError, match="must be positive"):
        flash_point_c(LIGHT_STOCK, 0.0)


@given(fuels, st.lists(st.floats(min_value=-0.5, max_value=0.5), min_size=10, max_size=10))
def test_drift_keeps_a_fuel_a_fuel(fuel: Fuel, changes: list[float]) -> None:
    """Fractions stay positive and add up to 1."""
    moved = drift(fuel, changes)
    assert sum(moved.fractions) == pytest.approx(1.0, abs=1e-9)
    assert min(moved.fractions) > 0.0
