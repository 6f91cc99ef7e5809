"""The gateway's core against the simulated truth, over many cycles.

The sample's own temperature at the spark that lit it is known to the simulator alone; it reaches
the gateway only as noisy registers. Noise as stated by the simulator: temperature 0.05 °C,
pressure 0.3 kPa, sensor lag 3 s, spark pickup up to 3 kPa, barometer 0.05 kPa.
"""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from edgeflash.model import Result, Verdict
from simulators.analyzer import SimulatedAnalyzer, Truth
from simulators.faults import FaultKind, fault
from simulators.fuel import product
from tests.simulated_line import BENCH_CUP, SimulatedLine, bench_analyzer

CYCLES = 600

Judged = list[tuple[Result, Truth]]


@pytest.fixture(scope="module")
def clean() -> Judged:
    """Judged clean cycles of three fuels, each with its truth."""
    judged: Judged = []
    for seed, flash_c in enumerate((58.0, 62.0, 71.0)):
        simulated = SimulatedAnalyzer(seed=seed, fuel=product(flash_c))
        judged += SimulatedLine(simulated).results(CYCLES // 3)
    return judged


def test_every_clean_cycle_is_accepted(clean: Judged) -> None:
    """No good cycle is rejected or doubted, and none is missing."""
    verdicts = Counter((r.verdict, r.reasons) for r, _ in clean)
    assert verdicts == {(Verdict.ACCEPTED, ()): CYCLES}


def test_the_flash_temperature_is_the_samples_own(clean: Judged) -> None:
    """Within 0.3 °C for 95 % of cycles, without bias above 0.05 °C."""
    error = np.array([r.computed.recomputed_c - t.true_lit_temperature_c for r, t in clean])
    print(f"recomputed - true: bias {error.mean():+.4f} °C, 95 % within", end=" ")
    print(f"{np.quantile(np.abs(error), 0.95):.4f} °C, n {len(error)}")
    assert np.quantile(np.abs(error), 0.95) <= 0.3
    assert abs(error.mean()) <= 0.05


def test_the_stated_uncertainty_is_honest(clean: Judged) -> None:
    """The error lies within two stated standard deviations for at least 95 % of cycles."""
    inside = [
        abs(r.computed.recomputed_c - t.true_lit_temperature_c) <= 2 * r.computed.uncertainty_c
        for r, t in clean
    ]
    assert np.mean(inside) >= 0.95


def test_the_corrected_value_is_that_of_the_methods_formula(clean: Judged) -> None:
    """Against 0.25 °C/kPa (ISO 2719) on the true temperature and the true barometer."""
    error = np.array(
        [
            r.published_c - (t.true_lit_temperature_c + 0.25 * (101.3 - t.true_barometer_kpa))
            for r, t in clean
        ]
    )
    assert np.quantile(np.abs(error), 0.95) <= 0.3
    assert abs(error.mean()) <= 0.05


def test_the_resolution_is_stated_beside_it(clean: Judged) -> None:
    """Heating rate × spark interval; the equilibrium flash point lies within it, below."""
    for r, t in clean:
        true_step_c = t.true_rate_c_per_min / 60.0 * t.spark_interval_s
        assert r.computed.resolution_c == pytest.approx(true_step_c, rel=0.1)
        assert 0.0 <= t.true_lit_temperature_c - t.true_flash_equilibrium_c <= true_step_c + 0.02


INTENDED = {
    FaultKind.TORN: ("torn_read", Verdict.REJECTED),
    FaultKind.SENTINEL: ("not_available", Verdict.REJECTED),
    FaultKind.DEVICE_FAULT_BIT: ("device_fault", Verdict.REJECTED),
    FaultKind.CYCLE_TOO_LONG: ("cycle_too_long", Verdict.DOUBTFUL),
    FaultKind.CYCLE_TOO_SHORT: ("cycle_too_short", Verdict.REJECTED),
    FaultKind.COUNTER_REPEATED: ("counter_repeated", Verdict.REJECTED),
    FaultKind.STALE_RESULT: ("counter_repeated", Verdict.REJECTED),
    FaultKind.NO_IGNITION: ("no_ignition", Verdict.REJECTED),
    FaultKind.WEAK_IGNITION: ("ignition_weak", Verdict.DOUBTFUL),
    FaultKind.CONTAMINATION: ("ignition_too_early", Verdict.REJECTED),
    FaultKind.OUT_OF_RANGE: ("outside_range", Verdict.REJECTED),
    FaultKind.REPORTED_BIAS: ("recomputed_disagrees", Verdict.REJECTED),
    FaultKind.RAMP_FAST: ("ramp_rate", Verdict.REJECTED),
    FaultKind.RAMP_SLOW: ("ramp_rate", Verdict.REJECTED),
    FaultKind.ZERO_DRIFT: ("transducer_zero", Verdict.REJECTED),
    FaultKind.SAMPLE_FLOW_LOW: ("sample_flow", Verdict.REJECTED),
    FaultKind.AIR_FLOW_LOW: ("air_flow", Verdict.REJECTED),
    FaultKind.BAROMETER_BAD: ("barometer_implausible", Verdict.REJECTED),
    FaultKind.MAINTENANCE: ("maintenance", Verdict.REJECTED),
    FaultKind.CHECK_SAMPLE: ("check_sample", Verdict.REJECTED),
    FaultKind.PRESSURE_STEP: ("not_a_flash", Verdict.REJECTED),
    FaultKind.TRACE_HOLE: ("trace_gaps", Verdict.DOUBTFUL),
    FaultKind.BAROMETER_JUMP: ("barometer_jump", Verdict.DOUBTFUL),
    FaultKind.NOT_CLEANED: ("not_cleaned", Verdict.DOUBTFUL),
    FaultKind.NOT_ZEROED: ("not_zeroed", Verdict.DOUBTFUL),
    FaultKind.ZERO_FIRST: ("phases_wrong", Verdict.DOUBTFUL),
    FaultKind.NOT_PURGED: ("phases_wrong", Verdict.DOUBTFUL),
    FaultKind.START_HOT: ("start_temperature", Verdict.DOUBTFUL),
    FaultKind.PULSE_SLOW: ("pulse_shape", Verdict.REJECTED),
    FaultKind.PICKUP_SPIKE: ("pulse_shape", Verdict.REJECTED),
    FaultKind.SECOND_FLASH: ("second_ignition", Verdict.DOUBTFUL),
    FaultKind.RAMP_UNSTEADY: ("ramp_unsteady", Verdict.DOUBTFUL),
    FaultKind.SENSOR_HELD: ("sensor_frozen", Verdict.REJECTED),
    FaultKind.SENSOR_FROZEN: ("sensor_frozen", Verdict.REJECTED),
    FaultKind.SENSOR_JUMP: ("sensor_jump", Verdict.REJECTED),
    FaultKind.INLET_TEMPERATURE: ("inlet_temperature", Verdict.DOUBTFUL),
    FaultKind.PRESSURE_NOISE: ("pressure_noise", Verdict.DOUBTFUL),
}
BENCH_WITH_LIMITS = {
    "expected_c": 62.0,
    "start_below_expected_c": 20.0,
    "inlet_low_c": 20.0,
    "inlet_high_c": 40.0,
}
STRENGTHS = {
    FaultKind.SENSOR_JUMP: 10.0,
    FaultKind.PRESSURE_NOISE: 3.5,
    FaultKind.BAROMETER_JUMP: 2.5,
    FaultKind.PICKUP_SPIKE: 60.0,
    FaultKind.TORN: 160.0,
    FaultKind.SAMPLE_FLOW_LOW: 0.3,
    FaultKind.AIR_FLOW_LOW: 0.3,
}


@pytest.mark.parametrize("kind", INTENDED, ids=str)
def test_a_fault_is_caught_by_its_rule_and_only_its_cycle_suffers(kind: FaultKind) -> None:
    """In cycle 4 of 8, for five different days: the intended rule speaks, the others pass."""
    rule, verdict = INTENDED[kind]
    for seed in range(5):
        planned = fault(kind, 4, strength=STRENGTHS.get(kind))
        analyzer = bench_analyzer(**BENCH_WITH_LIMITS)
        line = SimulatedLine(SimulatedAnalyzer(seed=seed, faults=[planned]), analyzer, poll_s=1.0)
        judged = list(line.results(8))
        spoiled = [r for r, t in judged if t.sequence == 4]
        assert len(spoiled) == 1, f"seed {seed}"
        assert rule in spoiled[0].reasons, f"seed {seed}: {spoiled[0].findings}"
        assert spoiled[0].verdict is verdict
        for r, t in judged:
            if t.sequence != 4:
                assert r.verdict is not Verdict.REJECTED, f"seed {seed}, {t.sequence}: {r.findings}"


def test_without_a_cycle_number_the_time_names_the_cycle() -> None:
    """Nothing is missed between two times, and short and long cycles are still seen."""
    roles = {r: p for r, p in BENCH_CUP.roles.items() if "number" not in r and "cycle" not in r}
    uncounted = BENCH_CUP.model_copy(update={"roles": roles})
    faults = [fault(FaultKind.CYCLE_TOO_SHORT, 4), fault(FaultKind.CYCLE_TOO_LONG, 6)]
    line = SimulatedLine(SimulatedAnalyzer(seed=1, faults=faults), register_map=uncounted)
    judged = {t.sequence: r for r, t in line.results(8)}
    assert {r.cycle.missed for r in judged.values()} == {0}
    assert judged[4].reasons == ("cycle_too_short",)
    assert judged[6].reasons == ("cycle_too_long",)
    others = {r.verdict for n, r in judged.items() if n not in (4, 6)}
    assert others == {Verdict.ACCEPTED}


def test_no_id_comes_twice_over_a_wrap() -> None:
    """The counter wraps, and every cycle still has a name of its own."""
    line = SimulatedLine(SimulatedAnalyzer(seed=1, start_number=65_533))
    results = [r for r, _ in line.results(6)]
    assert [r.cycle.cycle_number for r in results] == [65_533, 65_534, 65_535, 0, 1, 2]
    assert [r.cycle.epoch for r in results] == [0, 0, 0, 1, 1, 1]
    assert {r.verdict for r in results} == {Verdict.ACCEPTED}


@pytest.mark.parametrize("kind", [FaultKind.CONTAMINATION, FaultKind.OUT_OF_RANGE], ids=str)
def test_a_low_flash_raises_the_alarm_until_an_accepted_cycle(kind: FaultKind) -> None:
    """The rejected cycle raises the alarm; the next accepted one clears it, no doubtful one.

    After a product so light, the rest of it in the cup can make the next cycle doubtful too.
    """
    line = SimulatedLine(SimulatedAnalyzer(seed=2, faults=[fault(kind, 4)]))
    judged = {t.sequence: r for r, t in line.results(6)}
    assert [judged[n].low_flash_alarm for n in (1, 2, 3, 4)] == [False, False, False, True]
    assert judged[5].low_flash_alarm == (judged[5].verdict is not Verdict.ACCEPTED)
    assert judged[6].verdict is Verdict.ACCEPTED
    assert not judged[6].low_flash_alarm
