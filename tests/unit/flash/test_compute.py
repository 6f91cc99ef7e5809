"""The computation on one cycle: traces with known answers, whole and with holes.

The sound cycle flashes at 62.0 °C: 42 °C + 10 °C/min × 2 min, read by a sensor that lags 3 s.
"""

from __future__ import annotations

import zlib
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from edgeflash.flash.compute import (
    compute,
    ignition_temperature_c,
    trace_digest,
    without_lift_c,
)
from edgeflash.model import Computed, Cycle, Pulse, Role, Span, Trace, TraceSource
from tests.simulated_line import bench_analyzer
from tests.unit.flash.pulses import pulse
from tests.unit.flash.traces import trace
from tests.unit.rules.contexts import SOUND, spoiled

NAN = float("nan")


def computed(cycle: Cycle = SOUND, **analyzer_changes: Any) -> Computed:
    """The computation for the bench analyzer with changes."""
    return compute(cycle, bench_analyzer(**analyzer_changes))


def smooth(**changes: Any) -> Cycle:
    """The sound cycle without noise."""
    usual: dict[str, Any] = {"flash_s": 120.0, "length_s": 122.5, "start_c": 42.0, "lag_s": 3.0}
    return spoiled(trace=trace(**{**usual, **changes}))


def holed(lost: np.ndarray[Any, Any], of: str, cycle: Cycle | None = None) -> Cycle:
    """A cycle whose trace has no number for one quantity where `lost` says so."""
    whole = (cycle or smooth()).trace
    assert whole is not None
    arrays = {
        name: getattr(whole, name).copy() for name in ("time_s", "temperature_c", "pressure_kpa")
    }
    arrays[of][lost] = NAN
    return spoiled(trace=Trace(TraceSource.BLOCK, **arrays))


TIME = np.arange(0.0, 122.5, 0.25)


def test_the_answer_of_a_smooth_ramp() -> None:
    """Half a sample interval late at most: the onset lies in the middle of (119.75, 120.0]."""
    c = computed(smooth())
    assert c.ignition_time_s == pytest.approx(119.95, abs=0.06)  # with the true peak of 90 kPa
    assert c.recomputed_c == pytest.approx(42.0 + c.ignition_time_s / 6.0, abs=1e-4)
    assert c.ignition_seen_c == pytest.approx(c.recomputed_c - 0.5, abs=1e-4)
    assert c.heating_rate_c_per_min == pytest.approx(10.0, abs=1e-3)
    assert c.resolution_c == pytest.approx(10.0 / 60.0 * 2.0, abs=1e-4)
    assert c.sample_interval_s == 0.25
    assert c.time_after_ignition_s == pytest.approx(122.25 - c.ignition_time_s)
    assert c.start_temperature_c == 42.0
    assert (c.ignition_count, c.baseline_kpa) == (1, 0.0)
    assert c.peak_kpa == pytest.approx(90.0)
    assert c.barometer_kpa == 100.5
    assert c.corrected_c == pytest.approx(c.recomputed_c + 0.2)
    assert (c.basis, c.correction_c) == ("recomputed", pytest.approx(0.2))


def test_a_smooth_ramp_is_steady() -> None:
    """No spread, no stand, no jump; single precision leaves a few millionths of a degree."""
    c = computed(smooth())
    assert c.unsteadiness_c == pytest.approx(0.0, abs=1e-5)
    assert c.longest_still_s == 0.0
    assert c.largest_jump_c == pytest.approx(0.0, abs=1e-4)


def test_the_unsteadiness_is_the_noise_of_the_sensor() -> None:
    """0.05 °C in, 0.05 °C out, over 40 ramps; the robust spread of 80 samples is known to 10 %."""
    spreads = [
        computed(smooth(temperature_noise_c=0.05, seed=seed)).unsteadiness_c for seed in range(40)
    ]
    assert np.mean(spreads) == pytest.approx(0.05, rel=0.1)


def test_only_the_heating_counts_as_ramp() -> None:
    """What the sensor does after the ignition is neither a stand nor a jump."""
    whole = smooth().trace
    assert whole is not None
    after = whole.temperature_c.copy()
    after[TIME > 120.5] = 30.0
    c = computed(spoiled(trace=replace(whole, temperature_c=after)))
    assert (c.longest_still_s, c.largest_jump_c) == (0.0, pytest.approx(0.0, abs=1e-4))


def test_a_hold_and_a_jump_in_the_ramp_are_found() -> None:
    """Held for 10 s, then 10/6 °C further at once."""
    whole = smooth().trace
    assert whole is not None
    stuck = whole.temperature_c.copy()
    stuck[(TIME >= 80.0) & (TIME <= 90.0)] = stuck[TIME == 80.0]
    c = computed(spoiled(trace=replace(whole, temperature_c=stuck)))
    assert c.longest_still_s == pytest.approx(10.0)
    assert c.largest_jump_c == pytest.approx(10.0 / 6.0, abs=1e-3)


def test_a_coarse_record_without_an_ignition_says_nothing_of_the_ramp() -> None:
    """It may end in the cooling."""
    c = computed(smooth(flash_s=None, interval_s=1.0))
    assert (c.ignition_count, c.longest_still_s, c.largest_jump_c) == (None, None, None)
    assert (c.heating_rate_c_per_min, c.unsteadiness_c, c.ignition_time_s) == (None, None, None)


def test_a_fine_record_without_an_ignition_is_heated_to_its_end() -> None:
    """The rate is that of the last 20 s; nothing lit, nothing recomputed."""
    c = computed(smooth(flash_s=None))
    assert (c.ignition_count, c.ignition_time_s, c.recomputed_c) == (0, None, None)
    assert c.heating_rate_c_per_min == pytest.approx(10.0, abs=1e-3)
    assert c.corrected_c == pytest.approx(62.2)
    assert c.basis == "reported"


@pytest.mark.parametrize("of", ["time_s", "temperature_c", "pressure_kpa"])
def test_scattered_holes_move_nothing(of: str) -> None:
    """Every seventh sample lost, but not those of the ignition: the same answer."""
    lost = (np.arange(len(TIME)) % 7 == 3) & ((TIME < 119.0) | (TIME > 121.0))
    c, whole = computed(holed(lost, of)), computed(smooth())
    assert c.recomputed_c == pytest.approx(whole.recomputed_c, abs=1e-3)
    assert c.ignition_time_s == pytest.approx(whole.ignition_time_s, abs=1e-6)
    assert c.heating_rate_c_per_min == pytest.approx(10.0, abs=1e-2)
    assert (c.ignition_count, c.sample_interval_s) == (1, 0.25)
    assert c.noise_kpa == 0.01


def test_an_ignition_without_a_pressure_sample_beside_it_is_still_one() -> None:
    """The sample after it is lost, so that nobody saw it decay: better one too many than none."""
    lost = (TIME > 120.1) & (TIME < 121.0)
    c = computed(holed(lost, "pressure_kpa"))
    assert c.ignition_count == 1
    assert c.ignition_time_s == pytest.approx(119.875, abs=0.13)


def test_an_ignition_in_a_gap_is_as_uncertain_as_the_gap_is_long() -> None:
    """No pressure for 3 s; a slow decay still shows after it.

    Uniform: 3 s / √12 at 10 °C/min; beside it a tenth of the 0.5 °C that the lag is worth.
    """
    lost = (TIME > 117.0) & (TIME < 120.0)
    c = computed(holed(lost, "pressure_kpa", smooth(flash_s=119.0, decay_s=2.0)))
    assert c.ignition_time_s == pytest.approx(118.5, abs=0.01)
    assert c.uncertainty_c == pytest.approx(np.hypot(3.0 / 12**0.5 / 6.0, 0.05), rel=1e-3)


def test_without_temperatures_there_is_an_ignition_but_no_flash_point() -> None:
    """The analyzer's own value stands in."""
    c = computed(holed(np.full(len(TIME), True), "temperature_c"))
    assert (c.ignition_count, c.recomputed_c, c.uncertainty_c) == (1, None, None)
    assert c.ignition_time_s is not None
    assert (c.heating_rate_c_per_min, c.longest_still_s, c.largest_jump_c) == (None, None, None)
    assert c.basis == "reported"
    bare = replace(holed(np.full(len(TIME), True), "temperature_c"), values={})
    assert computed(bare).start_temperature_c is None


@pytest.mark.parametrize("of", ["time_s", "pressure_kpa"])
def test_a_trace_without_times_or_pressures_says_nothing(of: str) -> None:
    """But for its digest."""
    c = computed(holed(np.full(len(TIME), True), of))
    assert (c.ignition_count, c.recomputed_c, c.baseline_kpa) == (None, None, None)
    assert c.trace_digest is not None


def test_an_ignition_before_there_is_a_ramp_is_interpolated() -> None:
    """Lit after 2 s; uncertain by all that the sensor shows afterwards, and by 0.5 °C at least."""
    c = computed(smooth(flash_s=2.1, length_s=8.0, lag_s=0.0))
    assert c.heating_rate_c_per_min is None
    assert c.recomputed_c == pytest.approx(42.0 + c.ignition_time_s / 6.0, abs=1e-3)
    assert c.uncertainty_c == pytest.approx((7.75 - 2.25) / 6.0, abs=0.05)
    short = computed(smooth(flash_s=2.1, length_s=3.0, lag_s=0.0))
    assert short.uncertainty_c == 0.5


def test_the_start_temperature_is_the_traces_where_the_analyzer_gives_none() -> None:
    """The median of the first five samples: 42 − 0.5 °C of lag, and two samples further."""
    bare = {r: v for r, v in SOUND.values.items() if r is not Role.START_TEMPERATURE}
    c = computed(replace(smooth(), values=bare))
    assert c.start_temperature_c == pytest.approx(41.5 + 0.5 / 6.0, abs=1e-4)


def test_a_torn_cycle_is_not_computed() -> None:
    """Trace and pulse may be of two cycles."""
    c = computed(spoiled(torn=True, pulse=pulse()))
    assert (c.recomputed_c, c.trace_digest, c.rise_s, c.decay_s) == (None, None, None, None)


def test_the_pulse_gives_rise_and_decay() -> None:
    """0.8 of a straight rise of 20 ms, 0.9 of a straight fall of 100 ms."""
    c = computed(spoiled(pulse=pulse(rise_s=0.02, decay_s=0.1)))
    assert c.rise_s == pytest.approx(0.016, abs=1e-6)
    assert c.decay_s == pytest.approx(0.09, abs=1e-6)
    flat = computed(spoiled(pulse=Pulse(0.001, np.zeros(100))))
    assert (flat.rise_s, flat.decay_s) == (None, None)


def test_the_digest_is_that_of_the_three_arrays() -> None:
    """CRC-32 over their bytes one after the other, by the standard library."""
    t = trace()
    joined = t.time_s.tobytes() + t.temperature_c.tobytes() + t.pressure_kpa.tobytes()
    assert trace_digest(t) == zlib.crc32(joined)
    assert trace_digest(t) == trace_digest(trace())
    assert trace_digest(t) != trace_digest(trace(peak_kpa=91.0))
    assert computed().trace_digest == trace_digest(SOUND.trace or t)


def test_the_barometer_is_the_mean_over_the_cycle() -> None:
    """Else what was read beside the result, else the site's usual pressure."""
    span = Span(99.0, 101.0, 100.1, 100.9, 50)
    assert computed(spoiled(spans={Role.BAROMETRIC_PRESSURE: span})).barometer_kpa == 100.1
    assert computed(barometer_kpa=96.0).barometer_kpa == 100.5
    without = spoiled({Role.BAROMETRIC_PRESSURE: None})
    assert computed(without, barometer_kpa=96.0).barometer_kpa == 96.0
    assert computed(without).barometer_kpa is None
    assert computed(without).corrected_c is None
    assert computed(without, correction="none").correction_c == 0.0


@pytest.mark.parametrize("reading_kpa", [0.0, -1.0])
def test_a_barometer_that_reads_nothing_corrects_nothing(reading_kpa: float) -> None:
    """The value at standard pressure is not known then."""
    c = computed(spoiled({Role.BAROMETRIC_PRESSURE: reading_kpa}))
    assert (c.correction_c, c.corrected_c) == (None, None)


def test_the_end_of_the_heating_dates_the_sample_where_the_trace_ends_early() -> None:
    """The later of the two: the purge comes after the record."""
    c = computed(replace(smooth(), after_heating_s=31.0))
    assert c.time_after_ignition_s == 31.0
    assert computed(replace(smooth(), after_heating_s=1.0)).time_after_ignition_s == pytest.approx(
        122.25 - (c.ignition_time_s or 0.0)
    )
    assert computed(spoiled(trace=None)).time_after_ignition_s is None


def test_the_peak_is_the_higher_of_detector_and_samples() -> None:
    """The detector sees between our samples, unless it is wrong."""
    low = computed(replace(smooth(), values={**SOUND.values, Role.PEAK_PRESSURE: 20.0}))
    assert low.peak_kpa == pytest.approx(90.0, abs=0.01)
    high = computed(replace(smooth(), values={**SOUND.values, Role.PEAK_PRESSURE: 95.0}))
    assert high.peak_kpa == 95.0


def test_where_the_sample_lit_is_the_best_that_is_known() -> None:
    """Recomputed, else reported, else what the analyzer says of the ignition."""
    cycle = spoiled({Role.IGNITION_TEMPERATURE: 60.0})
    assert ignition_temperature_c(cycle, Computed(recomputed_c=62.0, reported_c=61.0)) == 62.0
    assert ignition_temperature_c(cycle, Computed(reported_c=61.0)) == 61.0
    assert ignition_temperature_c(cycle, Computed()) == 60.0
    assert ignition_temperature_c(SOUND, Computed()) is None


@pytest.mark.parametrize(
    ("barometer_kpa", "correction", "without_c"),
    [
        (97.3, "celsius_kpa", 61.0),
        (97.3, "none", 61.0),  # not stated which form the analyzer uses: that of ISO 2719
        (101.3, "celsius_kpa", 62.0),
        (105.3, "celsius_kpa", 62.0),  # what it took off is not given back
        (None, "celsius_kpa", 62.0),
    ],
)
def test_a_doubted_barometer_of_the_analyzer_lifts_nothing(
    barometer_kpa: float | None, correction: str, without_c: float
) -> None:
    """ISO 2719: 0.25 °C/kPa, so 4 kPa below 101.3 kPa have added 1 °C to the reported 62 °C."""
    cycle = spoiled({Role.BAROMETRIC_PRESSURE: barometer_kpa})
    own = bench_analyzer(correction=correction, analyzer_corrects_barometer=True)
    assert without_lift_c(62.0, cycle, own) == pytest.approx(without_c, abs=1e-9)
    plain = bench_analyzer(correction="celsius_kpa", analyzer_corrects_barometer=False)
    assert without_lift_c(62.0, cycle, plain) == 62.0
