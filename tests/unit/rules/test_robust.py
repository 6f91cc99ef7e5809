"""Robust statistics against a reference library and against their own definition by chance."""

from __future__ import annotations

import math
from statistics import median

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from edgeflash.rules.robust import (
    MAD_TO_SD,
    SMALL_SAMPLE,
    chance_of_run,
    prediction_factor,
    resolution_of,
    robust_sd,
    short_term_sd,
)

CELSIUS = st.floats(-50.0, 400.0)
DRAWS = 200_000


@given(st.lists(CELSIUS, min_size=10, max_size=40))
def test_the_spread_is_the_scaled_median_absolute_deviation(values: list[float]) -> None:
    """scipy's, times n / (n - 0.8) (Croux & Rousseeuw 1992, from memory)."""
    n = len(values)
    expected = stats.median_abs_deviation(values, scale="normal") * n / (n - 0.8)
    assert robust_sd(values) == pytest.approx(expected, rel=1e-12, abs=1e-12)


def test_the_scale_is_that_of_the_normal_distribution() -> None:
    """1.4826 (Rousseeuw & Croux 1993), one over the upper quartile."""
    assert pytest.approx(1.4826, abs=1e-5) == MAD_TO_SD
    assert pytest.approx(1.0 / stats.norm.ppf(0.75), rel=1e-14) == MAD_TO_SD


@pytest.mark.parametrize("n", range(2, 25))
def test_the_spread_is_right_in_the_mean_for_few_values(n: int) -> None:
    """The small-sample factors make it so, to 1 %; drawn normal values are the judge."""
    drawn = np.random.default_rng(n).normal(0.0, 1.0, (DRAWS, n))
    off = np.abs(drawn - np.median(drawn, axis=1, keepdims=True))
    mean = float(np.median(off, axis=1).mean())
    raised = robust_sd([float(i) for i in range(n)]) / (
        MAD_TO_SD * median(abs(i - (n - 1) / 2) for i in range(n))
    )
    assert MAD_TO_SD * raised * mean == pytest.approx(1.0, abs=0.01)


def test_the_table_of_small_samples_is_the_published_one() -> None:
    """Croux & Rousseeuw 1992, table for the median absolute deviation (from memory)."""
    assert list(SMALL_SAMPLE) == list(range(2, 10))
    assert tuple(SMALL_SAMPLE.values()) == (1.196, 1.495, 1.363, 1.206, 1.200, 1.140, 1.129, 1.107)


def test_one_value_has_no_spread() -> None:
    """Nothing to divide by."""
    assert robust_sd([62.0]) == 0.0


@given(st.lists(CELSIUS, min_size=3, max_size=21), st.data())
def test_fewer_than_half_wrong_values_cannot_carry_the_spread_away(
    values: list[float], data: st.DataObject
) -> None:
    """The breakdown point: it stays below the range of the good ones, however wrong the others."""
    wrong = (len(values) - 1) // 2
    good = values[wrong:]
    spoiled = [*good, *data.draw(st.lists(st.floats(1e6, 1e9), min_size=wrong, max_size=wrong))]
    width = max(good) - min(good)
    assert robust_sd(spoiled) <= MAD_TO_SD * 1.5 * width + 1e-9


def test_the_short_term_spread_is_blind_to_drift() -> None:
    """Independent normal values, σ 0.3: the same within 2 % with a slope of 0.05 per cycle."""
    rng = np.random.default_rng(1)
    still = rng.normal(0.0, 0.3, 20_001)
    drifting = still + 0.05 * np.arange(20_001)
    assert short_term_sd(still.tolist()) == pytest.approx(0.3, rel=0.02)
    assert short_term_sd(drifting.tolist()) == pytest.approx(0.3, rel=0.03)


@given(st.lists(CELSIUS, min_size=2, max_size=40))
def test_the_short_term_spread_is_that_of_the_steps(values: list[float]) -> None:
    """scipy's deviation of the steps about zero, over √2."""
    steps = np.diff(values)
    expected = stats.median_abs_deviation(steps, center=lambda x, axis: 0.0, scale="normal")
    assert short_term_sd(values) == pytest.approx(expected / math.sqrt(2.0), rel=1e-12, abs=1e-12)


@pytest.mark.parametrize(("n", "tolerance"), [(5, 0.03), (9, 0.02), (20, 0.01)])
def test_a_new_value_strays_from_the_median_by_the_factor(n: int, tolerance: float) -> None:
    """Drawn normal values are the judge."""
    drawn = np.random.default_rng(n).normal(0.0, 1.0, (DRAWS, n + 1))
    strayed = drawn[:, -1] - np.median(drawn[:, :-1], axis=1)
    assert float(strayed.std()) == pytest.approx(prediction_factor(n), rel=tolerance)


@pytest.mark.parametrize("n", [1, 2, 3, 4])
def test_the_factor_is_never_too_small_for_fewer(n: int) -> None:
    """The median of very few is better than in the limit; so the factor is on the wide side."""
    drawn = np.random.default_rng(n).normal(0.0, 1.0, (DRAWS, n + 1))
    strayed = drawn[:, -1] - np.median(drawn[:, :-1], axis=1)
    assert float(strayed.std()) < prediction_factor(n) < 1.2 * float(strayed.std())


@pytest.mark.parametrize(
    ("values", "resolution"),
    [([], None), ([62.0], None), ([62.0, 62.0], None), ([62.5, 62.0, 63.5, 62.0], 0.5)],
)
def test_the_resolution_is_the_smallest_step_seen(
    values: list[float], resolution: float | None
) -> None:
    """By hand."""
    assert resolution_of(values) == resolution


@pytest.mark.parametrize("repeats", [1, 2, 3])
@pytest.mark.parametrize("ratio", [0.2, 1.0, 3.0])
def test_the_chance_of_a_run_is_an_upper_bound(ratio: float, repeats: int) -> None:
    """The step about the mean is the likeliest (scipy's normal distribution); what is drawn,
    with the mean anywhere in a step, comes less often."""
    bound = chance_of_run(repeats, ratio, 1.0)
    assert bound == pytest.approx((2.0 * stats.norm.cdf(ratio / 2.0) - 1.0) ** repeats, rel=1e-12)
    assert chance_of_run(repeats, 0.1 * ratio, 0.1) == pytest.approx(bound, rel=1e-12)
    rng = np.random.default_rng(repeats)
    means = rng.uniform(0.0, ratio, (DRAWS, 1))
    shown = np.round(rng.normal(means, 1.0, (DRAWS, repeats + 1)) / ratio)
    drawn = float(np.mean(np.all(shown == shown[:, :1], axis=1)))
    assert 0.3 * bound < drawn < bound
