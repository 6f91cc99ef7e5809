"""Finding the ignition in traces whose answer is known by construction."""

from __future__ import annotations

from typing import Any

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


def with_pressure(t: Trace, added: np.ndarray[Any, Any]) -> Trace:
    """The trace with more pressure."""
    return Trace(t.source, t.time_s, t.temperature_c, t.pressure_kpa + added)


def decaying(t: Trace, at_s: float, peak_kpa: float, decay_s: float = 0.2) -> np.ndarray[Any, Any]:
    """One more flash."""
    since = t.time_s - at_s
    return np.where(since >= 0, peak_kpa * np.exp(-np.maximum(since, 0) / decay_s), 0.0)


@pytest.mark.parametrize("noise_kpa", [0.0, 0.3, 1.0, 2.0])
@pytest.mark.parametrize("decay_s", [0.02, 0.2, 0.5])
def test_a_decaying_tail_is_no_second_ignition(noise_kpa: float, decay_s: float) -> None:
    """Up to the noise (2 kPa) and the slowest decay (10 % in 0.5 s and more) that are sound."""
    for seed in range(40):
        t = trace(pressure_noise_kpa=noise_kpa, peak_kpa=150.0, decay_s=decay_s, seed=seed)
        assert len(find_ignitions(t, LIMITS)[1]) <= 1, seed


@pytest.mark.parametrize(("height_kpa", "count"), [(40.0, 1), (100.0, 1)])
def test_a_step_is_one_rise_however_long_it_stays(height_kpa: float, count: int) -> None:
    """Samples that stay high do not rise again."""
    t = trace(flash_s=None, pressure_noise_kpa=0.3)
    step = with_pressure(t, np.where(t.time_s >= 30.0, height_kpa, 0.0))
    assert len(find_ignitions(step, LIMITS)[1]) == count


@pytest.mark.parametrize(("share", "count"), [(0.19, 1), (0.21, 2), (0.7, 2), (1.5, 2)])
def test_a_second_ignition_is_a_fifth_of_the_first_at_least(share: float, count: int) -> None:
    """Smaller rises are a valve's stroke (common practice, no source)."""
    t = trace(flash_s=30.0, peak_kpa=80.0)
    both = with_pressure(t, decaying(t, 40.0, share * 80.0))
    assert len(find_ignitions(both, LIMITS)[1]) == count


@pytest.mark.parametrize(("later_s", "count"), [(0.5, 1), (1.0, 2), (2.0, 2)])
def test_a_second_rise_within_a_second_is_the_same_ignition(later_s: float, count: int) -> None:
    """The refractory time, both sides."""
    t = trace(flash_s=30.0, peak_kpa=80.0, decay_s=0.1)
    both = with_pressure(t, decaying(t, 30.0 + later_s, 80.0))
    assert len(find_ignitions(both, LIMITS)[1]) == count


def test_a_small_pulse_before_the_flash_comes_first() -> None:
    """A weak first ignition that the analyzer did not take: the lower temperature counts."""
    t = trace(flash_s=34.0, peak_kpa=90.0, pressure_noise_kpa=0.1)
    both = with_pressure(t, decaying(t, 30.0, 6.0))
    assert [round(i.onset_s) for i in find_ignitions(both, LIMITS)[1]] == [30, 34]


@pytest.mark.parametrize(("rise_kpa", "is_found"), [(2.9, False), (3.1, True)])
def test_the_least_rise_holds_without_noise(rise_kpa: float, is_found: bool) -> None:
    """3 kPa above the baseline (common practice, no source)."""
    t = trace(flash_s=30.0, peak_kpa=rise_kpa)
    assert bool(find_ignitions(t, LIMITS)[1]) is is_found


@pytest.mark.parametrize(("factor", "is_found"), [(5.2, False), (6.5, True)])
def test_a_rise_must_leave_the_noise_by_six_times(factor: float, is_found: bool) -> None:
    """Noise of −1, 0 and 1 kPa, so dealt that its median is 0 and its spread 1.4826 kPa."""
    t = trace(flash_s=None)
    noise = np.resize([1.0, -1.0, -1.0, 1.0, 0.0], len(t))
    flash = decaying(t, 30.0, factor * 1.4826, 5.0)
    found = find_ignitions(with_pressure(t, noise + flash), LIMITS)[1]
    assert bool(found) is is_found


def test_samples_that_are_no_number_are_left_out() -> None:
    """The ignition is where it is, and the baseline what it is."""
    t = trace(flash_s=30.0, zero_kpa=1.0)
    pressure = t.pressure_kpa.copy()
    pressure[::9] = np.nan
    baseline, found = find_ignitions(Trace(t.source, t.time_s, t.temperature_c, pressure), LIMITS)
    assert baseline is not None
    assert baseline.level_kpa == pytest.approx(1.0)
    assert len(found) == 1
    assert found[0].onset_s == pytest.approx(29.875, abs=0.26)


@pytest.mark.parametrize(("count", "is_enough"), [(7, False), (8, True)])
def test_eight_samples_are_needed(count: int, is_enough: bool) -> None:
    """Numbers, that is: what is missing does not count."""
    t = trace(length_s=5.0, flash_s=None)
    pressure = t.pressure_kpa.copy()
    pressure[count:] = np.nan
    baseline, _ = find_ignitions(Trace(t.source, t.time_s, t.temperature_c, pressure), LIMITS)
    assert (baseline is not None) is is_enough


def test_the_onset_of_a_lone_rise_is_uniform_over_its_interval() -> None:
    """Half an interval late at most, one standard deviation of an interval / √12."""
    t = trace(flash_s=30.0)
    (found,) = find_ignitions(t, LIMITS)[1]
    assert found.onset_s == pytest.approx(29.875)
    assert found.onset_sd_s == pytest.approx(0.25 / 12**0.5)
    assert found.peak_kpa == pytest.approx(90.0)


@pytest.mark.parametrize("rate", [0.05, 0.2, 0.3])
def test_a_pickup_cannot_be_told_from_a_flash_where_samples_are_far_apart(rate: float) -> None:
    """Up to 0.3 s the next sample must still be high; beyond, nobody can ask."""
    lone = trace(flash_s=None, interval_s=rate, pickups_s=(30.0,), pickup_kpa=20.0)
    assert find_ignitions(lone, LIMITS)[1] == ()
    coarse = trace(flash_s=None, interval_s=0.31, pickups_s=(30.0,), pickup_kpa=20.0)
    assert len(find_ignitions(coarse, LIMITS)[1]) == 1
