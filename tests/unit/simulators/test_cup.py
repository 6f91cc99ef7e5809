"""The cup's physics: ramp, sensor lag, pulse and pickup have their stated sizes."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulators.cup import Cup, CupSettings, crossing_s, lagged, pickup_kpa, pulse_kpa

SETTINGS = CupSettings()


def test_ramp_reaches_its_rate_after_a_start_transient() -> None:
    """Slow at first, then the set rate; the transient costs rate * heater lag."""
    cup = Cup(SETTINGS, 42.0)
    true_c, _ = cup.ramp(10.0, 480)
    times_s = np.arange(1, 481) * 0.25
    assert true_c[3] - 42.0 < 0.5 * 10.0 / 60.0
    assert (true_c[479] - true_c[475]) == pytest.approx(10.0 / 60.0, rel=1e-6)
    assert true_c[-1] == pytest.approx(42.0 + 10.0 / 60.0 * (times_s[-1] - 4.0), abs=1e-6)


@pytest.mark.parametrize(("rate", "lag_error_c"), [(5.5, 0.275), (2.5, 0.125), (10.0, 0.5)])
def test_sensor_reads_low_by_rate_times_lag(rate: float, lag_error_c: float) -> None:
    """A first-order lag on a ramp is late by rate * tau (plain arithmetic): 3 s here."""
    cup = Cup(SETTINGS, 42.0)
    true_c, sensed_c = cup.ramp(rate, 600)
    assert true_c[-1] - sensed_c[-1] == pytest.approx(lag_error_c, abs=1e-5)


def test_lag_answers_a_step_with_its_time_constant() -> None:
    """After one tau 63.2 % of a step, whatever the sampling period."""
    for step_s in (0.1, 0.25, 0.5):
        count = round(3.0 / step_s)
        out = lagged(np.ones(count), np.ones(count), 0.0, step_s, 3.0)
        assert out[-1] == pytest.approx(1.0 - math.exp(-1.0), rel=1e-9)


def test_cup_cools_to_its_set_temperature() -> None:
    """A 28 s purge brings the cup from 62 °C to within 0.1 °C of its start temperature."""
    cup = Cup(SETTINGS, 62.0)
    cup.hold(42.0, round(28.0 / 0.25))
    assert cup.true_c == pytest.approx(42.0, abs=0.1)


def test_pulse_rises_in_milliseconds_and_decays_in_tenths() -> None:
    """Peak as asked; 10..90 % in 10..20 ms; then a fifth of a second per factor e."""
    times_s = np.arange(0.0, 1.0, 0.0001)
    pressure = pulse_kpa(times_s, 90.0, SETTINGS)
    assert pressure.max() == pytest.approx(90.0, rel=1e-4)
    rise_s = times_s[np.argmax(pressure >= 81.0)] - times_s[np.argmax(pressure >= 9.0)]
    assert 0.010 <= rise_s <= 0.020
    assert pressure[6000] / pressure[4000] == pytest.approx(math.exp(-1.0), rel=1e-3)
    assert pulse_kpa(np.array([-0.1]), 90.0, SETTINGS)[0] == 0.0


def test_threshold_is_crossed_on_the_rise_or_never() -> None:
    """A pulse below the threshold is not seen; one above it is seen within its rise."""
    assert crossing_s(7.9, 8.0, SETTINGS) is None
    seen_s = crossing_s(12.0, 8.0, SETTINGS)
    assert seen_s is not None
    assert pulse_kpa(np.array([seen_s]), 12.0, SETTINGS)[0] == pytest.approx(8.0, abs=0.2)


def test_pickup_touches_at_most_one_sample_of_each_spark() -> None:
    """A 1.5 ms pickup is seen only by a sample that falls into it."""
    times_s = np.arange(0.0, 10.0, 0.25, dtype=np.float64)
    sparks_s = np.array([0.9990, 2.9980, 5.0010])  # 1.0 ms before, 2 ms before, 1 ms after
    seen = pickup_kpa(times_s, sparks_s, np.array([1.0, 2.0, 3.0]), SETTINGS.pickup_s)
    assert np.flatnonzero(seen).tolist() == [4]
    assert seen[4] == 1.0
