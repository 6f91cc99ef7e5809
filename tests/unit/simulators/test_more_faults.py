"""Faults of phases, trace, sensor, ramp, ignition and stream: each changes what it says."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from simulators.analyzer import SimulatedAnalyzer, Truth
from simulators.cycle import Phase
from simulators.faults import FaultKind, fault
from simulators.fuel import product
from simulators.plans import RANGES, random_plan
from simulators.registers import RegisterImage

Read = Callable[[RegisterImage, str], Any]
FAULTY = 3


def play(
    kind: FaultKind, strength: float, seed: int = 3, **options: Any
) -> tuple[SimulatedAnalyzer, Truth]:
    """An analyzer stopped just after its faulty third cycle."""
    faults = [fault(kind, FAULTY, strength=strength)]
    analyzer = SimulatedAnalyzer(seed=seed, faults=faults, **options)
    return analyzer, [analyzer.advance_to_next_result() for _ in range(FAULTY)][-1]


def trace(read: Read, image: RegisterImage) -> tuple[Any, Any, Any]:
    """Time, temperature and pressure of the trace block."""
    length = read(image, "trace_length")
    roles = ("trace_time", "trace_temperature", "trace_pressure")
    return tuple(np.array(read(image, role)[:length]) for role in roles)  # type: ignore[return-value]


def need(value: float | None) -> float:
    """The value of a truth that must have one."""
    assert value is not None
    return value


def phase_seconds(kind: FaultKind, strength: float) -> dict[Phase, float]:
    """Seconds of each phase in a cycle with that fault, and the order of the first of each."""
    analyzer = SimulatedAnalyzer(seed=3, faults=[fault(kind, 1, strength=strength)])
    seconds: dict[Phase, float] = {}
    while analyzer.sequence == 1:
        seconds[analyzer.phase] = seconds.get(analyzer.phase, 0.0) + 0.25
        analyzer.advance(0.25)
    return seconds


@pytest.mark.parametrize(
    ("kind", "phase", "usual_s"),
    [
        (FaultKind.NOT_CLEANED, Phase.CLEAN, 8.0),
        (FaultKind.NOT_ZEROED, Phase.ZERO, 4.0),
        (FaultKind.NOT_PURGED, Phase.PURGE, 28.0),
    ],
)
def test_a_phase_is_cut_by_its_share(kind: FaultKind, phase: Phase, usual_s: float) -> None:
    """Half of it leaves half, all of it leaves nothing, none of it leaves all."""
    for share in (0.0, 0.5):
        assert phase_seconds(kind, share)[phase] == pytest.approx(usual_s * (1 - share), abs=0.3)
    assert phase not in phase_seconds(kind, 1.0)


def test_zeroing_comes_before_the_cleaning() -> None:
    """Wholly: zero, clean, heat. By half: zero, clean, zero, heat."""
    assert list(phase_seconds(FaultKind.ZERO_FIRST, 1.0))[:4] == [
        Phase.IDLE,
        Phase.ZERO,
        Phase.CLEAN,
        Phase.HEAT,
    ]
    half = phase_seconds(FaultKind.ZERO_FIRST, 0.5)
    assert half[Phase.ZERO] == pytest.approx(4.0, abs=0.3)


def test_the_sign_of_life_stands_as_long_as_told(read: Read) -> None:
    """It counts seconds before and after, and none for 90 s."""
    analyzer = SimulatedAnalyzer(
        seed=3, faults=[fault(FaultKind.ALIVE_STUCK, FAULTY, strength=90.0)]
    )
    shown = []
    while analyzer.sequence <= FAULTY:
        shown.append(read(analyzer.image, "alive"))
        analyzer.advance(1.0)
    longest = max(shown.count(value) for value in set(shown))
    assert longest == pytest.approx(90, abs=2)


@pytest.mark.parametrize("share", [0.05, 0.5])
def test_samples_of_the_trace_are_no_number(read: Read, share: float) -> None:
    """That share of both arrays holds the sentinel of the map; the times stay."""
    analyzer, _ = play(FaultKind.TRACE_SENTINEL, share)
    times_s, celsius, kpa = trace(read, analyzer.image)
    assert np.isnan(celsius).mean() == pytest.approx(share, abs=0.06)
    assert (np.isnan(celsius) == np.isnan(kpa)).all()
    assert (np.diff(times_s) > 0).all()


def test_the_trace_has_a_hole_near_the_flash(read: Read) -> None:
    """15 s are missing, from within 10 s before the flash to 1 s after at the latest."""
    for seed in range(6):
        analyzer, truth = play(FaultKind.TRACE_HOLE, 15.0, seed)
        times_s, _, _ = trace(read, analyzer.image)
        at = int(np.argmax(np.diff(times_s)))
        assert np.diff(times_s)[at] == pytest.approx(15.25, abs=0.3)
        assert -9.5 <= times_s[at + 1] - need(truth.true_lit_time_s) <= 1.5


def test_live_values_are_moved_as_told(read: Read) -> None:
    """Barometer by 3 kPa, inlet by 20 °C, stream as shown; the truth stays."""
    for kind, strength, role, change, tolerance in (
        (FaultKind.BAROMETER_JUMP, 3.0, "barometric_pressure", 30.0, 4.0),
        (FaultKind.INLET_TEMPERATURE, 20.0, "sample_inlet_temperature", 20.0, 1.0),
        (FaultKind.STREAM_READS, 9.0, "stream", 8.0, 0.0),
    ):
        shown = []
        for faults in ([], [fault(kind, 1, strength=strength)]):
            analyzer = SimulatedAnalyzer(seed=3, faults=faults)
            analyzer.advance(30.0)
            shown.append(read(analyzer.image, role))
        assert shown[1] - shown[0] == pytest.approx(change, abs=tolerance)


def test_noise_is_added_by_squares(read: Read) -> None:
    """3 kPa beside 0.3 kPa: a standard deviation of 3.01 kPa (sum of variances)."""
    analyzer, truth = play(FaultKind.PRESSURE_NOISE, 3.0)
    times_s, _, kpa = trace(read, analyzer.image)
    before = kpa[times_s < need(truth.true_lit_time_s) - 0.5]
    assert before.std() == pytest.approx(math.hypot(3.0, 0.3), rel=0.12)


def test_the_zero_creeps_on_with_every_cycle(read: Read) -> None:
    """0.5 kPa more in each of its cycles."""
    faults = [fault(FaultKind.ZERO_CREEP, 1, 8, strength=0.5)]
    creeping, clean = SimulatedAnalyzer(seed=3, faults=faults), SimulatedAnalyzer(seed=3)
    for count in range(1, 9):
        zeros = []
        for analyzer in (creeping, clean):
            analyzer.advance_to_next_result()
            zeros.append(read(analyzer.image, "transducer_zero"))
        assert zeros[0] - zeros[1] == pytest.approx(500.0 * count, abs=1.5)


def test_the_start_is_hot_by_what_is_told(read: Read) -> None:
    """12 °C nearer to the expected flash point, and truly measured."""
    analyzer, truth = play(FaultKind.START_HOT, 12.0)
    start_c = read(analyzer.image, "start_temperature")
    # The cup was at 20 °C below and has had 16 s to warm by 12 °C, at a lag of 5 s.
    assert start_c == pytest.approx(truth.expected_c - 8.0 - 12.0 * math.exp(-16 / 5), abs=0.9)
    assert need(truth.reported_c) == pytest.approx(need(truth.true_lit_temperature_c), abs=0.4)


def test_an_unsteady_ramp_swings_by_its_amplitude(read: Read) -> None:
    """A sensor of lag T shows a swing of period P by 1 / sqrt(1 + (2 pi T / P)^2) of it."""
    analyzer, truth = play(FaultKind.RAMP_UNSTEADY, 2.0)
    times_s, celsius, _ = trace(read, analyzer.image)
    used = (times_s > 40.0) & (times_s < need(truth.true_lit_time_s))
    line = np.polynomial.Polynomial.fit(times_s[used], celsius[used], 1)
    left = celsius[used] - line(times_s[used])
    shown_c = 2.0 / math.hypot(1.0, 2.0 * math.pi * 3.0 / 15.0)
    assert left.std() * math.sqrt(2.0) == pytest.approx(shown_c, rel=0.1)


def test_a_bent_ramp_changes_its_rate_below_the_flash(read: Read) -> None:
    """10 °C/min at first, 18 °C/min over the last degrees."""
    analyzer, truth = play(FaultKind.RAMP_BENT, 1.8)
    times_s, celsius, _ = trace(read, analyzer.image)
    lit_s = need(truth.true_lit_time_s)
    rates = []
    for used in ((times_s > 25.0) & (times_s < 55.0), (times_s > lit_s - 10) & (times_s < lit_s)):
        fitted = np.polynomial.Polynomial.fit(times_s[used], celsius[used], 1).convert()
        rates.append(fitted.coef[1] * 60.0)
    assert rates[0] == pytest.approx(10.0, rel=0.03)
    assert rates[1] == pytest.approx(18.0, rel=0.05)
    assert truth.true_rate_c_per_min == pytest.approx(18.0, rel=0.05)


def test_sensor_bias_and_jump_lift_the_report_not_the_truth() -> None:
    """3 °C and 5 °C too high; the sample lights where it did."""
    for kind, strength in ((FaultKind.SENSOR_BIAS, 3.0), (FaultKind.SENSOR_JUMP, 5.0)):
        _, truth = play(kind, strength)
        error_c = need(truth.reported_c) - need(truth.true_lit_temperature_c)
        assert error_c == pytest.approx(strength, abs=0.4)


def test_a_held_sensor_lives_again_before_the_flash(read: Read) -> None:
    """It stands for 15 s somewhere in the ramp; the flash is read well."""
    for seed in range(4):
        analyzer, truth = play(FaultKind.SENSOR_HELD, 15.0, seed)
        _, celsius, _ = trace(read, analyzer.image)
        still = np.diff(np.flatnonzero(np.diff(celsius) != 0.0)).max() * 0.25
        assert still == pytest.approx(15.0, abs=0.6)
        assert need(truth.reported_c) == pytest.approx(need(truth.true_lit_temperature_c), abs=0.4)


def test_misfire_and_missed_flash_report_too_high() -> None:
    """Lit late: the truth itself is high. Lit and not seen: the report alone is."""
    _, misfire = play(FaultKind.MISFIRE, 8.0)
    late_c = need(misfire.true_lit_temperature_c) - misfire.true_flash_equilibrium_c
    assert 8.0 <= late_c <= 8.4
    _, missed = play(FaultKind.MISSED_FLASH, 6.0)
    assert need(missed.true_lit_temperature_c) - missed.true_flash_equilibrium_c <= 0.4
    # Six sparks of 2 s at 10 °C/min later.
    late_c = need(missed.reported_c) - need(missed.true_lit_temperature_c)
    assert late_c == pytest.approx(2.0, abs=0.3)


def test_spikes_end_the_cycle_early_when_the_firmware_sees_them(read: Read) -> None:
    """Above its threshold the firmware reports a false low flash; below it, nothing changes."""
    for kind in (FaultKind.EARLY_SPIKE, FaultKind.PICKUP_SPIKE):
        for seed in range(4):
            _, seen = play(kind, 60.0, seed)
            assert seen.true_lit_temperature_c is None
            assert need(seen.reported_c) < seen.true_flash_equilibrium_c
            _, unseen = play(kind, 5.0, seed)
            assert need(unseen.reported_c) == pytest.approx(
                unseen.true_flash_equilibrium_c, abs=0.6
            )


def test_product_step_surprises_the_device_and_grade_change_does_not() -> None:
    """Both change the flash point by 10 °C; only one moves the start of the ramp."""
    undisturbed = SimulatedAnalyzer(seed=3)
    for _ in range(FAULTY):
        usual = undisturbed.advance_to_next_result()
    for kind, moved_c in ((FaultKind.PRODUCT_STEP, 0.0), (FaultKind.GRADE_CHANGE, 10.0)):
        _, truth = play(kind, 10.0)
        change_c = truth.true_flash_equilibrium_c - usual.true_flash_equilibrium_c
        assert change_c == pytest.approx(10.0, abs=0.8)
        assert truth.expected_c - usual.expected_c == pytest.approx(moved_c, abs=1e-3)


def test_a_ramp_of_contamination_goes_on_falling() -> None:
    """Each cycle flashes lower than the one before."""
    faults = [fault(FaultKind.CONTAMINATION_RAMP, 2, 7, strength=0.005)]
    analyzer = SimulatedAnalyzer(seed=3, faults=faults, drifting=False)
    seen = [analyzer.advance_to_next_result().true_flash_equilibrium_c for _ in range(7)]
    assert all(later < earlier - 0.5 for earlier, later in pairwise(seen))


def test_carry_over_keeps_the_old_sample() -> None:
    """Of a product 10 °C higher, 70 % carried over leaves most of the old flash point."""
    faults = [fault(FaultKind.PRODUCT_STEP, 3, strength=10.0)]
    at_c = []
    for more in ([], [fault(FaultKind.CARRY_OVER, 3, strength=0.7)]):
        analyzer = SimulatedAnalyzer(seed=3, faults=[*faults, *more])
        at_c.append([analyzer.advance_to_next_result() for _ in range(3)][2])
    apart_c = at_c[0].true_flash_equilibrium_c - at_c[1].true_flash_equilibrium_c
    assert 5.0 < apart_c < 10.0


def test_another_stream_comes_after_its_lag_and_washes_the_cup(read: Read) -> None:
    """The register shows it at once, the sample comes with the next purge, or a later one."""
    for lag_s in (0.0, 300.0):
        analyzer = SimulatedAnalyzer(
            seed=3,
            faults=[fault(FaultKind.STREAM_SWITCH, 3, 12, strength=2.0)],
            others={2: product(80.0)},
            transport_lag_s=lag_s,
            drifting=False,
        )
        truths = [analyzer.advance_to_next_result() for _ in range(11)]
        assert read(analyzer.image, "stream") == 2
        for place, truth in enumerate(truths):
            since_s = sum(one.cycle_length_s for one in truths[2:place])
            if place <= 2 or since_s < lag_s:
                assert truth.true_flash_equilibrium_c == pytest.approx(62.0, abs=0.6)
            elif since_s > lag_s + 28.0 + truth.cycle_length_s:
                # A purge leaves exp(-4) of the old sample.
                assert truth.true_flash_equilibrium_c == pytest.approx(80.0, abs=1.5)


def pulse(analyzer: SimulatedAnalyzer) -> tuple[float, Any]:
    """Interval in s and pressures in kPa of the fast capture, by its addresses."""
    _, length, ticks = analyzer.image.read("input", 5000, 3)
    words = np.array(analyzer.image.read("input", 5100, max(length, 1))[:length], dtype=np.uint16)
    return ticks * 0.00001, words.astype(np.int16) * 0.01


def rise_s(interval_s: float, kpa: Any) -> float:
    """From 10 to 90 % of the highest pressure, on the rising side."""
    height = kpa - np.median(kpa[:80])
    top = int(np.argmax(height))
    low = int(np.argmax(height >= 0.1 * height[top]))
    high = int(np.argmax(height >= 0.9 * height[top]))
    return (high - low) * interval_s


def test_the_pulse_has_the_shape_of_a_flash() -> None:
    """10 to 90 % in 2 to 50 ms, to 10 % within 500 ms (common practice, no source)."""
    for seed in range(5):
        analyzer = SimulatedAnalyzer(seed=seed)
        truth = analyzer.advance_to_next_result()
        interval_s, kpa = pulse(analyzer)
        assert interval_s == pytest.approx(0.001)
        assert analyzer.image.read("input", 5000, 1)[0] == truth.cycle_number
        assert len(kpa) == 600
        assert kpa.max() == pytest.approx(need(truth.true_peak_kpa), abs=2.0)
        assert 0.002 <= rise_s(interval_s, kpa) <= 0.05
        assert np.median(kpa[-20:]) < 0.15 * kpa.max()


def test_pulse_faults_have_their_shapes() -> None:
    """A slow rise is slow; a step stays; a pickup is gone in 2 ms; a dead igniter gives none."""
    analyzer, _ = play(FaultKind.PULSE_SLOW, 0.25)
    assert rise_s(*pulse(analyzer)) == pytest.approx(0.25, abs=0.02)
    analyzer, _ = play(FaultKind.PRESSURE_STEP, 30.0)
    _, kpa = pulse(analyzer)
    assert np.median(kpa[:80]) < 2.0
    assert kpa[120:].min() > 27.0
    analyzer, _ = play(FaultKind.PICKUP_SPIKE, 40.0)
    interval_s, kpa = pulse(analyzer)
    assert 0 < (kpa > 20.0).sum() * interval_s <= 0.002
    analyzer, _ = play(FaultKind.NO_IGNITION, 0.0)
    assert len(pulse(analyzer)[1]) == 0


def test_random_plans_are_reproducible_and_cover_every_kind() -> None:
    """The same seed, the same plan; every kind comes; strengths stay in their ranges."""
    assert set(RANGES) == set(FaultKind)
    first, again = (random_plan(np.random.default_rng(5), 400, 0.5, 3) for _ in range(2))
    assert first == again
    assert first != random_plan(np.random.default_rng(6), 400, 0.5, 3)
    assert {one.kind for one in first.faults} == set(FaultKind)
    for one in first.faults:
        low, high = RANGES[one.kind]
        assert low <= one.strength <= high
        assert one.to_cycle <= 400
    begun = {one.from_cycle for one in first.faults}
    assert len(begun) / 400 == pytest.approx(0.5, abs=0.1)
    with pytest.raises(ValueError, match="combos"):
        random_plan(np.random.default_rng(1), 10, 0.5, 0)


@pytest.mark.parametrize("seed", range(3))
def test_an_analyzer_runs_through_any_plan(seed: int) -> None:
    """Three hundred cycles of faults in combination: a truth for each, and none hangs."""
    plan = random_plan(np.random.default_rng(seed), 300, 0.7, 4)
    analyzer = SimulatedAnalyzer(seed=seed, faults=plan, others={2: product(75.0)})
    for _ in range(300):
        analyzer.advance_to_next_result()
    assert [one.sequence for one in analyzer.truths] == list(range(1, 301))
