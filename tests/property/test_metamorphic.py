"""Changes that mean nothing change no verdict; a stronger fault never gives a better one.

No expected value is needed: the relation between two judgements is what is checked.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edgeflash.config.register_map import RegisterMap, RolePlace
from edgeflash.model import Cycle, Floats, Result, Role, Trace, Verdict
from simulators.analyzer import SimulatedAnalyzer
from simulators.cup import CupSettings
from simulators.faults import FaultKind, fault
from tests.bench.faults_cases import BY_NAME, CASES
from tests.property.judged_cycles import Judged, again, judged_cycles, played, spoken
from tests.simulated_line import BENCH_CUP, SimulatedLine

FEW = settings(max_examples=40, deadline=None)
KINDS = st.integers(0, len(judged_cycles()) - 1).map(lambda place: judged_cycles()[place])


def own_trace(cycle: Cycle) -> Trace:
    """The trace of a cycle that must have one."""
    assert cycle.trace is not None
    return cycle.trace


def with_trace(cycle: Cycle, time_s: Floats, temperature_c: Floats, pressure_kpa: Floats) -> Cycle:
    """The cycle with another trace."""
    source = own_trace(cycle).source
    return replace(cycle, trace=Trace(source, time_s, temperature_c, pressure_kpa))


def test_the_cycles_are_what_they_are_meant_to_be() -> None:
    """The clean one is accepted, every other one is not: the tests below compare something."""
    verdicts = {judged.kind: judged.result.verdict for judged in judged_cycles()}
    assert {kind for kind, verdict in verdicts.items() if verdict is Verdict.ACCEPTED} == {"clean"}


@given(judged=KINDS)
@FEW
def test_judging_twice_finds_the_same(judged: Judged) -> None:
    """Bit for bit, findings and figures."""
    first, second = (again(judged, judged.result.cycle) for _ in range(2))
    assert first == second
    assert first.findings == judged.result.findings


@given(judged=KINDS, shift_s=st.floats(0.0, 500.0))
@FEW
def test_the_traces_own_clock_does_not_matter(judged: Judged, shift_s: float) -> None:
    """Seconds from another start."""
    cycle, trace = judged.result.cycle, own_trace(judged.result.cycle)
    shifted = with_trace(cycle, trace.time_s + shift_s, trace.temperature_c, trace.pressure_kpa)
    result = again(judged, shifted)
    assert spoken(result) == spoken(judged.result)
    assert result.published_c == pytest.approx(judged.result.published_c, abs=0.01)


@given(judged=KINDS, offset_kpa=st.floats(-0.5, 0.5))
@FEW
def test_a_small_offset_of_the_transducer_does_not_matter(
    judged: Judged, offset_kpa: float
) -> None:
    """The same in trace, pulse, zero and the zeros before, well within the zero's tolerance."""
    cycle, trace = judged.result.cycle, own_trace(judged.result.cycle)
    moved = with_trace(cycle, trace.time_s, trace.temperature_c, trace.pressure_kpa + offset_kpa)
    zero_kpa = cycle.number_value(Role.TRANSDUCER_ZERO)
    before = cycle.previous
    assert zero_kpa is not None
    assert before is not None
    assert before.transducer_zero_kpa is not None
    pulse = cycle.pulse
    moved = replace(
        moved,
        values={**cycle.values, Role.TRANSDUCER_ZERO: zero_kpa + offset_kpa},
        previous=replace(before, transducer_zero_kpa=before.transducer_zero_kpa + offset_kpa),
        pulse=None
        if pulse is None
        else replace(pulse, pressure_kpa=pulse.pressure_kpa + offset_kpa),
    )
    past = tuple(
        replace(one, zero_kpa=None if one.zero_kpa is None else one.zero_kpa + offset_kpa)
        for one in judged.memory.past
    )
    result = again(judged, moved, replace(judged.memory, past=past))
    assert spoken(result) == spoken(judged.result)
    assert result.published_c == pytest.approx(judged.result.published_c, abs=0.02)


RESAMPLED = (
    None,
    (FaultKind.CONTAMINATION, 0.2),
    (FaultKind.PRODUCT_STEP, 8.0),
    (FaultKind.PRESSURE_STEP, 40.0),
    (FaultKind.SECOND_FLASH, 0.8),
    (FaultKind.SENSOR_HELD, 20.0),
    (FaultKind.REPORTED_BIAS, 4.0),
)


@pytest.mark.parametrize("kind", RESAMPLED, ids=str)
def test_finer_sampling_than_needed_does_not_matter(kind: tuple[FaultKind, float] | None) -> None:
    """A trace of 10 samples a second, and every second one of them, from either place.

    The rules judge decay up to 0.3 s between samples.
    """
    faults = [] if kind is None else [fault(kind[0], 14, strength=kind[1])]
    simulated = SimulatedAnalyzer(seed=11, faults=faults, settings=CupSettings(sample_period_s=0.1))
    line = SimulatedLine(simulated, poll_s=5.0)
    while len(simulated.truths) < 14:
        memory = line.memory
        results = line.poll()
    fine = results[-1]
    trace = own_trace(fine.cycle)
    for place in (0, 1):
        columns = (
            column[place::2] for column in (trace.time_s, trace.temperature_c, trace.pressure_kpa)
        )
        coarse = line.judgement.judge(with_trace(fine.cycle, *columns), memory, fine.judged_at)
        assert spoken(coarse) == spoken(fine)
        assert coarse.published_c == pytest.approx(fine.published_c, abs=0.2)


def _in_other_units(place: RolePlace) -> RolePlace:
    """The same register, declared in °F or psi: raw × scale + offset gives the other unit."""
    if place.unit == "degC":
        update = {"scale": place.scale * 1.8, "offset": place.offset * 1.8 + 32.0, "unit": "degF"}
    elif place.unit in ("kPa", "hPa", "Pa"):
        # 1 psi = 6.894757 kPa (NIST SP 811, from memory)
        psi = {"kPa": 1.0, "hPa": 0.1, "Pa": 0.001}[place.unit] / 6.894757293168361
        update = {"scale": place.scale * psi, "offset": place.offset * psi, "unit": "psi"}
    else:
        return place
    return place.model_copy(update=update)


@pytest.mark.parametrize("seed", range(2))
def test_the_units_of_the_map_do_not_matter(seed: int) -> None:
    """°F and psi in the map, the same cycles, the same verdicts and values in °C."""
    imperial = BENCH_CUP.model_copy(
        update={"roles": {role: _in_other_units(place) for role, place in BENCH_CUP.roles.items()}}
    )
    units = {place.unit for place in imperial.roles.values()}
    assert units.isdisjoint({"degC", "kPa", "hPa", "Pa"})
    metric, other = (_run(register_map, seed) for register_map in (BENCH_CUP, imperial))
    assert [spoken(r) for r in metric] == [spoken(r) for r in other]
    assert len({r.verdict for r in metric}) > 1
    for one, same in zip(metric, other, strict=True):
        assert same.published_c == pytest.approx(one.published_c, abs=1e-3)


def _run(register_map: RegisterMap, seed: int) -> list[Result]:
    faults = [
        fault(FaultKind.WEAK_IGNITION, 3, strength=12.0),
        fault(FaultKind.CONTAMINATION, 5, strength=0.2),
        fault(FaultKind.ZERO_DRIFT, 7, strength=6.0),
        fault(FaultKind.BAROMETER_BAD, 9, strength=70.0),
        fault(FaultKind.OUT_OF_RANGE, 11, strength=15.0),
    ]
    simulated = SimulatedAnalyzer(seed=seed, faults=faults)
    line = SimulatedLine(simulated, poll_s=5.0, register_map=register_map)
    return [result for result, _ in line.results(12)]


@given(order=st.permutations(sorted(BENCH_CUP.roles)))
@settings(max_examples=6, deadline=None)
def test_the_order_of_the_map_does_not_matter(order: list[Role]) -> None:
    """Points in any order in the file give the same results."""
    shuffled = BENCH_CUP.model_copy(
        update={"roles": {role: BENCH_CUP.roles[role] for role in order}}
    )
    assert _run(shuffled, 0) == _ORDERED


_ORDERED = _run(BENCH_CUP, 0)

WORSE = {Verdict.ACCEPTED: 0, Verdict.DOUBTFUL: 1, Verdict.REJECTED: 2}
NOT_GRADED = {
    "early_spike": "its height does not say how wrong the flash point is, and a low one looks weak",
    "contamination_ramp, 3rd cycle": "the second low cycle confirms a new level",
}
GRADED = [case.name for case in CASES if len(case.strengths) > 1 and case.name not in NOT_GRADED]


@pytest.mark.parametrize("name", GRADED)
def test_a_stronger_fault_never_gives_a_better_verdict(name: str) -> None:
    """Same seed, same place, growing strength: accepted, doubtful, rejected, and never back."""
    case = BY_NAME[name]
    for seed in range(2):
        verdicts = []
        for strength in case.strengths:
            result, _ = played(case, strength, seed)
            verdicts.append(2 if result is None else WORSE[result.verdict])
        assert verdicts == sorted(verdicts), f"seed {seed}: {case.strengths} {verdicts}"
