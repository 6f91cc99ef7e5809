"""Finding the ignition in traces whose answer is known by construction."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeflash.flash.ignition import DetectionLimits, find_ignitions
from edgeflash.model import Trace, TraceSource
from tests.unit.flash.traces import trace

LIMITS = DetectionLimits()


@given(
    flash_s=st.floats(5.0, 60.0),
    zero_kpa=st.floats(-5.0, 5.0),
    peak_kpa=st.floats(30.0, 200.0),
    seed=st.integers(0, 2**16),
)
def test_the_onset_lies_within_one_sample_interval(
    flash_s: float, zero_kpa: float, peak_kpa: float, seed: int
) -> None:
    """Whatever the transducer's zero, the one flash is found where it is."""
    t = trace(
        flash_s=flash_s,
        zero_kpa=zero_kpa,
        peak_kpa=peak_kpa,
        pressure_noise_kpa=0.3,
        seed=seed,
    )
    _, found = find_ignitions(t, LIMITS)
    assert len(found) == 1
    assert abs(found[0].onset_s - flash_s) <= 0.25


def test_the_true_peak_places_the_onset_between_the_samples() -> None:
    """With the analyzer's peak detector the decay is followed back: a tenth of the error."""
    errors = []
    for k in range(20):
        flash_s = 40.0 + 0.25 * k / 20
        t = trace(flash_s=flash_s, peak_kpa=100.0, pressure_noise_kpa=0.3, seed=k)
        _, found = find_ignitions(t, LIMITS, true_peak_kpa=100.0)
        errors.append(found[0].onset_s - flash_s)
    assert np.max(np.abs(errors)) < 0.03
    assert abs(np.mean(errors)) < 0.01


def test_a_spark_pickup_is_not_an_ignition() -> None:
    """A spike of one sample, gone by the next, stays out even at several times the threshold."""
    t = trace(flash_s=None, pressure_noise_kpa=0.3, pickups_s=(10.0, 20.0, 30.0), pickup_kpa=12.0)
    assert find_ignitions(t, LIMITS)[1] == ()


def test_a_coarse_trace_counts_by_height_alone() -> None:
    """With 1 s between samples the flash is gone by the next one, and still counts."""
    t = trace(flash_s=30.9, interval_s=1.0, pressure_noise_kpa=0.3)
    _, found = find_ignitions(t, LIMITS)
    assert [round(i.onset_s, 2) for i in found] == [30.5]


def test_two_ignitions_are_two() -> None:
    """A second flash after the refractory time counts for itself."""
    t = trace(flash_s=30.0)
    second = t.time_s >= 35.0
    pressure = t.pressure_kpa.copy()
    pressure[second] += 60.0 * np.exp(-(t.time_s[second] - 35.0) / 0.2)
    again = Trace(TraceSource.BLOCK, t.time_s, t.temperature_c, pressure)
    assert [round(i.onset_s) for i in find_ignitions(again, LIMITS)[1]] == [30, 35]


def test_the_noise_is_that_of_the_transducer() -> None:
    """The noise estimate does not grow with the flash, nor with a zero that is off."""
    noises = []
    for seed in range(20):
        t = trace(pressure_noise_kpa=0.3, zero_kpa=4.0, length_s=120.0, flash_s=118.0, seed=seed)
        baseline, _ = find_ignitions(t, LIMITS)
        assert baseline is not None
        assert baseline.level_kpa == pytest.approx(4.0, abs=0.1)
        noises.append(baseline.noise_kpa)
    assert np.mean(noises) == pytest.approx(0.3, rel=0.1)


def test_a_flash_at_the_first_spark_of_a_short_record_is_found() -> None:
    """Light contamination: hardly anything before the flash, and most of the record is pulse."""
    t = trace(flash_s=0.3, length_s=2.3, pressure_noise_kpa=0.3, peak_kpa=110.0)
    baseline, found = find_ignitions(t, LIMITS)
    assert baseline is not None
    assert baseline.noise_kpa < 1.0
    assert len(found) == 1
    assert found[0].onset_s == pytest.approx(0.375, abs=0.13)


def test_too_few_samples_say_nothing() -> None:
    """A stump of a record gives neither a baseline nor an ignition."""
    assert find_ignitions(trace(length_s=1.0), LIMITS) == (None, ())
