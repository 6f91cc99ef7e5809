"""Barometric correction against the worked examples of the methods' formulas."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.config.site import Correction
from edgeflash.flash.barometer import correction_c
from edgeflash.units import UNITS

MMHG = 0.133322387415


@pytest.mark.parametrize(
    ("observed_c", "pressure_kpa", "form", "corrected_c"),
    [
        # ISO 2719 and ASTM D3828: Tc = T + 0.25·(101.3 − K), K in kPa; hand arithmetic.
        (60.0, 95.0, Correction.CELSIUS_KPA, 61.575),
        (60.0, 98.0, Correction.CELSIUS_KPA, 60.825),
        (60.0, 103.0, Correction.CELSIUS_KPA, 59.575),
        (60.0, 82.0, Correction.CELSIUS_KPA, 64.825),
        (61.0, UNITS["hPa"].to_inside(950.0), Correction.CELSIUS_KPA, 62.575),
        (60.0, 101.3, Correction.CELSIUS_KPA, 60.000),
        # ASTM D93 and D56: Tc = T + 0.033·(760 − P), P in mmHg (from memory); hand arithmetic.
        (60.0, 700.0 * MMHG, Correction.CELSIUS_MMHG, 61.980),
        # ASTM D3828: Tc = T + 0.06·(760 − P) in °F: 140.0 °F gives 143.600 °F at 700 mmHg.
        (60.0, 700.0 * MMHG, Correction.FAHRENHEIT_MMHG, (143.6 - 32.0) / 1.8),
        (60.0, 95.0, Correction.NONE, 60.0),
    ],
)
def test_worked_examples(
    observed_c: float, pressure_kpa: float, form: Correction, corrected_c: float
) -> None:
    """The corrected flash point is the observed one plus the correction, unrounded."""
    assert observed_c + correction_c(pressure_kpa, form) == pytest.approx(corrected_c, abs=1e-9)


@given(
    st.floats(82.0, 104.7),
    st.sampled_from([c for c in Correction if c is not Correction.NONE]),
)
def test_low_pressure_corrects_upward(pressure_kpa: float, form: Correction) -> None:
    """Low pressure lowers the observed flash point, so the correction is positive (ISO 2719)."""
    assert (correction_c(pressure_kpa, form) > 0) == (pressure_kpa < 101.3) or (
        abs(pressure_kpa - 101.3) < 0.05
    )


@given(st.floats(82.0, 104.7))
def test_the_forms_agree_within_their_rounding(pressure_kpa: float) -> None:
    """0.25 °C/kPa is 0.0333 °C/mmHg and 0.06 °F/mmHg: one correction in three units."""
    kpa = correction_c(pressure_kpa, Correction.CELSIUS_KPA)
    mmhg = correction_c(pressure_kpa, Correction.CELSIUS_MMHG)
    fahrenheit = correction_c(pressure_kpa, Correction.FAHRENHEIT_MMHG)
    assert mmhg == pytest.approx(kpa, abs=0.07)
    assert fahrenheit == pytest.approx(kpa, abs=0.02)


def test_a_barometer_cannot_read_nothing() -> None:
    """A pressure that is not positive is refused instead of corrected with."""
    with pytest.raises(ValueError, match="barometer"):
        correction_c(0.0, Correction.CELSIUS_KPA)


@pytest.mark.parametrize("pressure_kpa", [0.01, 0.5, 1.0])
def test_every_positive_pressure_has_a_correction(pressure_kpa: float) -> None:
    """0.25·(101.3 − p) (ISO 2719); whether a barometer can be right is for the rules to say."""
    expected_c = 0.25 * (101.3 - pressure_kpa)
    assert correction_c(pressure_kpa, Correction.CELSIUS_KPA) == pytest.approx(expected_c)
