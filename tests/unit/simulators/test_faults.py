"""Each fault visibly changes what it should, and only for its cycles."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from simulators.analyzer import SimulatedAnalyzer, Truth
from simulators.cycle import Phase
from simulators.errors import FaultError
from simulators.faults import (
    DEFAULT_STRENGTH,
    ActiveFaults,
    Fault,
    FaultKind,
    FaultPlan,
    fault,
    parse_fault,
)
from simulators.registers import RegisterImage

Read = Callable[[RegisterImage, str], Any]
FAULTY = 3  # the cycle that gets the fault in these tests


def play(kind: FaultKind, strength: float | None = None) -> tuple[SimulatedAnalyzer, list[Truth]]:
    """An analyzer stopped just after its faulty third cycle."""
    analyzer = SimulatedAnalyzer(seed=3, faults=[fault(kind, FAULTY, strength=strength)])
    return analyzer, [analyzer.advance_to_next_result() for _ in range(FAULTY)]


def clean() -> list[Truth]:
    """The same four cycles without any fault."""
    analyzer = SimulatedAnalyzer(seed=3)
    return [analyzer.advance_to_next_result() for _ in range(FAULTY + 1)]


def need(value: float | None) -> float:
    """The value of a truth that must have one."""
    assert value is not None
    return value


@pytest.mark.parametrize("kind", list(FaultKind))
def test_fault_leaves_the_cycles_before_it_alone(kind: FaultKind) -> None:
    """Cycles before the range are those of a faultless run; its own carries kind and strength."""
    _, truths = play(kind)
    assert truths[:2] == clean()[:2]
    assert [(one.kind, one.strength) for one in truths[2].faults] == [
        (kind, DEFAULT_STRENGTH[kind])
    ]


@pytest.mark.parametrize("kind", list(FaultKind))
def test_cycle_after_a_fault_is_a_normal_one(kind: FaultKind) -> None:
    """The next cycle carries no fault, is seen to flash and takes about its usual time."""
    analyzer, _ = play(kind)
    after = analyzer.advance_to_next_result()
    assert after.faults == ()
    assert after.published
    assert need(after.reported_c) == pytest.approx(after.true_flash_equilibrium_c, abs=0.6)
    assert 140.0 < after.cycle_length_s < 200.0


def test_torn_gives_no_consistent_reading_until_it_ends(read: Read) -> None:
    """Number, body, number never agree while torn; afterwards they do."""
    analyzer, truths = play(FaultKind.TORN, 40.0)
    image = analyzer.image
    for _ in range(25):
        before = image.read("input", 20, 1)[0]
        body = image.read("input", 20, 16)
        after = image.read("input", 20, 1)[0]
        assert len({before, body[0], after}) == 3
        whole = image.read("input", 0, 60)
        assert whole[20] != image.read("input", 20, 1)[0]
    analyzer.advance(41.0)
    assert {image.read("input", 20, 1)[0] for _ in range(3)} == {truths[2].cycle_number}
    assert read(image, "flash_point") == pytest.approx(need(truths[2].reported_c), abs=1e-4)


def test_torn_bodies_differ_between_readings() -> None:
    """The body follows the number: old, new and cleared results take turns."""
    analyzer, _ = play(FaultKind.TORN)
    bodies = {tuple(analyzer.image.read("input", 20, 16)) for _ in range(6)}
    assert len(bodies) == 3


def test_sentinel_hides_the_flash_point_of_a_seen_ignition(read: Read) -> None:
    """NaN in the register though ignition was seen and the trace shows it."""
    analyzer, truths = play(FaultKind.SENTINEL)
    assert math.isnan(read(analyzer.image, "flash_point"))
    assert read(analyzer.image, "ignition_seen") is True
    assert truths[2].reported_c is None
    assert truths[2].true_lit_temperature_c is not None


def test_device_fault_bit_shows_during_its_cycle(read: Read) -> None:
    """The live bit is on in its own cycle only; the result keeps it."""
    analyzer = SimulatedAnalyzer(seed=3, faults=[fault(FaultKind.DEVICE_FAULT_BIT, 2, strength=16)])
    analyzer.advance(30.0)
    assert read(analyzer.image, "fault_bits") == 0
    analyzer.advance_to_next_result()
    analyzer.advance(30.0)
    assert read(analyzer.image, "fault_bits") == 1 << 16
    analyzer.advance_to_next_result()
    assert read(analyzer.image, "fault_bits") == 0
    assert analyzer.image.read("input", 34, 2) == [1, 0]


def test_cycle_lengths_change_as_told() -> None:
    """Ten minutes more, or a whole cycle in about 45 s; both still flash truly."""
    usual_s = clean()[2].cycle_length_s
    _, long_truths = play(FaultKind.CYCLE_TOO_LONG, 600.0)
    assert long_truths[2].cycle_length_s == pytest.approx(usual_s + 600.0, abs=6.0)
    _, short_truths = play(FaultKind.CYCLE_TOO_SHORT, 45.0)
    assert short_truths[2].cycle_length_s == pytest.approx(45.0, abs=5.0)
    assert need(short_truths[2].reported_c) == pytest.approx(
        need(short_truths[2].true_lit_temperature_c), abs=0.3
    )


def test_counter_repeated_puts_a_new_result_under_the_old_number(read: Read) -> None:
    """Number as before, time and flash point new."""
    analyzer, truths = play(FaultKind.COUNTER_REPEATED)
    assert truths[2].cycle_number == truths[1].cycle_number == read(analyzer.image, "cycle_number")
    assert truths[2].finished_at > truths[1].finished_at
    assert read(analyzer.image, "flash_point") == pytest.approx(
        need(truths[2].reported_c), abs=1e-4
    )
    assert truths[2].reported_c != truths[1].reported_c
    assert analyzer.advance_to_next_result().cycle_number == truths[1].cycle_number + 1


def test_stale_result_counts_on_over_an_old_result(read: Read) -> None:
    """Number new; time, flash point and trace are those of the cycle before."""
    analyzer = SimulatedAnalyzer(seed=3, faults=[fault(FaultKind.STALE_RESULT, 2)])
    first = analyzer.advance_to_next_result()
    time_s = read(analyzer.image, "result_time")
    second = analyzer.advance_to_next_result()
    assert read(analyzer.image, "cycle_number") == second.cycle_number == first.cycle_number + 1
    assert read(analyzer.image, "result_time") == time_s
    assert second.reported_c == first.reported_c
    assert read(analyzer.image, "trace_cycle") == first.cycle_number


def test_result_frozen_repeats_values_under_a_new_time(read: Read) -> None:
    """Same flash point and peak, new number and new time."""
    analyzer = SimulatedAnalyzer(seed=3, faults=[fault(FaultKind.RESULT_FROZEN, 2)])
    analyzer.advance_to_next_result()
    shown = [read(analyzer.image, role) for role in ("flash_point", "peak_pressure")]
    time_s = read(analyzer.image, "result_time")
    analyzer.advance_to_next_result()
    assert [read(analyzer.image, role) for role in ("flash_point", "peak_pressure")] == shown
    assert read(analyzer.image, "result_time") > time_s


def test_counter_reset_and_skip_and_wrap() -> None:
    """The number starts again, leaves numbers out, and goes on from there; alive restarts."""
    _, reset = play(FaultKind.COUNTER_RESET, 1.0)
    assert [one.cycle_number for one in reset] == [1, 2, 1]
    analyzer, skip = play(FaultKind.COUNTER_SKIP, 4.0)
    assert [one.cycle_number for one in skip] == [1, 2, 7]
    assert analyzer.advance_to_next_result().cycle_number == 8
    wrapping = SimulatedAnalyzer(
        seed=3, start_number=65534, faults=[fault(FaultKind.COUNTER_SKIP, 2, strength=3)]
    )
    numbers = [wrapping.advance_to_next_result().cycle_number for _ in range(3)]
    assert numbers == [65534, 2, 3]


def test_counter_reset_restarts_alive(read: Read) -> None:
    """A device restart counts `alive` from 0 again."""
    analyzer, _ = play(FaultKind.COUNTER_RESET)
    assert read(analyzer.image, "alive") == 0


def test_dead_igniter_gives_up_without_a_flash(read: Read) -> None:
    """Sparks are counted to 15 °C above expected, nothing lights, no pickup shows."""
    analyzer, truths = play(FaultKind.NO_IGNITION)
    truth, image = truths[2], analyzer.image
    assert truth.true_lit_temperature_c is truth.true_lit_time_s is truth.reported_c is None
    assert truth.sparks > 100
    assert read(image, "ignition_seen") is False
    assert math.isnan(read(image, "flash_point"))
    assert math.isnan(read(image, "ignition_temperature"))
    length = read(image, "trace_length")
    assert read(image, "trace_temperature")[length - 1] == pytest.approx(
        truth.expected_c + 15.0, abs=0.3
    )
    kpa = np.array(read(image, "trace_pressure")[:length])
    assert np.abs(kpa - np.median(kpa)).max() < 6 * 0.3
    assert read(image, "peak_pressure") < 3.0


def test_weak_ignition_has_the_peak_it_is_told(read: Read) -> None:
    """12 kPa instead of 60..150, still seen by the firmware."""
    analyzer, truths = play(FaultKind.WEAK_IGNITION, 12.0)
    assert truths[2].true_peak_kpa == 12.0
    assert read(analyzer.image, "peak_pressure") == pytest.approx(12.0, abs=1.0)
    assert read(analyzer.image, "ignition_seen") is True
    assert need(truths[2].reported_c) == pytest.approx(
        need(truths[2].true_lit_temperature_c), abs=0.25
    )


def test_ignition_below_the_firmware_threshold_goes_unseen(read: Read) -> None:
    """5 kPa pulses light at spark after spark, the firmware reports none, the truth does."""
    analyzer, truths = play(FaultKind.WEAK_IGNITION, 5.0)
    assert truths[2].true_lit_temperature_c is not None
    assert truths[2].reported_c is None
    assert read(analyzer.image, "ignition_seen") is False
    length = read(analyzer.image, "trace_length")
    times_s = np.array(read(analyzer.image, "trace_time")[:length])
    kpa = np.array(read(analyzer.image, "trace_pressure")[:length])
    before, after = kpa[times_s < need(truths[2].true_lit_time_s)], kpa[-100:]
    assert after.std() > 2.0 * before.std()


def test_second_flash_stands_one_second_after_the_first(read: Read) -> None:
    """A second pulse in the trace that a clean cycle does not have."""
    analyzer, truths = play(FaultKind.SECOND_FLASH, 0.7)
    length = read(analyzer.image, "trace_length")
    times_s = np.array(read(analyzer.image, "trace_time")[:length])
    kpa = np.array(read(analyzer.image, "trace_pressure")[:length])
    lit_s = need(truths[2].true_lit_time_s)
    late = kpa[(times_s > lit_s + 1.02) & (times_s < lit_s + 1.3)]
    assert late.max() > 15.0
    quiet = kpa[(times_s > lit_s + 0.75) & (times_s < lit_s + 1.0)]
    assert quiet.max() < 5.0


def test_pressure_step_fools_the_firmware_and_stays(read: Read) -> None:
    """No flash in truth; the firmware reports the step; the pressure does not decay."""
    analyzer, truths = play(FaultKind.PRESSURE_STEP, 30.0)
    truth = truths[2]
    assert truth.true_lit_temperature_c is None
    assert need(truth.reported_c) == pytest.approx(truth.expected_c - 10.0, abs=0.6)
    length = read(analyzer.image, "trace_length")
    kpa = np.array(read(analyzer.image, "trace_pressure")[:length])
    assert kpa[-4:].min() > 28.0
    assert np.median(kpa[:-20]) < 2.0


def test_contamination_lights_at_the_first_spark() -> None:
    """20 % octane puts the flash below the start temperature; the next cycle feels a rest."""
    analyzer, truths = play(FaultKind.CONTAMINATION, 0.2)
    truth = truths[2]
    assert truth.sparks == 1
    assert truth.true_flash_equilibrium_c < truth.expected_c - 20.0
    assert need(truth.true_lit_temperature_c) == pytest.approx(truth.expected_c - 20.0, abs=0.5)
    after = analyzer.advance_to_next_result()
    undisturbed = clean()[3].true_flash_equilibrium_c
    assert -1.5 < after.true_flash_equilibrium_c - undisturbed < -0.2


def test_light_contamination_lowers_the_flash_by_degrees() -> None:
    """2 % octane: a few degrees, and not at the first spark."""
    _, truths = play(FaultKind.CONTAMINATION, 0.02)
    change_c = truths[2].true_flash_equilibrium_c - clean()[2].true_flash_equilibrium_c
    assert -6.0 < change_c < -3.0
    assert truths[2].sparks > 30


def test_out_of_range_is_measured_truly() -> None:
    """An 18 °C product is expected, lit and reported near 18 °C."""
    _, truths = play(FaultKind.OUT_OF_RANGE, 18.0)
    assert need(truths[2].reported_c) == pytest.approx(18.0, abs=1.5)
    assert truths[2].expected_c == 18.0


def test_reported_bias_touches_the_report_only(read: Read) -> None:
    """Flash point 3 °C high; ignition temperature and truth as in a clean cycle."""
    analyzer, truths = play(FaultKind.REPORTED_BIAS, 3.0)
    usual = clean()[2]
    assert need(truths[2].reported_c) == pytest.approx(need(usual.reported_c) + 3.0, abs=1e-9)
    assert truths[2].true_lit_temperature_c == usual.true_lit_temperature_c
    gap_c = read(analyzer.image, "flash_point") - read(analyzer.image, "ignition_temperature")
    assert gap_c == pytest.approx(3.5, abs=0.006)


@pytest.mark.parametrize(
    ("kind", "factor"),
    [
        (FaultKind.RAMP_FAST, 1.8),
        (FaultKind.RAMP_FAST, 1.25),
        (FaultKind.RAMP_SLOW, 0.5),
        (FaultKind.RAMP_SLOW, 0.78),
    ],
)
def test_ramp_runs_at_another_rate(read: Read, kind: FaultKind, factor: float) -> None:
    """True and reported rate follow; the nominal lag correction then errs by tau * (r - r0)."""
    analyzer, truths = play(kind, factor)
    assert truths[2].true_rate_c_per_min == pytest.approx(10.0 * factor, rel=1e-3)
    assert read(analyzer.image, "heating_rate") == pytest.approx(10.0 * factor, rel=0.02)
    error_c = need(truths[2].reported_c) - need(truths[2].true_lit_temperature_c)
    assert error_c == pytest.approx(3.0 * (1.0 - factor) * 10.0 / 60.0, abs=0.2)


def test_slowest_ramp_keeps_the_newest_samples(read: Read) -> None:
    """A ramp too long for the block: 1024 samples, the flash among them, times still right."""
    analyzer, truths = play(FaultKind.RAMP_SLOW, 0.3)
    assert read(analyzer.image, "trace_length") == 1024
    times_s = read(analyzer.image, "trace_time")
    assert times_s[0] > 10.0
    assert times_s[-1] == pytest.approx(need(truths[2].true_lit_time_s) + 2.0, abs=0.3)


def test_frozen_sensor_stands_still_while_the_sample_heats(read: Read) -> None:
    """The trace's temperature sticks after 40 s; the report errs by what it missed."""
    analyzer, truths = play(FaultKind.SENSOR_FROZEN, 40.0)
    length = read(analyzer.image, "trace_length")
    celsius = np.array(read(analyzer.image, "trace_temperature")[:length])
    assert len(set(celsius[160:].tolist())) == 1
    assert len(set(celsius[:160].tolist())) > 100
    assert need(truths[2].reported_c) < need(truths[2].true_lit_temperature_c) - 10.0


def test_zero_drift_lifts_zero_and_baseline(read: Read) -> None:
    """5 kPa in the reported zero and under the whole trace."""
    analyzer, truths = play(FaultKind.ZERO_DRIFT, 5.0)
    assert read(analyzer.image, "transducer_zero") == pytest.approx(5000.0, abs=900.0)
    length = read(analyzer.image, "trace_length")
    kpa = np.array(read(analyzer.image, "trace_pressure")[: length - 20])
    assert np.median(kpa) == pytest.approx(5.0, abs=0.9)
    assert read(analyzer.image, "peak_pressure") == pytest.approx(
        need(truths[2].true_peak_kpa), abs=1.5
    )


@pytest.mark.parametrize(
    ("kind", "role", "usual", "bit"),
    [
        (FaultKind.SAMPLE_FLOW_LOW, "sample_flow", 60.0, 1),
        (FaultKind.AIR_FLOW_LOW, "air_flow", 15.0, 2),
    ],
)
def test_low_flow_shows_and_sets_its_bit(
    read: Read, kind: FaultKind, role: str, usual: float, bit: int
) -> None:
    """40 % of the usual flow sets the device's bit; 65 % only shows."""
    for share, bits in ((0.4, 1 << bit), (0.65, 0)):
        analyzer = SimulatedAnalyzer(seed=3, faults=[fault(kind, 1, strength=share)])
        analyzer.advance(20.0)
        assert read(analyzer.image, role) == pytest.approx(usual * share, rel=0.05)
        assert read(analyzer.image, "fault_bits") == bits


def test_low_sample_flow_leaves_old_sample_in_the_cup() -> None:
    """After contamination a clean cycle at low flow still flashes low: carry-over."""

    def second_flash_c(*more: Fault) -> float:
        analyzer = SimulatedAnalyzer(
            seed=3, faults=[fault(FaultKind.CONTAMINATION, 1, strength=0.1), *more]
        )
        analyzer.advance_to_next_result()
        return analyzer.advance_to_next_result().true_flash_equilibrium_c

    full_flow_c = second_flash_c()
    low_flow_c = second_flash_c(fault(FaultKind.SAMPLE_FLOW_LOW, 2, strength=0.2))
    assert low_flow_c < full_flow_c - 3.0


def test_low_air_flow_weakens_the_flash() -> None:
    """Less air from the purge, a lower pulse."""
    _, truths = play(FaultKind.AIR_FLOW_LOW, 0.4)
    assert need(truths[2].true_peak_kpa) < 0.7 * need(clean()[2].true_peak_kpa)


def test_bad_barometer_lies_about_the_weather(read: Read) -> None:
    """Reads 60 kPa while the true pressure and the flash stay."""
    analyzer = SimulatedAnalyzer(seed=3, faults=[fault(FaultKind.BAROMETER_BAD, 1)])
    analyzer.advance(30.0)
    assert read(analyzer.image, "barometric_pressure") == pytest.approx(600.0, abs=2.5)
    truth = analyzer.advance_to_next_result()
    assert truth.true_barometer_kpa > 98.0
    assert truth.true_flash_equilibrium_c == clean()[0].true_flash_equilibrium_c


def test_clock_off_moves_the_result_time_only(read: Read) -> None:
    """Two hours ahead in the register, not in the truth."""
    analyzer, truths = play(FaultKind.CLOCK_OFF, 7200.0)
    usual = clean()[2]
    assert truths[2].finished_at == usual.finished_at
    reference = SimulatedAnalyzer(seed=3)
    for _ in range(3):
        reference.advance_to_next_result()
    ahead_s = read(analyzer.image, "result_time") - read(reference.image, "result_time")
    assert ahead_s == 7200


@pytest.mark.parametrize(
    ("kind", "phase", "bit"),
    [
        (FaultKind.MAINTENANCE, Phase.MAINTENANCE, 7),
        (FaultKind.CHECK_SAMPLE, Phase.CHECK_SAMPLE, 8),
    ],
)
def test_phase_shows_what_goes_on(read: Read, kind: FaultKind, phase: Phase, bit: int) -> None:
    """The phase register shows it in the cycle, and its bit is on throughout."""
    analyzer = SimulatedAnalyzer(seed=3, faults=[fault(kind, 1)])
    seen = set()
    while analyzer.sequence == 1:
        seen.add(read(analyzer.image, "phase"))
        assert read(analyzer.image, "fault_bits") == 1 << bit
        analyzer.advance(1.0)
    assert phase in seen
    assert Phase.HEAT in seen
    assert read(analyzer.image, "fault_bits") == 0


def test_check_sample_measures_the_check_fluid() -> None:
    """n-Undecane: reported within 5 °C of its tabulated 65.9 °C (Serat et al. 2017)."""
    _, truths = play(FaultKind.CHECK_SAMPLE)
    assert need(truths[2].reported_c) == pytest.approx(65.9, abs=5.0)


def test_frozen_registers_stand_still_and_the_result_is_lost() -> None:
    """Every register keeps its value for the whole cycle; its number never shows."""
    analyzer = SimulatedAnalyzer(seed=3, faults=[fault(FaultKind.FROZEN, 2)])
    analyzer.advance_to_next_result()
    held = analyzer.image.read("input", 0, 60)
    while analyzer.sequence == 2:
        assert analyzer.image.read("input", 0, 60) == held
        analyzer.advance(5.0)
    lost = analyzer.truths[1]
    assert not lost.published
    assert analyzer.image.read("input", 20, 1)[0] == held[20] != lost.cycle_number
    assert analyzer.image.read("input", 1, 1)[0] > held[1]
    analyzer.advance_to_next_result()
    assert analyzer.image.read("input", 20, 1)[0] == lost.cycle_number + 1


def test_faults_are_parsed_and_refused_with_reasons() -> None:
    """KIND:STRENGTH:FROM:TO, an empty strength is the usual one; mistakes name the text."""
    assert parse_fault("weak_ignition:14.5:3:5") == Fault(FaultKind.WEAK_IGNITION, 14.5, 3, 5)
    assert parse_fault("zero_drift::2:2").strength == DEFAULT_STRENGTH[FaultKind.ZERO_DRIFT]
    for text, complaint in (
        ("weak_ignition:1:2", "KIND:STRENGTH:FROM:TO"),
        ("weak_ignition:x:2:3", "weak_ignition:x:2:3"),
        ("sleepy::1:2", "unknown fault 'sleepy'"),
        ("torn::3:2", "are no range"),
        ("torn::0:2", "the first cycle is 1"),
        ("torn:inf:1:2", "must be finite"),
        ("ramp_fast:9:1:2", "0.2..5"),
        ("sample_flow_low:1.5:1:2", "within 0..1"),
        ("contamination:2:1:2", "within 0..1"),
        ("device_fault_bit:40:1:2", "0..31"),
        ("cycle_too_short:5:1:2", "20..120"),
    ):
        with pytest.raises(FaultError) as caught:
            parse_fault(text)
        assert complaint in str(caught.value)


def test_plan_repeats_after_its_period() -> None:
    """With a period of 4 the fault of cycle 2 returns in 6 and 10."""
    plan = FaultPlan((fault(FaultKind.NO_IGNITION, 2),), period=4)
    hit = [cycle for cycle in range(1, 12) if FaultKind.NO_IGNITION in plan.active(cycle)]
    assert hit == [2, 6, 10]
    assert plan.active(1) == ActiveFaults(())
