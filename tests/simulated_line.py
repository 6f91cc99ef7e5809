"""A simulated analyzer read by the real link logic, without sockets and in simulated time.

Only the transport is left out: the register image answers the blocks that the link asks for, and
the scans go through the real assembler, computation and rules.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Coroutine, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib import resources
from pathlib import Path
from typing import TypeVar

from edgeflash.config.load import load_map
from edgeflash.config.register_map import RegisterMap, Table
from edgeflash.config.site import Analyzer, Basis, Product
from edgeflash.cycles.assembler import Assembler
from edgeflash.links.reading import ReadingState, prepare
from edgeflash.links.source import read_scan
from edgeflash.model import InputReading, Result, Scan
from edgeflash.publication import LinkState, StandingFinding
from edgeflash.rules.judge import standing_findings
from edgeflash.rules.judgement import Judgement
from edgeflash.rules.memory import Memory
from edgeflash.rules.rule import LiveContext
from simulators.analyzer import SIMULATED_EPOCH_S, SimulatedAnalyzer, Truth
from simulators.faults import Fault

EPOCH = datetime.fromtimestamp(SIMULATED_EPOCH_S, UTC)
MAP_PATH = Path(str(resources.files("edgeflash.examples") / "maps" / "bench-cup.toml"))
BENCH_CUP = load_map(MAP_PATH)
GAS_OIL = Product(minimum_c=55.0, strict_minimum=True, source="EN 590 (from memory)")


def bench_analyzer(**changes: object) -> Analyzer:
    """The site file's entry for a bench cup, as the demonstration has it, at true speed."""
    given: dict[str, object] = {
        "id": "kestrel-1",
        "number": 1,
        "map": MAP_PATH,
        "host": "127.0.0.1",
        "product": "gas-oil",
        "heating_rate_c_per_min": 10.0,
        "spark_interval_s": 2.0,
        "sensor_lag_s": 3.0,
        "sample_flow_ml_per_min": 60.0,
        "air_flow_ml_per_min": 250.0,
        "basis": Basis.RECOMPUTED,
        "analyzer_corrects_barometer": False,
        **changes,
    }
    return Analyzer.model_validate(given)


@dataclass(frozen=True, slots=True)
class ImageSource:
    """The register image of a simulated analyzer as something to read from."""

    analyzer: SimulatedAnalyzer

    async def read(self, table: Table, address: int, count: int) -> list[int]:
        """The words of the image as they stand."""
        return self.analyzer.image.read(table.value, address, count)


T = TypeVar("T")


def _at_once(work: Coroutine[None, None, T]) -> T:
    """The outcome of a coroutine that never has to wait, since its source is in memory."""
    try:
        work.send(None)
    except StopIteration as done:
        outcome: T = done.value
        return outcome
    raise AssertionError("the register image made the link wait")


def no_inputs() -> tuple[InputReading, ...]:
    """What a control system that writes nothing gives."""
    return ()


class SimulatedLine:
    """One simulated analyzer and the gateway's core, stepped together.

    inputs: what the control system has written, when a cycle is judged. standing: what the live
    rules say of the moment of the last poll, where is_live asks for it.
    """

    def __init__(
        self,
        simulated: SimulatedAnalyzer,
        analyzer: Analyzer | None = None,
        product: Product | None = GAS_OIL,
        poll_s: float = 2.0,
        register_map: RegisterMap = BENCH_CUP,
        inputs: Callable[[], tuple[InputReading, ...]] = no_inputs,
        is_live: bool = False,
    ) -> None:
        self.simulated = simulated
        self.analyzer = analyzer or bench_analyzer()
        self.inputs = inputs
        self._poll_s = poll_s
        self._map = register_map
        products = {} if product is None else {self.analyzer.product or "": product}
        self.judgement = Judgement(self.analyzer, register_map, products)
        self._reading = prepare(self.analyzer.id, register_map)
        self._state = ReadingState(last=None)
        self._assembler = Assembler(
            self.analyzer.id, register_map.counter_span if register_map.is_counted else None
        )
        self.memory = Memory()
        self._is_live = is_live
        self._result_s = 0.0
        self.standing: tuple[StandingFinding, ...] = ()

    def fork(self, seed: int, faults: Iterable[Fault]) -> SimulatedLine:
        """A line with the same past that goes on by its own chance and with its own faults."""
        made = copy.copy(self)
        made.simulated = self.simulated.fork(seed, faults)
        made._assembler = copy.deepcopy(self._assembler)
        return made

    def poll(self) -> list[Result]:
        """Moves on by one poll and returns what was judged."""
        self.simulated.advance(self._poll_s)
        mono_s = self.simulated.simulated_s
        at = EPOCH + timedelta(seconds=mono_s)
        scan, self._state = _at_once(
            read_scan(ImageSource(self.simulated), self._reading, self._state, at, mono_s)
        )
        results = []
        for cycle in self._assembler.take(scan):
            result = self.judgement.judge(cycle, self.memory, at, self.inputs())
            self.memory = self.memory.after(result)
            results.append(result)
        if self._is_live:
            self._ask_live_rules(scan, bool(results))
        return results

    def results(self, cycles: int) -> Iterator[tuple[Result, Truth]]:
        """Judged cycles with their truth, until the analyzer has made so many cycles."""
        while len(self.simulated.truths) < cycles:
            for result in self.poll():
                yield result, self.simulated.truths[-1]

    def _ask_live_rules(self, scan: Scan, has_result: bool) -> None:
        now_s = scan.taken_mono_s
        if has_result:
            self._result_s = now_s
        context = LiveContext(
            analyzer=self.analyzer,
            register_map=self._map,
            link=LinkState.UP,
            link_sentence="",
            since_scan_s=0.0,
            since_result_s=now_s - self._result_s,
            live=scan.live,
            storage_fault="",
            alive_still_s=self._assembler.alive_still_s(now_s),
        )
        self.standing = standing_findings(context, self.judgement.present_rules(scan.live))
