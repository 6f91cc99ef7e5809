"""Simulated analyzers whose judged cycles stand in a real journal and history."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from edgeflash.config.site import Site
from edgeflash.cycles.assembler import Assembler, previous_of
from edgeflash.gateway.site import checked_site
from edgeflash.history import HistoryWriter
from edgeflash.journal import JOURNAL_NAME, Journal
from edgeflash.model import Result
from edgeflash.rules.judgement import Judgement
from edgeflash.rules.memory import PAST_CYCLES, Memory
from simulators.analyzer import SimulatedAnalyzer
from simulators.faults import Fault, FaultKind, fault
from tests.simulated_line import BENCH_CUP, MAP_PATH, SimulatedLine

SITE = """
[site]
name = "Depot at Larkwater"
state_dir = "state"

[opcua]

[products.gas-oil]
minimum_c = 55.0
strict_minimum = true
source = "EN 590 (from memory)"
"""

ANALYZER = """
[[analyzers]]
id = "{id}"
number = {number}
map = "{map}"
host = "127.0.0.{number}"
product = "gas-oil"
heating_rate_c_per_min = 10.0
spark_interval_s = 2.0
sensor_lag_s = 3.0
sample_flow_ml_per_min = 60.0
air_flow_ml_per_min = 250.0
basis = "recomputed"
analyzer_corrects_barometer = false

[analyzers.verification]
reference_c = 62.9
sd_c = 0.4

[analyzers.prediction]
kind = "distillation"
t10_c = 188.0
"""


def write_site(
    folder: Path, analyzers: Sequence[str], tuning: str = "", name: str = "site.toml"
) -> Path:
    """A site file. tuning: follows the keys of every analyzer."""
    parts = [
        ANALYZER.format(id=each, number=number, map=MAP_PATH) + tuning
        for number, each in enumerate(analyzers, 1)
    ]
    path = folder / name
    path.write_text(SITE + "".join(parts))
    return path


def faults_in_turn(kinds: Sequence[FaultKind], first: int, every: int) -> list[Fault]:
    """Each fault for one cycle, `every` cycles apart."""
    return [fault(kind, first + n * every) for n, kind in enumerate(kinds)]


def judged_cycles(
    site: Site,
    analyzer_id: str,
    journal: Journal,
    simulated: SimulatedAnalyzer,
    cycles: int,
    restart_every: int = 10_000,
) -> Iterator[Result]:
    """The analyzer's cycles as a gateway judges them; every so many it is started anew.

    Each is in the journal when it comes.
    """
    analyzer = next(a for a in site.file.analyzers if a.id == analyzer_id)
    made = 0
    line = None
    while len(simulated.truths) < cycles:
        if line is None or made >= restart_every:
            made, line = 0, SimulatedLine(simulated, analyzer)
            line.judgement = Judgement.of_site(site, analyzer)
            line.memory = Memory.of(journal.recent(analyzer_id, PAST_CYCLES))
            last = journal.latest(analyzer_id)
            if last is not None:
                line._assembler = Assembler(
                    analyzer_id, BENCH_CUP.counter_span, previous_of(last.cycle)
                )
        for result in line.poll():
            assert journal.append(result).result(10)
            made += 1
            yield result


def recorded_site(
    folder: Path,
    plans: Iterable[tuple[str, SimulatedAnalyzer, int]],
    restart_every: int = 10_000,
    in_journal_only: int = 5,
) -> tuple[Site, list[Result]]:
    """A site whose gateway judged these analyzers; their last cycles are in its journal only.

    plans: analyzer id, its simulation, and how many cycles it makes.
    """
    plans = list(plans)
    site = checked_site(write_site(folder, [name for name, _, _ in plans]))
    results: list[Result] = []
    with Journal.open(site.state_dir / JOURNAL_NAME) as journal:
        writer = HistoryWriter(journal, site.history_dir)
        for name, simulated, cycles in plans:
            for result in judged_cycles(site, name, journal, simulated, cycles, restart_every):
                results.append(result)
                if len(simulated.truths) == cycles - in_journal_only:
                    writer.flush()
    return site, results
