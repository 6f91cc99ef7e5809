"""The robust line through the ramp."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import linregress, median_abs_deviation, theilslopes

from edgeflash.flash.ramp import fit_ramp
from tests.unit.flash.traces import trace


def test_the_slope_is_scipys_theil_sen_slope() -> None:
    """Reference: scipy.stats.theilslopes on the same window."""
    t = trace(temperature_noise_c=0.05, seed=4)
    ramp = fit_ramp(t.time_s, t.temperature_c, 60.0, 20.0)
    window = (t.time_s >= 40.0) & (t.time_s < 60.0)
    slope = theilslopes(t.temperature_c[window], t.time_s[window]).slope
    assert ramp is not None
    assert ramp.slope_c_per_s == pytest.approx(slope, rel=1e-12)


def test_a_minority_of_wrong_samples_moves_nothing() -> None:
    """One sample in five stuck at zero leaves the rate and the level where they were."""
    t = trace()
    spoiled = t.temperature_c.copy()
    spoiled[::5] = 0.0
    ramp = fit_ramp(t.time_s, spoiled, 60.0, 20.0)
    assert ramp is not None
    assert ramp.rate_c_per_min == pytest.approx(10.0, abs=0.05)
    assert ramp.at_c == pytest.approx(50.0, abs=0.05)


def test_the_stated_standard_deviation_is_the_scatter() -> None:
    """Over 200 noisy ramps the level scatters as at_sd_c says."""
    levels, stated = [], []
    for seed in range(200):
        t = trace(temperature_noise_c=0.05, seed=seed)
        ramp = fit_ramp(t.time_s, t.temperature_c, 60.0, 20.0)
        assert ramp is not None
        levels.append(ramp.at_c)
        stated.append(ramp.at_sd_c)
    assert np.std(levels) == pytest.approx(np.mean(stated), rel=0.35)
    assert np.mean(levels) == pytest.approx(50.0, abs=0.005)


def test_a_finely_sampled_window_gives_the_same_line() -> None:
    """Thinning a 1 kHz record to bound the work does not move the answer."""
    fine = trace(interval_s=0.01)
    ramp = fit_ramp(fine.time_s, fine.temperature_c, 60.0, 20.0)
    assert ramp is not None
    assert ramp.rate_c_per_min == pytest.approx(10.0, abs=1e-6)


def test_too_few_samples_give_no_line() -> None:
    """Three points are no ramp."""
    t = trace()
    assert fit_ramp(t.time_s, t.temperature_c, 0.6, 20.0) is None


def test_the_spread_is_scipys_robust_one() -> None:
    """Reference: scipy.stats.median_abs_deviation, scaled to a normal distribution."""
    t = trace(temperature_noise_c=0.05, seed=7)
    ramp = fit_ramp(t.time_s, t.temperature_c, 60.0, 20.0)
    assert ramp is not None
    window = (t.time_s >= 40.0) & (t.time_s < 60.0)
    line = ramp.at_c + ramp.slope_c_per_s * (t.time_s[window] - 60.0)
    expected = median_abs_deviation(t.temperature_c[window] - line, scale="normal")
    assert ramp.spread_c == pytest.approx(expected, rel=1e-4)


def test_the_standard_deviations_are_those_of_least_squares() -> None:
    """Reference: scipy.stats.linregress on the same design, scaled by the spread of each."""
    t = trace(temperature_noise_c=0.05, seed=7)
    ramp = fit_ramp(t.time_s, t.temperature_c, 60.0, 20.0)
    assert ramp is not None
    window = (t.time_s >= 40.0) & (t.time_s < 60.0)
    line = linregress(t.time_s[window] - 60.0, t.temperature_c[window])
    residual = t.temperature_c[window] - line.intercept - line.slope * (t.time_s[window] - 60.0)
    sd = float(np.sqrt((residual**2).sum() / (window.sum() - 2)))
    assert ramp.slope_sd_c_per_s / ramp.spread_c == pytest.approx(line.stderr / sd, rel=1e-9)
    assert ramp.at_sd_c / ramp.spread_c == pytest.approx(line.intercept_stderr / sd, rel=1e-9)


@pytest.mark.parametrize(("at_s", "is_known"), [(0.75, False), (0.76, True)])
def test_four_samples_are_a_line(at_s: float, is_known: bool) -> None:
    """The one at the instant itself does not count."""
    time = np.array([0.0, 0.25, 0.5, 0.75])
    assert (fit_ramp(time, 40.0 + time, at_s, 20.0) is not None) is is_known
