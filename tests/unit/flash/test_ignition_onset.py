"""Where the onset is put and how sure of it we are, in records made by hand.

An exponential that halves from one sample to the next has the decay time 0.25 s / ln 2. The
hand-made baseline has no noise, so the least that is ever assumed holds.
"""

from __future__ import annotations

from math import log, sqrt

import numpy as np
import pytest

from edgeflash.flash.ignition import (
    NOISE_FLOOR_KPA,
    Baseline,
    DetectionLimits,
    Ignition,
    find_ignitions,
)
from edgeflash.model import Trace, TraceSource

STEP_S = 0.25
COUNT = 40


def seen(
    at: int,
    pulse_kpa: tuple[float, ...],
    true_peak_kpa: float | None = None,
    start_kpa: float = 0.0,
) -> tuple[Baseline, Ignition]:
    """Baseline and the only ignition of a quiet record with these samples from sample `at` on."""
    pressure = np.zeros(COUNT)
    pressure[:at] = start_kpa
    pressure[at : at + len(pulse_kpa)] = pulse_kpa
    record = Trace(TraceSource.BLOCK, np.arange(COUNT) * STEP_S, np.full(COUNT, 60.0), pressure)
    baseline, found = find_ignitions(record, DetectionLimits(), true_peak_kpa)
    assert baseline is not None
    assert len(found) == 1
    return baseline, found[0]


HALVING = (40.0, 20.0, 10.0, 5.0)


@pytest.mark.parametrize("at", [1, 2, 20])
def test_without_a_true_peak_the_onset_is_the_middle_of_the_interval(at: int) -> None:
    """Rectangular distribution: half the width over the root of three (JCGM 100, 4.3.7)."""
    _, one = seen(at, HALVING)
    assert one.onset_s == pytest.approx((at - 0.5) * STEP_S, abs=1e-12)
    assert one.onset_sd_s == pytest.approx(STEP_S / 2 / sqrt(3), rel=1e-12)


def test_a_record_that_begins_lit_puts_the_onset_at_its_first_sample() -> None:
    """Nothing was seen before it."""
    assert (seen(0, HALVING)[1].onset_s, seen(0, HALVING)[1].onset_sd_s) == (0.0, 0.0)


@pytest.mark.parametrize(
    "pulse_kpa", [HALVING, (40.0, 25.0, 15.625, 9.765625), (40.0, 32.0, 25.6, 20.48)]
)
def test_the_decay_is_followed_back_to_the_true_peak(pulse_kpa: tuple[float, ...]) -> None:
    """p(t) = peak·exp(−t/τ), solved for t by hand; the noise of ln(high/low) to first order (JCGM
    100, 5.1.2), and a tenth of the interval besides (common practice, no source)."""
    high, low = pulse_kpa[:2]
    decay_s = STEP_S / log(high / low)
    peak_kpa = high * (high / low) ** 0.5  # half an interval before the first sample
    _, one = seen(20, pulse_kpa, peak_kpa)
    assert one.onset_s == pytest.approx(19.5 * STEP_S, abs=1e-12)
    noise = NOISE_FLOOR_KPA * sqrt(1 / high**2 + 1 / low**2)
    assert one.onset_sd_s == pytest.approx(decay_s * noise + 0.1 * STEP_S, rel=1e-9)


@pytest.mark.parametrize(
    ("pulse_kpa", "peak_kpa"),
    [
        ((40.0, 36.0, 32.0, 29.0), 44.0),  # hardly falls: a decay time would be a guess
        (HALVING, 39.0),  # a detector that saw less than the trace is wrong
        ((40.0, 4.5 * NOISE_FLOOR_KPA), 60.0),  # the second sample is noise
    ],
)
def test_a_decay_that_says_nothing_is_not_followed(
    pulse_kpa: tuple[float, ...], peak_kpa: float
) -> None:
    """The onset stays the middle of the interval, with all of its doubt."""
    _, one = seen(20, pulse_kpa, peak_kpa)
    assert one.onset_s == pytest.approx(19.5 * STEP_S, abs=1e-12)
    assert one.onset_sd_s == pytest.approx(STEP_S / sqrt(12), rel=1e-12)


@pytest.mark.parametrize(("peak_kpa", "onset_s"), [(1e6, 4.75), (40.0, 5.0)])
def test_the_onset_stays_within_its_interval(peak_kpa: float, onset_s: float) -> None:
    """However high the true peak: the sample before showed no ignition yet."""
    assert seen(20, HALVING, peak_kpa)[1].onset_s == pytest.approx(onset_s, abs=1e-12)


@pytest.mark.parametrize(("at", "level_kpa"), [(1, 0.0), (2, 0.0), (3, 0.8), (8, 0.8)])
def test_the_baseline_is_the_median_before_the_ignition(at: int, level_kpa: float) -> None:
    """Of three samples at least, else of the whole record."""
    assert seen(at, HALVING, start_kpa=0.8)[0].level_kpa == pytest.approx(level_kpa, abs=1e-6)


def test_a_rise_too_small_to_count_hides_no_later_one() -> None:
    """40 kPa, then a tenth of it, then 30 kPa: two ignitions (a fifth of the first counts; common
    practice, no source)."""
    pressure = np.zeros(COUNT)
    for at, peak_kpa in ((8, 40.0), (18, 4.0), (28, 30.0)):
        pressure[at : at + 4] = peak_kpa * np.array([1.0, 0.5, 0.25, 0.0])
    record = Trace(TraceSource.BLOCK, np.arange(COUNT) * STEP_S, np.full(COUNT, 60.0), pressure)
    _, found = find_ignitions(record, DetectionLimits())
    assert [one.peak_kpa for one in found] == [40.0, 30.0]
