"""The shape of a pulse against its geometry."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.flash.pulse import PulseShape, pulse_shape
from edgeflash.model import Pulse
from tests.unit.flash.pulses import pulse


def shape(**changes: Any) -> PulseShape:
    """The shape of a pulse that has one."""
    found = pulse_shape(pulse(**changes))
    assert found is not None
    return found


@given(
    rise_s=st.floats(0.004, 0.2),
    decay_s=st.floats(0.02, 0.25),
    peak_kpa=st.floats(10.0, 200.0),
    zero_kpa=st.floats(-5.0, 5.0),
)
def test_the_times_are_those_of_the_geometry(
    rise_s: float, decay_s: float, peak_kpa: float, zero_kpa: float
) -> None:
    """Within a sample interval of 1 ms, whatever the height and the transducer's zero."""
    found = shape(rise_s=rise_s, decay_s=decay_s, peak_kpa=peak_kpa, zero_kpa=zero_kpa)
    assert found.peak_kpa == pytest.approx(peak_kpa, rel=0.26)  # the tip lies between samples
    assert found.rise_s == pytest.approx(0.8 * rise_s, abs=0.0015)
    assert found.width_s == pytest.approx(0.5 * (rise_s + decay_s), abs=0.0035)
    assert found.decay_s == pytest.approx(0.9 * decay_s, abs=0.0025)
    assert found.left_fraction == pytest.approx(0.0, abs=1e-6)


def test_the_crossings_are_interpolated_between_the_samples() -> None:
    """With samples on the corners the times are exact, though none lies at 10, 50 or 90 %."""
    found = shape(rise_s=0.007, decay_s=0.07, peak_kpa=70.0)
    assert found.peak_kpa == pytest.approx(70.0, abs=1e-4)
    assert found.rise_s == pytest.approx(0.0056, abs=1e-7)
    assert found.width_s == pytest.approx(0.0385, abs=1e-7)
    assert found.decay_s == pytest.approx(0.063, abs=1e-7)
    assert found.after_peak_s == pytest.approx(0.599 - 0.107, abs=1e-9)


@pytest.mark.parametrize("noise_kpa", [0.3, 1.0, 2.0])
def test_noise_moves_the_times_little(noise_kpa: float) -> None:
    """Over 50 captures, up to the noisiest transducer that is still sound (2 kPa)."""
    found = [shape(noise_kpa=noise_kpa, seed=seed) for seed in range(50)]
    rises = [f.rise_s for f in found]
    decays = [f.decay_s for f in found]
    assert np.median(rises) == pytest.approx(0.016, abs=0.0025)
    assert np.median(decays) == pytest.approx(0.09, abs=0.006)


def test_what_stays_is_left() -> None:
    """A step keeps its height; a fall to 30 % leaves 30 % and never reaches 10 %."""
    step, partly = shape(stays=1.0), shape(stays=0.3)
    assert step.left_fraction == pytest.approx(1.0)
    assert (step.width_s, step.decay_s) == (None, None)
    assert partly.left_fraction == pytest.approx(0.3)
    assert partly.width_s is not None
    assert partly.decay_s is None


def test_a_capture_that_begins_late_has_no_rise() -> None:
    """The quiet after the decay is the baseline then; peak and decay are still right."""
    late = pulse(before_s=0.1, rise_s=0.02, decay_s=0.1)
    found = pulse_shape(Pulse(0.001, late.pressure_kpa[120:]))
    assert found is not None
    assert (found.rise_s, found.width_s) == (None, None)
    assert found.peak_kpa == pytest.approx(80.0, rel=1e-6)
    assert found.decay_s == pytest.approx(0.09, abs=1e-6)


def test_samples_that_are_no_number_are_left_out() -> None:
    """The rest gives the same answer."""
    holed = pulse(rise_s=0.02, decay_s=0.1).pressure_kpa.copy()
    holed[[3, 110, 150, 300]] = np.nan
    found = pulse_shape(Pulse(0.001, holed))
    assert found is not None
    assert found.rise_s == pytest.approx(0.016, abs=1e-6)
    assert found.decay_s == pytest.approx(0.09, abs=1e-6)


@pytest.mark.parametrize(
    ("height_kpa", "noise_kpa", "has_shape"),
    [(3.0, 0.0, False), (3.001, 0.0, True), (5.5, 1.0, False), (9.0, 1.0, True)],
)
def test_what_does_not_rise_out_of_the_noise_has_no_shape(
    height_kpa: float, noise_kpa: float, has_shape: bool
) -> None:
    """3 kPa, and six times the noise, as in the trace. The noise here is ±noise in turns: its
    robust standard deviation is 1.4826 times that."""
    values = np.zeros(200)
    values[::2], values[1::2] = noise_kpa / 1.4826, -noise_kpa / 1.4826
    values[100:120] = height_kpa
    assert (pulse_shape(Pulse(0.001, values)) is not None) is has_shape


def test_too_short_a_capture_says_nothing() -> None:
    """19 samples are too few, 20 are enough; no interval is none at all."""
    values = np.zeros(20)
    values[8:12] = 50.0
    assert pulse_shape(Pulse(0.001, values)) is not None
    assert pulse_shape(Pulse(0.001, values[:19])) is None
    assert pulse_shape(Pulse(0.0, values)) is None
