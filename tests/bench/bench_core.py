"""The pure core on one finished cycle, stage by stage, beside numpy medians of the same trace.

Run `python -m tests.bench.bench_core`; `--profile` adds where the time goes. The unit is one
`np.median` over each of the trace's three arrays: about the least that looking at the trace once
can cost. The link's row decodes the registers of the cycle, trace included, without a transport.
"""

from __future__ import annotations

import cProfile
import pstats
import struct
import sys
from collections.abc import Callable, Generator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from statistics import median
from typing import TypeVar

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np

from edgeflash.config.register_map import RegisterMap
from edgeflash.cycles.assembler import Assembler
from edgeflash.flash.compute import LIMITS, RAMP_WINDOW_S, compute
from edgeflash.flash.ignition import find_ignitions, moving_baseline
from edgeflash.flash.ramp import fit_ramp
from edgeflash.links.plan import Block
from edgeflash.links.reading import Mark, ReadingState, prepare, scan_steps
from edgeflash.model import Cycle, CycleBody, Phase, Result, Role, Scalar, Scan, Trace
from edgeflash.rules.judgement import Judgement
from edgeflash.rules.memory import Memory
from tests.bench.report import heading, in_turn, ratio, table
from tests.simulated_line import BENCH_CUP, GAS_OIL, bench_analyzer
from tests.unit.flash.traces import trace
from tests.unit.rules.contexts import AT, SOUND

SAMPLES = (490, 3000)
"""Samples of a trace: as the bench cup records it, and as a fine one."""

HEAT_S = 122.5
LIVE_SCANS = 172
"""Polls of one a second in a cycle of SOUND's length."""

ROUNDS, CALLS = 15, 5
PROFILED = 40
TRACE_ADDRESSES = {
    Role.TRACE_TIME: 10_000,
    Role.TRACE_TEMPERATURE: 20_000,
    Role.TRACE_PRESSURE: 30_000,
}
HUNDREDTHS = 100.0
"""The bench cup's trace registers count hundredths of s, °C and kPa."""

T = TypeVar("T")


def sound_trace(samples: int) -> Trace:
    """SOUND's trace at a finer sampling: flashes at 62.0 °C, 120 s after the start."""
    found = trace(
        flash_s=120.0,
        length_s=HEAT_S,
        interval_s=HEAT_S / samples,
        start_c=42.0,
        lag_s=3.0,
        temperature_noise_c=0.05,
        pressure_noise_kpa=0.3,
    )
    return Trace(
        found.source,
        found.time_s[:samples],
        found.temperature_c[:samples],
        found.pressure_kpa[:samples],
    )


def long_trace_map(samples: int) -> RegisterMap:
    """The bench cup's map with room for so many samples."""
    roles = dict(BENCH_CUP.roles)
    for role, address in TRACE_ADDRESSES.items():
        roles[role] = roles[role].model_copy(update={"address": address, "count": samples})
    header = BENCH_CUP.map.model_copy(update={"forbidden": ()})
    return RegisterMap(map=header, roles=roles)


def registers(found: Trace, number: int) -> dict[int, int]:
    """The input registers of a bench cup that has just finished this cycle."""
    words = {20: number, 1000: number, 1001: len(found)}
    words[22], words[23] = struct.unpack(">HH", struct.pack(">I", int(AT.timestamp())))
    words[25], words[24] = struct.unpack(">HH", struct.pack(">f", 62.0))
    columns = (found.time_s, found.temperature_c, found.pressure_kpa)
    for address, column in zip(TRACE_ADDRESSES.values(), columns, strict=True):
        raw = np.round(column * HUNDREDTHS).astype(int).tolist()
        words |= {address + place: value & 0xFFFF for place, value in enumerate(raw)}
    return words


def played(steps: Generator[Block, list[int], T], words: dict[int, int]) -> T:
    """The outcome of the link's steps against registers in memory."""
    try:
        block = next(steps)
        while True:
            block = steps.send([words.get(at, 0) for at in range(block.address, block.end)])
    except StopIteration as done:
        outcome: T = done.value
        return outcome


@dataclass
class Core:
    """One analyzer's core, fed with the same cycle under ever new numbers."""

    samples: int

    def __post_init__(self) -> None:
        self.analyzer = bench_analyzer()
        self.trace = sound_trace(self.samples)
        self.judgement = Judgement(self.analyzer, BENCH_CUP, {"gas-oil": GAS_OIL})
        self.number, self.at = 0, AT
        self.assembler = Assembler(self.analyzer.id, BENCH_CUP.counter_span)
        self.live: dict[Role, Scalar] = {
            Role.PHASE: Phase.HEAT,
            Role.SAMPLE_FLOW: 60.0,
            Role.AIR_FLOW: 250.0,
            Role.SAMPLE_INLET_TEMPERATURE: 30.0,
            Role.CELL_TEMPERATURE: 50.0,
            Role.BAROMETRIC_PRESSURE: 100.5,
            Role.FAULT_BITS: (),
        }
        map_of_trace = long_trace_map(self.samples)
        self.reading = prepare(self.analyzer.id, map_of_trace)
        self.words = registers(self.trace, 42)
        self.next_cycle()  # the first one has no predecessor; judge an ordinary one
        self.cycle = self.next_cycle()
        self.computed = compute(self.cycle, self.analyzer)

    def scan(self, body: CycleBody | None = None) -> Scan:
        """The next poll, a second after the last."""
        self.at += timedelta(seconds=1)
        mono_s = (self.at - AT).total_seconds()
        return Scan(self.analyzer.id, self.at, mono_s, self.live, body)

    def read(self) -> Scan:
        """The link's part: registers to a scan with body and trace."""
        state = ReadingState(Mark(41, AT), ring_due=False)
        return played(scan_steps(self.reading, state, AT, 0.0), self.words)[0]

    def watch(self) -> None:
        """The live scans of one cycle through the assembler."""
        for _ in range(LIVE_SCANS):
            self.assembler.take(self.scan())

    def finish(self) -> Cycle:
        """The scan that finishes a cycle through the assembler."""
        self.number = self.number % BENCH_CUP.counter_span[1] + 1
        stamped: datetime = self.at + timedelta(seconds=1)
        values = {**SOUND.values, Role.CYCLE_NUMBER: self.number, Role.RESULT_TIME: stamped}
        (cycle,) = self.assembler.take(self.scan(CycleBody(self.number, values, self.trace)))
        return cycle

    def next_cycle(self) -> Cycle:
        """A cycle watched from start to end."""
        self.watch()
        cycle = self.finish()
        return replace(cycle, phases=SOUND.phases)

    def judge(self) -> Result:
        """Computation and rules on the cycle."""
        return self.judgement.judge(self.cycle, Memory(), self.at)

    def whole(self) -> Result:
        """Assembler and judging on one cycle."""
        self.cycle = self.next_cycle()
        return self.judge()

    def medians(self) -> None:
        """The unit: one look at the three arrays."""
        for column in (self.trace.time_s, self.trace.temperature_c, self.trace.pressure_kpa):
            np.median(column)

    def works(self) -> dict[str, Callable[[], object]]:
        """Every stage by name; the parts of a stage are indented."""
        onset_s = self.computed.ignition_time_s
        assert onset_s is not None
        time_s, temperature_c = self.trace.time_s, self.trace.temperature_c
        return {
            "unit: np.median of the 3 arrays": self.medians,
            "link: registers to scan": self.read,
            f"assembler: {LIVE_SCANS} live scans": self.watch,
            "assembler: finishing scan": self.finish,
            "computation": lambda: compute(self.cycle, self.analyzer),
            "  find_ignitions": lambda: find_ignitions(self.trace, LIMITS, 90.0),
            "    moving_baseline": lambda: moving_baseline(self.trace.pressure_kpa),
            "  fit_ramp": lambda: fit_ramp(time_s, temperature_c, onset_s, RAMP_WINDOW_S),
            "rules": self.judge,
            "assembler + computation + rules": self.whole,
        }


def checked(core: Core) -> None:
    """Stops the bench when the core does not do its work: then its speed means nothing."""
    result, scan = core.whole(), core.read()
    assert result.computed.recomputed_c is not None
    assert abs(result.computed.recomputed_c - 62.0) < 0.3, result.computed
    assert result.reasons == (), result.findings
    assert scan.body is not None
    assert scan.body.trace is not None
    assert len(scan.body.trace) == core.samples


def measure(samples: int) -> None:
    """Prints the stages for a trace of so many samples."""
    core = Core(samples)
    checked(core)
    seconds = in_turn(core.works(), ROUNDS, CALLS)
    unit = next(iter(seconds.values()))
    print(f"a trace of {samples} samples, medians of {ROUNDS} rounds of {CALLS} cycles:")
    table(
        ("stage", "CPU µs a cycle", "cycles/s", "units"),
        [
            (name, f"{median(s) * 1e6:.0f}", f"{1 / median(s):.0f}", f"{ratio(s, unit):.2f}")
            for name, s in seconds.items()
        ],
    )


def profile(samples: int) -> None:
    """Prints where the time goes, link's decoding included."""
    core = Core(samples)
    profiler = cProfile.Profile()
    with profiler:
        for _ in range(PROFILED):
            core.read()
            core.whole()
    print(f"profile of {PROFILED} cycles of {samples} samples; the profiler slows small calls most")
    pstats.Stats(profiler).strip_dirs().sort_stats("tottime").print_stats(25)


def main() -> None:
    """Measures; with --profile, profiles too."""
    heading("core: from a finished cycle's registers to its verdict")
    for samples in SAMPLES:
        measure(samples)
    if "--profile" in sys.argv[1:]:
        profile(SAMPLES[-1])


if __name__ == "__main__":
    main()
