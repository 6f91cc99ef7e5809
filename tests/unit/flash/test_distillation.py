"""Flash point from the 10 % distillation temperature: worked figures, and pure compounds."""

from __future__ import annotations

import math

import pytest
from chemicals import T_flash, Tb
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.errors import UsageError
from edgeflash.flash.distillation import Correlation, DistillationError, flash_from_t10_c


@pytest.mark.parametrize(
    ("t10_c", "nonlinear_c", "linear_c"),
    [
        # API procedure 2B7.1 (1987) in °R, and 0.69·T10 − 118.2 in °F (from memory); by hand.
        (150.0, 35.41, 32.32),
        (170.0, 49.94, 46.12),
        (177.0, 54.85, 50.95),
        (190.0, 63.70, 59.92),
        (200.0, 70.28, 66.82),
        (217.0, 80.98, 78.55),
        (230.0, 88.74, 87.52),
        (250.0, 99.94, 101.32),
    ],
)
def test_worked_figures(t10_c: float, nonlinear_c: float, linear_c: float) -> None:
    """Both correlations at the same T10."""
    assert flash_from_t10_c(t10_c, Correlation.NONLINEAR) == pytest.approx(nonlinear_c, abs=0.0051)
    assert flash_from_t10_c(t10_c, Correlation.LINEAR) == pytest.approx(linear_c, abs=0.0051)


def test_by_hand_in_rankine() -> None:
    """T10 350.6 °F = 810.27 °R gives 590.39 °R = 130.72 °F."""
    flash_c = flash_from_t10_c((350.6 - 32.0) / 1.8, Correlation.NONLINEAR)
    assert flash_c * 1.8 + 32.0 == pytest.approx(130.72, abs=0.01)
    assert flash_c * 1.8 + 491.67 == pytest.approx(590.39, abs=0.01)


@given(st.floats(65.0, 320.0))
def test_the_kelvin_form_is_the_same_curve(t10_c: float) -> None:
    """1/T_F = −0.024209 + 2.84947/T10 + 3.4254e-3·ln T10, in K (from memory), with its own
    rounding: within 0.03 °C up to 250 °C, and 0.1 °C to the end."""
    kelvin = t10_c + 273.15
    flash_k = 1.0 / (-0.024209 + 2.84947 / kelvin + 3.4254e-3 * math.log(kelvin))
    tolerance_c = 0.03 if t10_c <= 250.0 else 0.1
    assert flash_from_t10_c(t10_c, Correlation.NONLINEAR) == pytest.approx(
        flash_k - 273.15, abs=tolerance_c
    )


@pytest.mark.parametrize(
    ("cas", "estimated_c"),
    [
        ("111-65-9", 16.78),  # n-octane
        ("111-84-2", 35.98),  # n-nonane
        ("124-18-5", 52.84),  # n-decane
        ("108-88-3", 4.83),  # toluene
    ],
)
def test_pure_compounds(cas: str, estimated_c: float) -> None:
    """The boiling point as T10 against tabulated flash points (IEC 60079-20-1, by `chemicals`).

    The correlation is for fractions, not for pure compounds: 0 to 7 °C too high.
    """
    flash_c = flash_from_t10_c(Tb(cas) - 273.15, Correlation.NONLINEAR)
    assert flash_c == pytest.approx(estimated_c, abs=0.15)
    assert 0.0 < flash_c - (T_flash(cas) - 273.15) < 7.5


@pytest.mark.parametrize("correlation", Correlation)
def test_where_it_holds(correlation: Correlation) -> None:
    """65 to 320 °C (from memory), the ends included; else no figure."""
    low_c, high_c = (flash_from_t10_c(t, correlation) for t in (65.0, 320.0))
    assert low_c < high_c
    for t10_c in (64.9, 320.1, math.nan, -300.0):
        with pytest.raises(DistillationError, match="from 65 to 320 °C") as caught:
            flash_from_t10_c(t10_c, correlation)
        assert isinstance(caught.value, UsageError)


@given(st.floats(65.0, 319.0), st.sampled_from(Correlation))
def test_a_heavier_front_end_flashes_higher(t10_c: float, correlation: Correlation) -> None:
    """It rises with T10 over the whole range."""
    assert flash_from_t10_c(t10_c + 1.0, correlation) > flash_from_t10_c(t10_c, correlation)
