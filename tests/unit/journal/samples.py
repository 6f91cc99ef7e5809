"""Made results for the tests of journal and history. Invented analyzers and products."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

import numpy as np

from edgeflash.journal import Entry
from edgeflash.model import (
    Assessment,
    CheckResult,
    Computed,
    Continuity,
    Cycle,
    CycleSource,
    Declared,
    Finding,
    InputReading,
    Phase,
    PreviousResult,
    Pulse,
    Result,
    Role,
    Severity,
    Span,
    Trace,
    TraceSource,
    Verdict,
)

START = datetime(2026, 4, 30, 22, 0, tzinfo=UTC)
CYCLE = timedelta(minutes=4)

_VERDICTS = (Verdict.ACCEPTED, Verdict.ACCEPTED, Verdict.DOUBTFUL, Verdict.REJECTED)
_WEAK = Finding(301, "ignition_weak", Severity.DOUBT, "The peak is 1.2 kPa.", 1.2, 2.0, "kPa")
_TORN = Finding(103, "torn_read", Severity.REJECT, "The record moved on; read again.")
_FINDINGS = {Verdict.ACCEPTED: (), Verdict.DOUBTFUL: (_WEAK,), Verdict.REJECTED: (_TORN, _WEAK)}


def entries_of(results: Iterable[Result]) -> list[Entry]:
    """The results as a journal made at START would hold them."""
    return [Entry(seq, result, START) for seq, result in enumerate(results, start=1)]


def sample_trace(number: int, samples: int = 60) -> Trace:
    """A ramp with a pressure pulse and some noise, the same for the same number."""
    noise = np.random.default_rng(number)
    time_s = np.arange(samples) * 0.5
    temperature_c = 45.0 + 5.5 / 60.0 * time_s + noise.normal(0, 0.02, samples)
    pressure_kpa = noise.normal(0, 0.03, samples) + 8.0 * np.exp(-(((time_s - 25) / 0.7) ** 2))
    return Trace(TraceSource.BLOCK, time_s, temperature_c, pressure_kpa)


def sample_pulse(number: int, samples: int = 40) -> Pulse:
    """A rise and a decay, 1 ms a sample; the same for the same number."""
    noise = np.random.default_rng(number)
    time_s = np.arange(samples) * 0.001
    return Pulse(
        0.001, noise.normal(0, 0.03, samples) + 8.0 * np.exp(-(((time_s - 0.02) / 0.004) ** 2))
    )


def sample_result(
    number: int,
    analyzer: str = "fp-101",
    *,
    epoch: int = 0,
    verdict: Verdict | None = None,
    finished_at: datetime | None = None,
    trace: Trace | None = None,
    with_trace: bool = True,
    pulse: Pulse | None = None,
) -> Result:
    """Cycle `number` of an analyzer that makes one every four minutes from START."""
    finished = finished_at or START + number * CYCLE
    verdict = verdict or _VERDICTS[number % 4]
    flash_c = 62.0 + (number % 7) * 0.1
    cycle = Cycle(
        analyzer=analyzer,
        epoch=epoch,
        cycle_number=number,
        source=CycleSource.LIVE,
        continuity=Continuity.NEXT,
        missed=0,
        finished_at=finished,
        values={
            Role.FLASH_POINT: flash_c,
            Role.CYCLE_NUMBER: number,
            Role.RESULT_TIME: finished,
            Role.PHASE: Phase.PURGE,
            Role.IGNITION_SEEN: True,
            Role.STREAM: "blend header",
            Role.FAULT_BITS: ("low_sample_flow", "door_open"),
            Role.BAROMETRIC_PRESSURE: None,
        },
        trace=trace or (sample_trace(number) if with_trace else None),
        duration_s=240.0,
        longest_gap_s=1.02,
        phases=(Phase.CLEAN, Phase.ZERO, Phase.HEAT, Phase.FLASHED, Phase.PURGE),
        faults_seen=("low_sample_flow",),
        spans={Role.SAMPLE_FLOW: Span(38.0, 42.0, 40.1, 40.0, 240)},
        previous=PreviousResult(
            epoch, number - 1, flash_c, finished - CYCLE, finished - CYCLE, 0.0, 99.3
        ),
        pulse=pulse,
        streams=(2,),
        on_stream_s=910.5,
        clock_ahead_s=-0.4,
        alive_stuck_s=1.02,
        declared=(Declared.MAINTENANCE,),
    )
    return Result(
        cycle=cycle,
        computed=Computed(
            reported_c=flash_c,
            recomputed_c=flash_c + 0.2,
            corrected_c=flash_c + 0.5,
            basis="reported",
            correction_c=0.5,
            barometer_kpa=99.3,
            ignition_count=1,
            peak_kpa=8.0,
            unsteadiness_c=0.03,
            rise_s=0.012,
            decay_s=0.9,
            trace_digest=0xCBF43926,
        ),
        findings=_FINDINGS[verdict],
        verdict=verdict,
        published_c=None if verdict is Verdict.REJECTED else flash_c + 0.5,
        low_flash=False,
        low_flash_alarm=number % 10 == 0,
        sampled_at=finished - timedelta(seconds=75),
        judged_at=finished + timedelta(seconds=1),
        product="diesel-b7",
        rules_version="2026.1",
        assessment=Assessment(2, 55.0, flash_c + 0.5 - 55.0, 0.999, "category 3", 61.8),
        inputs=(InputReading("grade", 4.0, True, 12.5),),
        checks=(CheckResult(epoch, 0, START, 62.1, 62.0),),
    )
