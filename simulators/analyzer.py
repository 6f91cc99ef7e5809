"""The simulated analyzer: stream, cup and firmware put together and stepped in simulated time."""

from __future__ import annotations

import copy
import json
import math
import zlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np

from simulators.cup import Cup, CupSettings
from simulators.cycle import CycleStart, Phase, run_cycle
from simulators.faults import ActiveFaults, Chances, Fault, FaultKind, FaultPlan, plan_of
from simulators.firmware import Result, fault_bits, report, trace_of
from simulators.fuel import Fuel, flash_point_c, product
from simulators.pulse import pulse_of
from simulators.registers import Live, RegisterImage, result_words
from simulators.stream import STANDARD_KPA, Feed

SIMULATED_EPOCH_S = 1_767_225_600.0  # 2026-01-01T00:00:00Z, the clock when none is given
DEFAULT_FLASH_C = 62.0
LOWEST_BAROMETER_KPA, HIGHEST_BAROMETER_KPA = 98.5, 103.0
BAROMETER_STEP_KPA = 0.03  # per cycle
ZERO_STEP_KPA = 0.05  # per cycle


@dataclass(frozen=True, slots=True)
class Truth:
    """What really happened in one finished cycle, beside what the device reported."""

    analyzer: str
    sequence: int  # 1 for the first cycle of this simulated analyzer
    cycle_number: int  # the number the device shows for it
    started_at: str  # ISO UTC
    finished_at: str
    faults: tuple[Fault, ...]
    true_flash_equilibrium_c: float  # of the cup's contents at the cup's pressure
    true_flash_standard_c: float  # of the cup's contents at 101.325 kPa
    true_lit_temperature_c: float | None  # true sample temperature at the lighting spark
    true_lit_time_s: float | None  # trace time of that spark
    true_peak_kpa: float | None
    true_rate_c_per_min: float
    true_barometer_kpa: float
    spark_interval_s: float
    sparks: int
    expected_c: float
    reported_c: float | None
    ignition_seen: bool
    cycle_length_s: float
    published: bool  # False when the device lost the result

    def to_json(self) -> str:
        """One JSON line without its end."""
        values = {name: getattr(self, name) for name in self.__slots__}
        values["faults"] = [
            {"kind": str(one.kind), "strength": one.strength} for one in self.faults
        ]
        return json.dumps(values, allow_nan=False)


class SimulatedAnalyzer:
    """One analyzer in simulated seconds; the same seed and arguments give the same truth.

    clock: gives UTC seconds since 1970 when a cycle starts and finishes; by default it follows
    simulated time from 2026-01-01. fuel: what flows in the stream at the start; it drifts
    unless drifting is False. start_number: cycle number of the first result. stream: the number
    of the stream with that fuel; others: fuels of the streams it can be switched to;
    transport_lag_s: from the switch until their sample arrives.
    """

    def __init__(
        self,
        name: str = "kestrel-1",
        *,
        seed: int = 0,
        faults: FaultPlan | Iterable[Fault] = (),
        fuel: Fuel | None = None,
        start_number: int = 1,
        settings: CupSettings | None = None,
        clock: Callable[[], float] | None = None,
        drifting: bool = True,
        stream: int = 1,
        others: Mapping[int, Fuel] | None = None,
        transport_lag_s: float = 0.0,
    ) -> None:
        self.name = name
        self.settings = settings or CupSettings()
        self.plan = plan_of(faults)
        self.simulated_s = 0.0
        self.truths: list[Truth] = []
        self.on_truth: Callable[[Truth], None] | None = None
        self._seed: tuple[int, ...] = (seed, zlib.crc32(name.encode()))
        self._rng = np.random.default_rng(self._seed)
        self._clock = clock
        self._feed = Feed(
            {**(others or {}), stream: fuel or product(DEFAULT_FLASH_C)},
            stream,
            self.settings,
            drifting=drifting,
            transport_lag_s=transport_lag_s,
        )
        self._barometer_kpa = float(self._rng.uniform(100.0, 102.0))
        self._zero_kpa = float(self._rng.normal(0.0, 0.2))
        expected_c = self._feed.expected_c()
        self._cup = Cup(self.settings, expected_c - self.settings.start_below_expected_c)
        self._next_number = start_number & 0xFFFF
        self._last_number = (start_number - 1) & 0xFFFF
        self._last_result: Result | None = None
        self._alive_from_s = 0.0
        self._torn_until_s = 0.0
        self.sequence = 0
        self.image = RegisterImage(
            (
                round(self.settings.ramp_c_per_min * 100),
                round(self.settings.spark_interval_s * 100),
                round(expected_c * 10),
            )
        )
        self._begin()
        self._show_live()

    def advance(self, dt_s: float) -> list[Truth]:
        """Moves on by simulated seconds; returns the cycles that finished on the way."""
        if dt_s < 0.0:
            raise ValueError(f"simulated time only moves forward, got {dt_s} s")
        finished = []
        end_s = self.simulated_s + dt_s
        while self._ends_s <= end_s:
            finished.append(self.advance_to_next_result())
        self.simulated_s = end_s
        self._show_live()
        return finished

    def advance_to_next_result(self) -> Truth:
        """Moves to the end of the running cycle; the result is then in the registers."""
        self.simulated_s = self._ends_s
        self._mend_if_due()
        truth = self._finish()
        self._begin()
        self._show_live()
        self.truths.append(truth)
        if self.on_truth is not None:
            self.on_truth(truth)
        return truth

    def fork(self, seed: int, faults: FaultPlan | Iterable[Fault]) -> SimulatedAnalyzer:
        """A copy in the same state that goes on by its own chance and with its own faults.

        So many cycles can follow one and the same past.
        """
        made = copy.copy(self)
        made.plan = plan_of(faults)
        made.truths, made.image = list(self.truths), self.image.copy()
        made._feed, made._cup = copy.copy(self._feed), copy.copy(self._cup)
        made._seed = (*self._seed, seed)
        made._rng = np.random.default_rng(made._seed)
        made._live_rng = np.random.default_rng(seed)
        return made

    @property
    def left_s(self) -> float:
        """Simulated seconds until the running cycle ends."""
        return self._ends_s - self.simulated_s

    @property
    def phase(self) -> Phase:
        """Phase at this instant."""
        return Phase(int(self._record.phases[self._index()]))

    def _now_s(self) -> float:
        return SIMULATED_EPOCH_S + self.simulated_s if self._clock is None else self._clock()

    def _begin(self) -> None:
        self.sequence += 1
        faults = self.plan.active(self.sequence)
        self._started_at_s = self._now_s()
        self._began_s = self.simulated_s
        self._walk()
        expected_c = self._feed.fill(self.simulated_s, faults)
        zero_kpa = self._zero_kpa + faults.strength(FaultKind.ZERO_DRIFT, 0.0)
        self._start = CycleStart(
            fuel=self._feed.contents,
            barometer_kpa=self._barometer_kpa,
            zero_kpa=zero_kpa + faults.grown(FaultKind.ZERO_CREEP),
            expected_c=expected_c,
            faults=faults,
            chances=Chances.of_cycle((*self._seed, self.sequence)),
        )
        self._record = run_cycle(self._cup, self._start, self._rng)
        self._result = report(self.settings, self._start, self._record, self._rng)
        self._live_rng = np.random.default_rng(int(self._rng.integers(2**62)))
        self._ends_s = self._began_s + self._record.samples * self.settings.sample_period_s
        if FaultKind.FROZEN in faults:
            self.image.freeze()
        else:
            self.image.thaw()

    def _walk(self) -> None:
        """Slow changes from cycle to cycle: weather, transducer, product."""
        step = float(self._rng.normal(0.0, BAROMETER_STEP_KPA))
        pull = 0.002 * (100.75 - self._barometer_kpa)
        self._barometer_kpa = min(
            max(self._barometer_kpa + pull + step, LOWEST_BAROMETER_KPA), HIGHEST_BAROMETER_KPA
        )
        self._zero_kpa = 0.97 * self._zero_kpa + float(self._rng.normal(0.0, ZERO_STEP_KPA))
        self._feed.walk(self._rng)

    def _finish(self) -> Truth:
        faults = self._start.faults
        number, result = self._number(faults), self._result
        published = FaultKind.FROZEN not in faults
        stale = FaultKind.STALE_RESULT in faults and self._last_result is not None
        if FaultKind.RESULT_FROZEN in faults and self._last_result is not None:
            last = self._last_result
            result = replace(last, fault_bits=result.fault_bits, check_sample=result.check_sample)
        finished_at_s = self._now_s()
        self.image.mend()
        before = self.image.result_block()
        if published and stale:
            self.image.publish([number, *before[1:]], None, in_ring=True)
        elif published:
            shown_s = int(finished_at_s + faults.strength(FaultKind.CLOCK_OFF, 0.0))
            words = result_words(number, shown_s, result)
            trace = trace_of(self.settings, self._start, self._record)
            self.image.publish(words, trace, in_ring=True)
            self.image.publish_pulse(number, pulse_of(self._record, self._start.chances))
            self._last_result = result
        if FaultKind.TORN in faults and published:
            self.image.tear(before)
            self._torn_until_s = self.simulated_s + faults.strength(FaultKind.TORN, 0.0)
        shown = self._last_result if stale and self._last_result is not None else result
        record = self._record
        return Truth(
            analyzer=self.name,
            sequence=self.sequence,
            cycle_number=number,
            started_at=_iso(self._started_at_s),
            finished_at=_iso(finished_at_s),
            faults=faults.faults,
            true_flash_equilibrium_c=record.equilibrium_c,
            true_flash_standard_c=flash_point_c(self._start.fuel, STANDARD_KPA),
            true_lit_temperature_c=record.ignition.lit_true_c,
            true_lit_time_s=record.ignition.lit_s,
            true_peak_kpa=record.ignition.lit_peak_kpa,
            true_rate_c_per_min=record.true_rate_c_per_min,
            true_barometer_kpa=self._start.barometer_kpa,
            spark_interval_s=self.settings.spark_interval_s,
            sparks=int(record.ignition.sparks_s.size),
            expected_c=self._start.expected_c,
            reported_c=None if math.isnan(shown.flash_point_c) else shown.flash_point_c,
            ignition_seen=shown.ignition_seen,
            cycle_length_s=self.simulated_s - self._began_s,
            published=published,
        )

    def _number(self, faults: ActiveFaults) -> int:
        """The number of the finished cycle; moves the counter on."""
        number = self._next_number
        if FaultKind.COUNTER_RESET in faults:
            number = int(faults.strength(FaultKind.COUNTER_RESET, 1.0))
            self._alive_from_s = self.simulated_s
        elif FaultKind.COUNTER_SKIP in faults:
            number += int(faults.strength(FaultKind.COUNTER_SKIP, 0.0))
        elif FaultKind.COUNTER_REPEATED in faults:
            number = self._last_number
        number &= 0xFFFF
        self._last_number, self._next_number = number, (number + 1) & 0xFFFF
        return number

    def _index(self) -> int:
        passed = int((self.simulated_s - self._began_s) / self.settings.sample_period_s)
        return min(passed, self._record.samples - 1)

    def _mend_if_due(self) -> None:
        if self.image.torn and self.simulated_s >= self._torn_until_s:
            self.image.mend()

    def _show_live(self) -> None:
        self._mend_if_due()
        settings, faults, record = self.settings, self._start.faults, self._record
        index = self._index()
        phase = Phase(int(record.phases[index]))
        passed_s = self.simulated_s - self._began_s - record.heat_first * settings.sample_period_s
        seen = record.ignition.detected_s is not None and passed_s >= record.ignition.detected_s
        noise = self._live_rng.normal(0.0, 1.0, 5)
        baro = self._start.barometer_kpa
        baro = faults.strength(FaultKind.BAROMETER_BAD, baro)
        baro += faults.strength(FaultKind.BAROMETER_JUMP, 0.0)
        alive_s = self.simulated_s - self._alive_from_s
        stuck_s = faults.strength(FaultKind.ALIVE_STUCK, 0.0)
        if self.simulated_s - self._began_s < stuck_s:
            alive_s = self._began_s - self._alive_from_s
        inlet_c = settings.inlet_temperature_c + faults.strength(FaultKind.INLET_TEMPERATURE, 0.0)
        stream = int(faults.strength(FaultKind.STREAM_READS, self._feed.number))
        flow = faults.strength(FaultKind.SAMPLE_FLOW_LOW, 1.0)
        air = faults.strength(FaultKind.AIR_FLOW_LOW, 1.0)
        status = (
            int(seen)
            | (phase is Phase.HEAT) << 1
            | (FaultKind.CHECK_SAMPLE in faults) << 2
            | (FaultKind.MAINTENANCE in faults) << 3
        )
        self.image.write_live(
            Live(
                alive=int(alive_s),
                phase=int(phase),
                status=status,
                fault_bits=fault_bits(self._start),
                sample_temperature_c=float(record.sensed_c[index]),
                cell_pressure_kpa=float(record.pressure_kpa[index]),
                barometer_kpa=baro + settings.barometer_noise_kpa * float(noise[0]),
                sample_flow_ml_per_min=settings.sample_flow_ml_per_min
                * flow
                * (1.0 + 0.01 * float(noise[1])),
                air_flow_ml_per_min=settings.air_flow_ml_per_min
                * air
                * (1.0 + 0.01 * float(noise[2])),
                inlet_temperature_c=inlet_c + 0.1 * float(noise[3]),
                cell_temperature_c=float(record.true_c[index]) + 1.5 + 0.1 * float(noise[4]),
                stream=stream,
            )
        )


def _iso(time_s: float) -> str:
    return datetime.fromtimestamp(time_s, UTC).isoformat(timespec="milliseconds")
