"""A sound cycle, and how to spoil one thing about it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from edgeflash.flash.compute import compute
from edgeflash.model import (
    Continuity,
    Cycle,
    CycleSource,
    Finding,
    Phase,
    PreviousResult,
    Result,
    Role,
    Span,
)
from edgeflash.publication import LinkState
from edgeflash.rules.catalogue import BY_NAME
from edgeflash.rules.judge import standing_findings
from edgeflash.rules.judgement import Judgement
from edgeflash.rules.memory import EMPTY, Memory
from edgeflash.rules.rule import Breach, CycleContext, LiveContext
from edgeflash.rules.tuning import rulebook
from tests.simulated_line import BENCH_CUP, GAS_OIL, bench_analyzer
from tests.unit.flash.traces import trace

AT = datetime(2026, 5, 1, 12, 0, tzinfo=UTC)
BEFORE = PreviousResult(0, 41, 61.7, AT - timedelta(seconds=170), AT, transducer_zero_kpa=0.1)

SOUND = Cycle(
    analyzer="kestrel-1",
    epoch=0,
    cycle_number=42,
    source=CycleSource.LIVE,
    continuity=Continuity.NEXT,
    missed=0,
    finished_at=AT,
    values={
        Role.CYCLE_NUMBER: 42,
        Role.FLASH_POINT: 62.0,
        Role.RESULT_TIME: AT,
        Role.IGNITION_SEEN: True,
        Role.PEAK_PRESSURE: 90.0,
        Role.START_TEMPERATURE: 42.0,
        Role.HEATING_RATE: 10.0,
        Role.SPARK_COUNT: 60,
        Role.BAROMETRIC_PRESSURE: 100.5,
        Role.TRANSDUCER_ZERO: 0.1,
        Role.SAMPLE_FLOW: 60.0,
        Role.AIR_FLOW: 250.0,
    },
    trace=trace(
        flash_s=120.0,
        length_s=122.5,
        start_c=42.0,
        lag_s=3.0,
        temperature_noise_c=0.05,
        pressure_noise_kpa=0.3,
    ),
    duration_s=172.0,
    longest_gap_s=1.0,
    phases=(Phase.CLEAN, Phase.ZERO, Phase.HEAT, Phase.FLASHED, Phase.PURGE),
    previous=BEFORE,
)
"""Flashes at 62.0 °C: 42 °C + 10 °C/min × 2 min, read by a sensor that lags 3 s."""


def spoiled(values: dict[Role, Any] | None = None, **changes: Any) -> Cycle:
    """The sound cycle with other values or fields."""
    return replace(SOUND, values={**SOUND.values, **(values or {})}, **changes)


def context(cycle: Cycle, **analyzer_changes: Any) -> CycleContext:
    """The cycle with its computation, for the bench analyzer with changes."""
    analyzer = bench_analyzer(**analyzer_changes)
    return CycleContext(cycle, compute(cycle, analyzer), analyzer, BENCH_CUP, GAS_OIL)


def judgement(**analyzer_changes: Any) -> Judgement:
    """The bench analyzer's judgement, with changes."""
    return Judgement(bench_analyzer(**analyzer_changes), BENCH_CUP, {"gas-oil": GAS_OIL})


def found(cycle: Cycle, memory: Memory = EMPTY, **analyzer_changes: Any) -> dict[str, Finding]:
    """What the rules say of a cycle, by rule name."""
    return {f.rule: f for f in judged(cycle, memory, **analyzer_changes).findings}


def judged(cycle: Cycle, memory: Memory = EMPTY, **analyzer_changes: Any) -> Result:
    """The cycle's result."""
    return judgement(**analyzer_changes).judge(cycle, memory, AT)


def asked(
    rule: str,
    cycle: Cycle = SOUND,
    computed: dict[str, Any] | None = None,
    parameters: dict[str, float] | None = None,
    seen: dict[str, Any] | None = None,
    **analyzer_changes: Any,
) -> Breach | None:
    """What one rule alone says.

    computed: other computed figures than the cycle's own. parameters: other than the defaults.
    seen: other fields of the context.
    """
    made = context(cycle, **analyzer_changes)
    made = replace(made, computed=replace(made.computed, **(computed or {})), **(seen or {}))
    declared = BY_NAME[rule]
    assert declared.on_cycle is not None
    assert set(parameters or {}) <= set(declared.defaults)
    return declared.on_cycle(made, {**declared.defaults, **(parameters or {})})


def level(low: float) -> Span:
    """A live quantity that stood still during the cycle."""
    return Span(low, low, low, low, 50)


def moment(**changes: Any) -> LiveContext:
    """A moment in which all is well but for the changes."""
    well = LiveContext(
        analyzer=bench_analyzer(),
        register_map=BENCH_CUP,
        link=LinkState.UP,
        link_sentence="connected",
        since_scan_s=0.5,
        since_result_s=100.0,
        live={Role.PHASE: Phase.HEAT, Role.FAULT_BITS: ()},
        storage_fault="",
    )
    return replace(well, **changes)


def standing(**changes: Any) -> list[str]:
    """The rules that speak about that moment."""
    book = rulebook(bench_analyzer())
    return [s.finding.rule for s in standing_findings(moment(**changes), book)]
