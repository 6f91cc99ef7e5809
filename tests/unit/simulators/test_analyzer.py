"""The analyzer as a whole: truth, reports and registers over many clean cycles."""

from __future__ import annotations

import itertools
import math
import statistics
import time
from collections.abc import Callable
from datetime import datetime
from typing import Any

import numpy as np
import pytest

from simulators.analyzer import SIMULATED_EPOCH_S, SimulatedAnalyzer, Truth
from simulators.cycle import Phase
from simulators.errors import UnmappedAddressError
from simulators.fuel import product
from simulators.registers import RegisterImage

Read = Callable[[RegisterImage, str], Any]


def need(value: float | None) -> float:
    """The value of a truth that must have one."""
    assert value is not None
    return value


@pytest.fixture(scope="module")
def truths() -> list[Truth]:
    """400 clean cycles."""
    analyzer = SimulatedAnalyzer(seed=11)
    return [analyzer.advance_to_next_result() for _ in range(400)]


def test_vapour_lights_at_the_first_spark_above_equilibrium(truths: list[Truth]) -> None:
    """Lit 0 to one spark's worth of heating above equilibrium, uniformly in between.

    10 °C/min and 2 s give 0.333 °C per spark; a uniform delay has half of it as its mean.
    """
    above_c = [need(one.true_lit_temperature_c) - one.true_flash_equilibrium_c for one in truths]
    assert min(above_c) >= 0.0
    assert max(above_c) <= 10.0 / 60.0 * 2.0 + 0.01
    assert statistics.mean(above_c) == pytest.approx(1.0 / 6.0, abs=0.02)


def test_sparks_are_not_in_step_with_the_trace(truths: list[Truth]) -> None:
    """The lighting spark falls evenly over the spark interval and the sample period."""
    within = np.array([need(one.true_lit_time_s) % 0.25 for one in truths])
    counts, _ = np.histogram(within, bins=4, range=(0.0, 0.25))
    assert counts.min() > 70  # 100 expected, sigma 8.7


def test_report_is_unbiased_on_a_clean_cycle(truths: list[Truth]) -> None:
    """Sensor + nominal lag correction is the true temperature within the sensor's noise."""
    errors_c = [need(one.reported_c) - need(one.true_lit_temperature_c) for one in truths]
    assert statistics.mean(errors_c) == pytest.approx(0.0, abs=0.01)
    assert 0.03 < statistics.stdev(errors_c) < 0.06


def test_cycles_have_a_plausible_length_and_weather(truths: list[Truth]) -> None:
    """About 170 s; the barometer wanders slowly within 98.5..103 kPa; peaks 60..150 kPa."""
    assert statistics.mean(one.cycle_length_s for one in truths) == pytest.approx(170, abs=5)
    barometer = [one.true_barometer_kpa for one in truths]
    assert min(barometer) >= 98.5
    assert max(barometer) <= 103.0
    steps = [abs(b - a) for a, b in itertools.pairwise(barometer)]
    assert 0.0 < max(steps) < 0.2
    assert all(60.0 <= need(one.true_peak_kpa) <= 150.0 for one in truths)


def test_product_drifts_slowly(truths: list[Truth]) -> None:
    """The flash point wanders by a few tenths per cycle and by more over a day."""
    flash_c = [one.true_flash_equilibrium_c for one in truths]
    steps_c = [abs(b - a) for a, b in itertools.pairwise(flash_c)]
    assert max(steps_c) < 0.8
    assert max(flash_c) - min(flash_c) > 1.0


def test_same_seed_gives_the_same_truth_however_it_is_stepped() -> None:
    """Jumping from result to result and stepping by odd intervals tell the same story."""
    jumping = SimulatedAnalyzer(seed=5)
    stepping = SimulatedAnalyzer(seed=5)
    other = SimulatedAnalyzer(seed=6)
    for _ in range(5):
        jumping.advance_to_next_result()
        other.advance_to_next_result()
    while len(stepping.truths) < 5:
        stepping.advance(0.37)
    assert [one.to_json() for one in jumping.truths] == [one.to_json() for one in stepping.truths]
    assert jumping.truths[0] != other.truths[0]


def test_steps_over_several_cycles_return_all_of_them() -> None:
    """One long step returns each finished cycle in order."""
    analyzer = SimulatedAnalyzer(seed=5)
    finished = analyzer.advance(600.0)
    assert [one.sequence for one in finished] == [1, 2, 3]
    assert analyzer.simulated_s == 600.0
    with pytest.raises(ValueError, match="only moves forward"):
        analyzer.advance(-1.0)


def test_phases_follow_each_other() -> None:
    """Idle, clean, zero, heat, flashed, purge, each seen in the phase register."""
    analyzer = SimulatedAnalyzer(seed=5)
    seen = [analyzer.phase]
    while analyzer.sequence == 1:
        analyzer.advance(0.5)
        if analyzer.phase is not seen[-1]:
            seen.append(analyzer.phase)
    order = ["IDLE", "CLEAN", "ZERO", "HEAT", "FLASHED", "PURGE", "IDLE"]
    assert [phase.name for phase in seen] == order


def test_registers_say_what_the_model_says(read: Read) -> None:
    """Every value of the result block decodes, by map and struct, to the model's own."""
    analyzer = SimulatedAnalyzer(seed=9, start_number=65535)
    for number in (65535, 0, 1):
        truth = analyzer.advance_to_next_result()
        image = analyzer.image
        assert read(image, "cycle_number") == number == truth.cycle_number
        assert read(image, "flash_point") == pytest.approx(need(truth.reported_c), abs=1e-4)
        finished_s = datetime.fromisoformat(truth.finished_at).timestamp()
        assert read(image, "result_time") == int(finished_s)
        assert read(image, "peak_pressure") == pytest.approx(need(truth.true_peak_kpa), abs=1.5)
        assert read(image, "spark_count") == truth.sparks
        assert read(image, "ignition_seen") is True
        assert read(image, "heating_rate") == pytest.approx(10.0, abs=0.15)
        lag_c = need(truth.reported_c) - read(image, "ignition_temperature")
        assert lag_c == pytest.approx(0.5, abs=0.006)
        assert read(image, "start_temperature") == pytest.approx(truth.expected_c - 20, abs=0.3)
        assert abs(read(image, "transducer_zero")) < 1500.0  # Pa
        assert read(image, "barometric_pressure") == pytest.approx(
            truth.true_barometer_kpa * 10.0, abs=2.5
        )
        assert read(image, "sample_flow") == pytest.approx(60.0, rel=0.05)
        assert read(image, "air_flow") == pytest.approx(15.0, rel=0.05)  # 250 mL/min in L/h
        assert read(image, "fault_bits") == 0
        assert read(image, "stream") == 1
    assert datetime.fromisoformat(analyzer.truths[0].started_at).timestamp() == SIMULATED_EPOCH_S


def test_trace_block_holds_the_ramp_and_the_flash(read: Read) -> None:
    """Sampled every 0.25 s to 2 s after the flash; the jump stands at the lighting spark."""
    analyzer = SimulatedAnalyzer(seed=9)
    for _ in range(20):
        truth = analyzer.advance_to_next_result()
        image = analyzer.image
        length = read(image, "trace_length")
        assert read(image, "trace_cycle") == truth.cycle_number
        times_s = np.array(read(image, "trace_time")[:length])
        celsius = np.array(read(image, "trace_temperature")[:length])
        kpa = np.array(read(image, "trace_pressure")[:length])
        assert times_s == pytest.approx(np.arange(length) * 0.25, abs=1e-9)
        lit_s = need(truth.true_lit_time_s)
        assert times_s[-1] == pytest.approx(lit_s + 2.0, abs=0.27)
        zero_kpa = read(image, "transducer_zero") / 1000.0
        after = int(np.searchsorted(times_s, lit_s + 0.03))
        peak_kpa = need(truth.true_peak_kpa)
        since_s = times_s[after] - lit_s - 0.004
        expected_kpa = zero_kpa + peak_kpa * 1.166 * math.exp(-since_s / 0.2)
        assert kpa[after] == pytest.approx(expected_kpa, rel=0.04, abs=1.5)
        assert np.median(kpa[: after - 1]) == pytest.approx(zero_kpa, abs=0.4)
        at_spark_c = np.interp(lit_s, times_s, celsius)
        assert at_spark_c + 0.5 == pytest.approx(need(truth.true_lit_temperature_c), abs=0.2)


def test_noise_has_its_stated_size(read: Read) -> None:
    """0.05 °C and 0.3 kPa, measured from traces.

    Temperature: white noise has 6 sigma² as the variance of its second differences, and a
    steady ramp none. Pressure: median absolute deviation * 1.4826, blind to rare pickup.
    """
    analyzer = SimulatedAnalyzer(seed=21)
    second, deviations = [], []
    pickup = sparks = 0
    for _ in range(60):
        truth = analyzer.advance_to_next_result()
        until = int(need(truth.true_lit_time_s) / 0.25) - 1
        celsius = np.array(read(analyzer.image, "trace_temperature")[100:until])
        kpa = np.array(read(analyzer.image, "trace_pressure")[:until])
        second.extend(np.diff(celsius, 2).tolist())
        apart = kpa - np.median(kpa)
        deviations.append(1.4826 * float(np.median(np.abs(apart))))
        pickup += int(np.count_nonzero(apart > 1.5))
        sparks += truth.sparks
        assert apart.max() < 3.0 + 1.5  # pickup is never taken for a flash
    assert math.sqrt(np.var(second) / 6.0) == pytest.approx(0.05, rel=0.05)
    assert statistics.mean(deviations) == pytest.approx(0.3, rel=0.05)
    # 1.5 ms of pickup meets a 250 ms sampling in 0.6 % of sparks; three quarters are > 1.5 kPa.
    assert 0.001 < pickup / sparks < 0.02


def test_ring_holds_the_last_sixteen_results(read: Read) -> None:
    """Slots are used in turn; empty ones have no time and no flash point."""
    analyzer = SimulatedAnalyzer(seed=2, start_number=40)
    for _ in range(3):
        analyzer.advance_to_next_result()
    assert read(analyzer.image, "recent_number")[:4] == [40, 41, 42, 0]
    assert math.isnan(read(analyzer.image, "recent_time")[3])
    assert math.isnan(read(analyzer.image, "recent_flash_point")[3])
    for _ in range(15):
        analyzer.advance_to_next_result()
    by_number = dict(
        zip(
            read(analyzer.image, "recent_number"),
            read(analyzer.image, "recent_flash_point"),
            strict=True,
        )
    )
    last = {one.cycle_number: need(one.reported_c) for one in analyzer.truths[-16:]}
    assert by_number == pytest.approx(last, abs=1e-4)


def test_clock_is_the_one_given(read: Read) -> None:
    """Result time and truth come from the clock passed in, never from the wall."""
    analyzer = SimulatedAnalyzer(seed=2, clock=lambda: 1_800_000_000.5)
    truth = analyzer.advance_to_next_result()
    assert read(analyzer.image, "result_time") == 1_800_000_000
    assert truth.finished_at == "2027-01-15T08:00:00.500+00:00"


def test_live_values_follow_the_cup(read: Read) -> None:
    """The live temperature climbs through the ramp and `alive` counts seconds."""
    analyzer = SimulatedAnalyzer(seed=2)
    while analyzer.phase is not Phase.HEAT:
        analyzer.advance(0.25)
    start_c, alive = read(analyzer.image, "sample_temperature"), read(analyzer.image, "alive")
    analyzer.advance(60.0)
    assert read(analyzer.image, "phase") == 3
    assert read(analyzer.image, "alive") == alive + 60
    climbed_c = read(analyzer.image, "sample_temperature") - start_c
    assert climbed_c == pytest.approx(10.0 / 60.0 * (60.0 - 4.0 - 3.0), abs=0.3)


def test_unmapped_registers_do_not_exist() -> None:
    """A gap, the end of a table and an unknown table are refused."""
    image = SimulatedAnalyzer(seed=2).image
    for table, address, count in (
        ("input", 64, 1),
        ("input", 60, 8),
        ("input", 4323, 2),
        ("holding", 16, 1),
        ("coil", 0, 1),
        ("input", 0, 0),
    ):
        with pytest.raises(UnmappedAddressError, match=table):
            image.read(table, address, count)


def test_product_given_is_the_product_measured() -> None:
    """A fuel made for 75 °C is expected, lit and reported near 75 °C."""
    analyzer = SimulatedAnalyzer(seed=2, fuel=product(75.0), drifting=False)
    truth = analyzer.advance_to_next_result()
    assert truth.expected_c == pytest.approx(75.0, abs=0.01)
    assert need(truth.reported_c) == pytest.approx(75.0, abs=0.8)  # weather and spark interval


def test_hundreds_of_cycles_take_seconds() -> None:
    """At least 50 cycles per second of processor time, so that long runs stay cheap."""
    analyzer = SimulatedAnalyzer(seed=2)
    began_s = time.process_time()
    for _ in range(100):
        analyzer.advance_to_next_result()
    assert time.process_time() - began_s < 2.0
