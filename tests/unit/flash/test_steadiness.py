"""How steadily a sensor climbs, on ramps whose answer is known by construction."""

from __future__ import annotations

import numpy as np
import pytest

from edgeflash.flash.steadiness import (
    largest_jump_c,
    longest_still_s,
    mean_rate_c_per_s,
    rate_change,
    resolution_c,
)
from edgeflash.model import Floats
from tests.unit.flash.traces import trace


def ramp(rate_c_per_min: float = 12.0, length_s: float = 100.0) -> tuple[Floats, Floats]:
    """40 °C and rising steadily, four samples a second: 0.05 °C a sample at 12 °C/min."""
    time = np.arange(0.0, length_s, 0.25)
    return time, 40.0 + rate_c_per_min / 60.0 * time


def held(from_s: float, to_s: float) -> tuple[Floats, Floats]:
    """The steady ramp with the sensor held at one value for that time."""
    time, value = ramp()
    value = value.copy()
    value[(time >= from_s) & (time <= to_s)] = value[time == from_s]
    return time, value


def test_a_climbing_sensor_never_stands_still() -> None:
    """Every sample differs from the one before."""
    assert longest_still_s(*ramp()) == 0.0


@pytest.mark.parametrize(("from_s", "to_s"), [(30.0, 31.0), (50.0, 57.5), (90.0, 99.75)])
def test_a_held_sensor_stands_for_as_long_as_it_is_held(from_s: float, to_s: float) -> None:
    """From the first to the last equal sample; also when it is held to the end."""
    assert longest_still_s(*held(from_s, to_s)) == pytest.approx(to_s - from_s)


def test_the_longest_of_two_stands_counts() -> None:
    """Three seconds, then eight, then two."""
    time, value = ramp()
    value = value.copy()
    for from_s, to_s in ((30.0, 33.0), (50.0, 58.0), (80.0, 82.0)):
        value[(time >= from_s) & (time <= to_s)] = value[time == from_s]
    assert longest_still_s(time, value) == pytest.approx(8.0)


def test_holding_the_start_temperature_is_no_stand() -> None:
    """Twenty seconds at 40 °C, then the ramp: the record begins before the heating does."""
    time, value = ramp()
    waiting = np.concatenate((np.full(80, 40.0), value))
    times = np.concatenate((time[:80], 20.0 + time))
    assert longest_still_s(times, waiting) == 0.0


def test_the_ramp_begins_with_the_first_sample_above_the_start() -> None:
    """A sensor that steps from 40 to 45 °C and stands there for 4.75 s stands from its step on."""
    value = np.concatenate((np.full(10, 40.0), np.full(20, 45.0), 46.0 + 0.05 * np.arange(60)))
    assert longest_still_s(np.arange(90) * 0.25, value) == pytest.approx(4.75)


def test_a_sensor_that_never_rises_stands_for_all_of_the_record() -> None:
    """There is no ramp to begin."""
    time, value = ramp()
    assert longest_still_s(time, np.full_like(value, 40.0)) == pytest.approx(99.75)


def test_too_few_samples_say_nothing() -> None:
    """One sample neither stands nor moves; a jump needs a slope beside it."""
    time, value = ramp()
    assert longest_still_s(time[:1], value[:1]) is None
    assert longest_still_s(time[:2], value[:2]) == 0.0
    assert largest_jump_c(time[:2], value[:2]) is None
    assert largest_jump_c(time[:3], value[:3]) == pytest.approx(0.0, abs=1e-9)
    assert mean_rate_c_per_s(time[:1], value[:1]) == 0.0
    assert mean_rate_c_per_s(time[:2], value[:2]) == pytest.approx(0.2)
    assert rate_change(time[:1], value[:1], 10.0, 0.0) is None


@pytest.mark.parametrize("jump_c", [3.0, -3.0])
def test_a_jump_is_what_departs_from_the_slope(jump_c: float) -> None:
    """3 °C either way, wherever the ramp would have been 0.05 °C further."""
    time, value = ramp()
    moved = value + np.where(time >= 60.0, jump_c, 0.0)
    assert largest_jump_c(time, moved) == pytest.approx(3.0)
    assert largest_jump_c(time, value) == pytest.approx(0.0, abs=1e-9)


def test_a_long_step_in_time_is_no_jump() -> None:
    """Samples missing for 10 s: the sensor is 2 °C further, as it should be."""
    time, value = ramp()
    kept = (time < 40.0) | (time >= 50.0)
    assert largest_jump_c(time[kept], value[kept]) == pytest.approx(0.0, abs=1e-9)


def test_the_noise_of_a_sound_sensor_makes_no_jump() -> None:
    """0.05 °C of noise, 480 samples: five standard deviations of a difference at the most."""
    jumps = []
    for seed in range(30):
        t = trace(length_s=120.0, flash_s=None, temperature_noise_c=0.05, seed=seed)
        jumps.append(largest_jump_c(t.time_s, t.temperature_c) or 0.0)
    assert min(jumps) > 0.1
    assert max(jumps) < 5 * 0.05 * 2**0.5


@pytest.mark.parametrize("step_c", [0.05, 0.1, 0.5])
def test_the_resolution_is_the_finest_step_that_was_shown(step_c: float) -> None:
    """A sensor that reads in whole steps."""
    _, value = ramp()
    assert resolution_c(np.round(value / step_c) * step_c) == pytest.approx(step_c, rel=1e-6)
    assert resolution_c(np.full(5, 40.0)) == 0.0


def bent(first: float, middle: float, last: float) -> tuple[Floats, Floats]:
    """60 s at 12 °C/min, then 15 s each at these multiples of it."""
    time = np.arange(0.0, 105.0, 0.25)
    rate = np.select([time < 60.0, time < 75.0, time < 90.0], [0.2, 0.2 * first, 0.2 * middle])
    rate[time >= 90.0] = 0.2 * last
    return time, 40.0 + np.concatenate(([0.0], np.cumsum(rate[:-1] * 0.25)))


@pytest.mark.parametrize(
    ("parts", "change"),
    [
        ((1.0, 1.0, 1.0), 0.0),
        ((1.0, 1.0, 1.4), 0.4),
        ((0.7, 1.0, 1.3), 0.6),
        ((1.3, 1.0, 0.7), 0.6),
    ],
)
def test_the_change_is_largest_less_smallest_over_the_middle(
    parts: tuple[float, float, float], change: float
) -> None:
    """Three parts of 15 s whose rates are set; the span that holds just them is their rise."""
    time, value = bent(*parts)
    span_c = float(value[-1] - value[time == 60.0][0])
    assert rate_change(time, value, span_c, 20.0) == pytest.approx(change, abs=0.03)


def test_the_beginning_of_the_heating_is_left_out() -> None:
    """A heater that takes its time to start is no change of rate; looked at from 0 s, it is one."""
    time = np.arange(0.0, 50.0, 0.25)
    value = 40.0 + 0.2 * (time - 8.0 * (1.0 - np.exp(-time / 8.0)))
    settled, whole = rate_change(time, value, 10.0, 20.0), rate_change(time, value, 10.0, 0.0)
    assert settled is not None
    assert whole is not None
    assert settled < 0.1 < 0.3 < whole


@pytest.mark.parametrize(("length_s", "is_known"), [(34.5, False), (35.5, True)])
def test_parts_under_five_seconds_have_no_rate(length_s: float, is_known: bool) -> None:
    """20 s are left out, three parts of 5 s are needed: 35 s in all."""
    time, value = ramp(length_s=length_s)
    assert (rate_change(time, value, 100.0, 20.0) is not None) is is_known


def test_without_heating_there_is_no_rate_to_change() -> None:
    """A flat record, or one that falls."""
    time, value = ramp()
    assert rate_change(time, np.full_like(value, 40.0), 10.0, 20.0) is None
    assert rate_change(time, value[::-1], 10.0, 20.0) is None


def test_a_sensor_that_rises_in_its_last_sample_only_has_stood_until_then() -> None:
    """One sample is no ramp, so all of the record counts."""
    time, value = ramp()
    late = np.full_like(value, 40.0)
    late[-1] = 60.0
    assert longest_still_s(time, late) == pytest.approx(99.5)
