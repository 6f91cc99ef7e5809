"""The robust line through the ramp."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import theilslopes

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
