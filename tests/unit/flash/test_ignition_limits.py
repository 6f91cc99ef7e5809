"""Each limit of the ignition finder from both sides, in records made by hand.

The records have no noise, so that the least noise that is ever assumed holds: 0.01 kPa. Sampling
is every 0.25 s unless said otherwise. The limits themselves are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import log

import numpy as np
import pytest

from edgeflash.flash.ignition import (
    BASELINE_SAMPLES,
    NOISE_FLOOR_KPA,
    DetectionLimits,
    Ignition,
    find_ignitions,
)
from edgeflash.model import Trace, TraceSource

STEP_S = 0.25
HALVING = (40.0, 20.0, 10.0, 5.0)


def found(
    pulses: Mapping[int, Sequence[float]],
    true_peak_kpa: float | None = None,
    count: int = 60,
    step_s: float = STEP_S,
) -> tuple[Ignition, ...]:
    """The ignitions of a record with these pressures from these samples on, and 0 elsewhere."""
    pressure = np.zeros(count)
    for at, values in pulses.items():
        pressure[at : at + len(values)] = values
    time = np.arange(count) * step_s
    record = Trace(TraceSource.BLOCK, time, np.full(count, 60.0), pressure)
    return find_ignitions(record, DetectionLimits(), true_peak_kpa)[1]


def peaks(ignitions: Sequence[Ignition]) -> list[float]:
    """Their heights, rounded as single precision needs it."""
    return [round(one.peak_kpa, 3) for one in ignitions]


def test_a_second_ignition_counts_when_the_refractory_time_is_just_over() -> None:
    """One second after the first, to the sample; it shows in that sample alone."""
    assert peaks(found({8: HALVING, 12: (30.0, 1.0)})) == [40.0, 30.0]
    assert peaks(found({8: HALVING, 11: (30.0, 1.0)})) == [40.0]


def test_a_second_rise_may_take_half_a_second() -> None:
    """From 0 over 2.5 to 5 kPa, neither step above the least rise of 3 kPa; over 0.75 s it is a
    drift."""
    assert peaks(found({8: (20.0, 10.0, 5.0), 20: (2.5, 5.0, 2.0)})) == [20.0, 5.0]
    assert peaks(found({8: (20.0, 10.0, 5.0), 20: (1.7, 2.9, 4.6, 2.0)})) == [20.0]


def test_a_step_in_a_coarse_record_is_one_rise() -> None:
    """With 1 s between samples each sample can only be held against the one before it."""
    assert peaks(found({20: (40.0,) * 40}, step_s=1.0)) == [40.0]
    assert peaks(found({20: (40.0, 0.0, 40.0)}, step_s=1.0)) == [40.0, 40.0]


@pytest.mark.parametrize(("next_kpa", "is_flash"), [(2.9, False), (3.1, True)])
def test_a_flash_still_stands_above_three_times_the_noise(next_kpa: float, is_flash: bool) -> None:
    """In the sample after its first; what a spark picks up is gone by then."""
    assert bool(found({20: (20.0, next_kpa * NOISE_FLOOR_KPA)})) is is_flash


@pytest.mark.parametrize(("next_kpa", "is_followed"), [(4.9, False), (5.1, True)])
def test_a_decay_is_followed_where_it_leaves_five_times_the_noise(
    next_kpa: float, is_followed: bool
) -> None:
    """p(t) = peak·exp(−t/τ), solved for t by hand."""
    low_kpa = next_kpa * NOISE_FLOOR_KPA
    (one,) = found({20: (40.0, low_kpa)}, true_peak_kpa=60.0)
    back_s = STEP_S / log(40.0 / low_kpa) * log(60.0 / 40.0)
    expected_s = 20 * STEP_S - (back_s if is_followed else STEP_S / 2)
    assert one.onset_s == pytest.approx(expected_s, abs=1e-6)


def test_the_true_peak_is_that_of_the_first_ignition_only() -> None:
    """The analyzer's detector says nothing of a second one: middle of the interval."""
    first, second = found({8: HALVING, 20: HALVING}, true_peak_kpa=40.0 * 2**0.25)
    assert first.onset_s == pytest.approx(7.75 * STEP_S, abs=1e-6)
    assert second.onset_s == pytest.approx(19.5 * STEP_S, abs=1e-12)


def test_a_third_ignition_is_measured_against_the_first() -> None:
    """A fifth of 100 kPa, and not of the 30 kPa in between."""
    first = (100.0, 50.0, 20.0, 5.0)
    assert peaks(found({8: first, 20: (30.0, 10.0), 32: (10.0, 5.0)})) == [100.0, 30.0]
    assert peaks(found({8: first, 20: (30.0, 10.0), 32: (21.0, 5.0)})) == [100.0, 30.0, 21.0]


def test_most_of_a_short_record_may_be_flash() -> None:
    """Twelve of twenty samples: the lower quartile is still the quiet cell."""
    decay = tuple(40.0 * 0.8**k for k in range(12))
    assert peaks(found({8: decay}, count=20)) == [40.0]


@pytest.mark.parametrize(
    ("count", "peak_kpa"), [(2 * BASELINE_SAMPLES, 6.0), (2 * BASELINE_SAMPLES + 1, 4.0)]
)
def test_a_long_record_is_held_against_its_own_past(count: int, peak_kpa: float) -> None:
    """A cell at 2 kPa since sample 15, and a flash of 4 kPa: only a record of more than twice the
    samples of a baseline has a past; a shorter one is held against its quiet quarter."""
    pressures = (2.0,) * (count - 15)
    flash = {38: (6.0, 4.0, 3.0)}
    assert peaks(found({15: pressures, **flash}, count=count)) == [peak_kpa]


def test_a_coarse_transducer_is_not_a_noisy_one() -> None:
    """One sample of ten shows a step of 0.5 kPa less: the noise is that of the others."""
    dips = dict.fromkeys(range(5, 60, 10), (-0.5,))
    assert peaks(found({**dips, 31: (3.5, 1.0)})) == [3.5]
