"""From scans to cycles: what is kept, what is counted, and when a result was made."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from edgeflash.cycles.assembler import Assembler, previous_of
from edgeflash.model import (
    Continuity,
    Cycle,
    CycleBody,
    CycleSource,
    Phase,
    RecentResult,
    Role,
    Scalar,
    Scan,
    TraceSource,
)

START = datetime(2026, 5, 1, 12, 0, tzinfo=UTC)
SPAN = (0, 65_535)


def at(second: float) -> datetime:
    """UTC at a second of the test's clock."""
    return START + timedelta(seconds=second)


def body(number: int, second: float, flash_c: float = 62.0, torn: bool = False) -> CycleBody:
    """A finished cycle as the analyzer stamps it."""
    values = {
        Role.CYCLE_NUMBER: number,
        Role.FLASH_POINT: flash_c,
        Role.RESULT_TIME: at(second),
        Role.SAMPLE_FLOW: 59.0,
    }
    return CycleBody(number, values, torn=torn)


def scan(
    second: float,
    finished: CycleBody | None = None,
    recent: tuple[RecentResult, ...] = (),
    **live: Scalar,
) -> Scan:
    """One reading at a second of both clocks."""
    values = {Role(name): value for name, value in live.items()}
    return Scan("kestrel-1", at(second), second, values, finished, recent)


def assembled(scans: list[Scan], assembler: Assembler | None = None) -> list[Cycle]:
    """Every cycle of the scans."""
    taking = assembler or Assembler("kestrel-1", SPAN)
    return [cycle for one in scans for cycle in taking.take(one)]


def test_a_cycle_carries_what_was_seen_while_it_ran() -> None:
    """Phases, faults and flows belong to the cycle that was running, not to the next one."""
    first, second = assembled(
        [
            scan(0, body(1, 0)),
            scan(1, phase=Phase.CLEAN, fault_bits=()),
            scan(2, phase=Phase.HEAT, fault_bits=("sample_flow_low",), sample_flow=40.0),
            scan(3, phase=Phase.HEAT, fault_bits=(), sample_flow=60.0),
            scan(4, phase=Phase.PURGE, fault_bits=(), sample_flow=900.0),
            scan(5, body(2, 5), phase=Phase.MAINTENANCE, fault_bits=("heater_fault",)),
        ]
    )
    assert first.continuity is Continuity.FIRST
    assert second.phases == (Phase.CLEAN, Phase.HEAT, Phase.PURGE)
    assert second.faults_seen == ("sample_flow_low",)
    assert (second.spans[Role.SAMPLE_FLOW].mean, second.spans[Role.SAMPLE_FLOW].count) == (50.0, 2)
    assert second.duration_s == 5.0
    assert second.longest_gap_s == 1.0


def test_the_ring_fills_a_break() -> None:
    """Cycles finished while the link was down come from the ring, in order, before the live one."""
    ring = tuple(RecentResult(n, 60.0 + n, at(170 * n)) for n in range(1, 6))
    cycles = assembled([scan(170, body(1, 170)), scan(860, body(5, 850), ring)])
    assert [(c.cycle_number, c.source) for c in cycles] == [
        (1, CycleSource.LIVE),
        (2, CycleSource.RING),
        (3, CycleSource.RING),
        (4, CycleSource.RING),
        (5, CycleSource.LIVE),
    ]
    assert [c.missed for c in cycles] == [0] * 5
    assert [c.finished_at for c in cycles[1:4]] == [at(340), at(510), at(680)]


def test_a_ring_without_times_goes_by_number() -> None:
    """Over the wrap too, and in the order of counting whatever the order of the ring."""
    ring = tuple(RecentResult(n, 61.0, None) for n in (1, 65_535, 0))
    cycles = assembled([scan(170, body(65_534, 170)), scan(860, body(2, 850), ring)])
    assert [c.cycle_number for c in cycles] == [65_534, 65_535, 0, 1, 2]
    assert [c.epoch for c in cycles] == [0, 0, 1, 1, 1]


def test_two_runs_of_a_counter_in_one_ring_are_told_apart_by_time() -> None:
    """A restart counted again through numbers that the ring still holds from before."""
    ring = (
        RecentResult(2, 61.0, at(170)),
        RecentResult(0, 61.1, at(340)),
        RecentResult(1, 61.2, at(510)),
    )
    cycles = assembled([scan(0, body(1, 0)), scan(680, body(2, 680), ring)])
    assert [(c.epoch, c.cycle_number) for c in cycles] == [(0, 1), (0, 2), (1, 0), (1, 1), (1, 2)]


def test_what_the_ring_no_longer_holds_is_counted() -> None:
    """The gap before the ring's oldest entry is stated with the first cycle after it."""
    ring = tuple(RecentResult(n, 61.0, at(170 * n)) for n in (8, 9))
    cycles = assembled([scan(170, body(1, 170)), scan(1700, body(10, 1700), ring)])
    assert [(c.cycle_number, c.continuity, c.missed) for c in cycles[1:]] == [
        (8, Continuity.SKIP, 6),
        (9, Continuity.NEXT, 0),
        (10, Continuity.NEXT, 0),
    ]


def test_the_ring_tells_a_restart_that_counted_past_the_old_number() -> None:
    """After a counter reset the ring holds both runs; each cycle lands in its own epoch."""
    ring = (
        RecentResult(41, 61.0, at(170)),
        RecentResult(0, 61.1, at(340)),
        RecentResult(1, 61.2, at(510)),
    )
    cycles = assembled([scan(0, body(40, 0)), scan(680, body(2, 680), ring)])
    assert [(c.epoch, c.cycle_number) for c in cycles] == [(0, 40), (0, 41), (1, 0), (1, 1), (1, 2)]


def test_counting_goes_on_after_a_restart_of_the_gateway() -> None:
    """The same body is no new cycle; the next one follows the one in the journal."""
    before = assembled([scan(0, body(7, 0))])[0]
    assembler = Assembler("kestrel-1", SPAN, previous_of(before))
    cycles = assembled([scan(60, body(7, 0)), scan(170, body(8, 170))], assembler)
    assert [(c.cycle_number, c.continuity, c.duration_s) for c in cycles] == [
        (8, Continuity.NEXT, 170.0)
    ]


def test_a_result_found_after_a_break_is_as_old_as_its_stamp() -> None:
    """Fifty minutes old when the link comes back: it never looks fresh."""
    cycles = assembled([scan(0, body(1, 0)), scan(1, None), scan(3600, body(2, 600))])
    assert cycles[1].finished_at == at(600)


def test_an_analyzer_clock_that_is_off_is_learned_and_taken_off() -> None:
    """Watched results tell the difference of the clocks; after a break it is used."""
    fast_s = 7200.0
    cycles = assembled(
        [
            scan(0, body(1, 0 + fast_s)),
            scan(169, None),
            scan(170, body(2, 169.5 + fast_s)),
            scan(171, None),
            scan(1000, body(3, 340 + fast_s)),
        ]
    )
    assert cycles[1].finished_at == at(170)
    assert abs((cycles[2].finished_at - at(340.5)).total_seconds()) < 1.0


def test_a_stamp_in_the_future_is_never_believed() -> None:
    """After a break the result is then as old as it can be: as the last reading before it."""
    first, later = assembled([scan(0, body(1, 9999)), scan(1), scan(3000, body(2, 99_999))])
    assert (first.finished_at, first.is_time_known) == (at(0), False)
    assert (later.finished_at, later.is_time_known) == (at(1), False)


def test_the_difference_of_the_clocks_outlives_a_restart() -> None:
    """Two hours fast, and an hour off: the result found is 50 min old, not from the future."""
    before = assembled([scan(0), scan(1, body(7, 1 + 7200))])[0]
    assert before.finished_at == at(1)
    assembler = Assembler("kestrel-1", SPAN, previous_of(before))
    [found] = assembled([scan(3600, body(8, 600 + 7200))], assembler)
    assert (found.finished_at, found.is_time_known) == (at(600), True)


def test_what_was_seen_of_a_lost_cycle_is_not_anothers() -> None:
    """A check sample whose result was missed does not make the next cycle one."""
    seen = [scan(0), scan(1, body(1, 1)), scan(2, phase=Phase.CHECK_SAMPLE)]
    cycles = assembled([*seen, scan(340, body(3, 339), phase=Phase.IDLE)])
    assert (cycles[-1].missed, cycles[-1].phases) == (1, ())


def test_fault_bits_of_the_result_come_with_it() -> None:
    """A map that has them for the last result only: not read live, so the body's count."""
    failed = body(2, 5)
    failed = CycleBody(2, {**failed.values, Role.FAULT_BITS: ("heater_fault",)})
    cycles = assembled([scan(0), scan(1, body(1, 1)), scan(3, phase=Phase.HEAT), scan(5, failed)])
    assert [c.faults_seen for c in cycles] == [(), ("heater_fault",)]


def test_the_time_from_the_end_of_heating_is_kept() -> None:
    """The purge lies between the flash and the result: the sample is that much older."""
    phases = [(2, Phase.HEAT), (3, Phase.HEAT), (4, Phase.FLASHED), (5, Phase.PURGE)]
    scans = [scan(0), scan(1, body(1, 1)), *(scan(s, phase=p) for s, p in phases)]
    assert assembled([*scans, scan(9, body(2, 9))])[-1].after_heating_s == 5.0


def test_without_a_trace_block_the_live_values_make_the_trace() -> None:
    """Polled samples of the heating phase, on the time of the scans."""
    scans = [scan(0, body(1, 0))]
    scans += [
        scan(s, phase=Phase.HEAT, sample_temperature=40.0 + s, cell_pressure=0.1 * s)
        for s in range(1, 6)
    ]
    scans += [scan(6, body(2, 6), phase=Phase.PURGE)]
    cycles = assembled(scans, Assembler("kestrel-1", SPAN, keep_samples=True))
    trace = cycles[1].trace
    assert trace is not None
    assert trace.source is TraceSource.POLLED
    assert trace.time_s.tolist() == [0.0, 1.0, 2.0, 3.0, 4.0]
    assert trace.temperature_c.tolist() == [41.0, 42.0, 43.0, 44.0, 45.0]
