"""Plays the cases of the detection table, and clean cycles, over all cores."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from functools import lru_cache
from multiprocessing import get_context
from time import monotonic
from typing import TypeVar

from edgeflash.model import Result, Verdict
from simulators.analyzer import SimulatedAnalyzer, Truth
from simulators.fuel import product
from tests.bench.faults_cases import BY_NAME, FIRST, Case, inputs_of
from tests.simulated_line import GAS_OIL, SimulatedLine, bench_analyzer

WARM_UPS = 5
"""So many different pasts lead to the faulty cycles of a case."""

CLEAN_FUELS_C = (48.0, 56.0, 58.0, 62.0, 66.0, 71.0, 84.0, 96.0)
CLEAN_CYCLES = 250

T = TypeVar("T")
U = TypeVar("U")


@dataclass(frozen=True, slots=True)
class Score:
    """Of the faulty cycles of one strength: by whom they were caught, or accepted.

    off_c: the lowest and the highest published value of the missed ones, less the true flash point
    of what was in the cup, at standard pressure. spoke: every rule that said anything.
    """

    case: str
    strength: float
    intended: int
    other: int
    missed: int
    others: tuple[tuple[str, int], ...]
    off_c: tuple[float, float] | None
    spoke: frozenset[str]

    @property
    def cycles(self) -> int:
        """How many there were."""
        return self.intended + self.other + self.missed

    @property
    def share(self) -> float:
        """Caught by an intended rule."""
        return self.intended / self.cycles


@lru_cache(maxsize=WARM_UPS)
def warm(name: str, seed: int) -> SimulatedLine:
    """A line after clean cycles, a moment before the first faulty cycle begins."""
    case = BY_NAME[name]
    simulated = SimulatedAnalyzer(seed=1000 + seed, **case.simulator)
    line = SimulatedLine(
        simulated,
        bench_analyzer(poll_s=case.poll_s, **case.analyzer),
        GAS_OIL.model_copy(update={"number": 1}),
        poll_s=case.poll_s,
        inputs=lambda: inputs_of(case, 0.0, False),
        is_live=case.is_live,
    )
    while simulated.sequence < FIRST - 1 or simulated.left_s > case.poll_s:
        line.poll()
    return line


def played(case: Case, strength: float, seed: int) -> tuple[Result | None, set[str]]:
    """The judged faulty cycle (None when the device lost it) and the live rules that spoke."""
    result, live, _ = _played_with_truth(case, strength, seed)
    return result, live


def _played_with_truth(
    case: Case, strength: float, seed: int
) -> tuple[Result | None, set[str], Truth]:
    line = warm(case.name, seed % WARM_UPS).fork(seed, case.faults(strength))
    simulated = line.simulated
    wanted, live = FIRST + case.judged, set[str]()
    found: Result | None = None
    is_faulty = False
    line.inputs = lambda: inputs_of(case, strength, is_faulty)
    while len(simulated.truths) < wanted or (found is None and len(simulated.truths) == wanted):
        is_faulty = len(simulated.truths) >= FIRST - 1 and simulated.left_s <= case.poll_s
        for result in line.poll():
            if len(simulated.truths) == wanted:
                found = result
        if simulated.sequence >= FIRST:
            live |= {standing.finding.rule for standing in line.standing}
    return found, live, simulated.truths[wanted - 1]


def score_of(job: tuple[str, float, int]) -> Score:
    """One strength of one case over so many cycles."""
    name, strength, cycles = job
    case = BY_NAME[name]
    counts: Counter[str] = Counter()
    others: Counter[str] = Counter()
    off_c: list[float] = []
    spoke: set[str] = set()
    for seed in range(cycles):
        result, live, truth = _played_with_truth(case, strength, seed)
        spoken = live | ({f.rule for f in result.findings} if result else set())
        spoke |= spoken
        if spoken & set(case.rules):
            counts["intended"] += 1
        elif result is None or result.verdict is not Verdict.ACCEPTED:
            counts["other"] += 1
            others.update(result.reasons[:1] if result else ["no result"])
        else:
            counts["missed"] += 1
            if result.published_c is not None:
                off_c.append(result.published_c - truth.true_flash_standard_c)
    return Score(
        name,
        strength,
        counts["intended"],
        counts["other"],
        counts["missed"],
        tuple(others.most_common(3)),
        (min(off_c), max(off_c)) if off_c else None,
        frozenset(spoke),
    )


def clean(job: tuple[int, int]) -> tuple[int, Counter[str], Counter[str]]:
    """How many clean cycles were judged; what rejected and what doubted them, by first reason."""
    seed, cycles = job
    fuel = product(CLEAN_FUELS_C[seed % len(CLEAN_FUELS_C)])
    line = SimulatedLine(SimulatedAnalyzer(seed=50_000 + seed, fuel=fuel), poll_s=5.0)
    rejected: Counter[str] = Counter()
    doubted: Counter[str] = Counter()
    count = 0
    for result, _ in line.results(cycles):
        count += 1
        if result.verdict is Verdict.REJECTED:
            rejected[result.reasons[0]] += 1
        elif result.verdict is Verdict.DOUBTFUL:
            doubted[result.reasons[0]] += 1
    return count, rejected, doubted


def threshold(scores: Sequence[Score], wanted: float = 0.95) -> float | None:
    """Strength at which that share is caught, straight between two strengths; None: never.

    scores: of one case, from invisible to gross.
    """
    shares = [one.share for one in scores]
    if shares[-1] < wanted:
        return None
    last_below = max((place for place, share in enumerate(shares) if share < wanted), default=-1)
    if last_below < 0:
        return scores[0].strength
    low, high = scores[last_below], scores[last_below + 1]
    part = (wanted - low.share) / (high.share - low.share)
    return low.strength + part * (high.strength - low.strength)


def over_cores(work: Callable[[T], U], jobs: Iterable[T], processes: int, what: str) -> list[U]:
    """The outcomes in the jobs' order; says on standard error how far it is."""
    listed = list(jobs)
    outcomes: dict[int, U] = {}
    begun = told = monotonic()
    for done, (place, outcome) in enumerate(_unordered(work, listed, processes), start=1):
        outcomes[place] = outcome
        if monotonic() - told > 10.0 or done == len(listed):
            told = monotonic()
            passed = told - begun
            left = passed / done * (len(listed) - done)
            print(f"{what}: {done}/{len(listed)}, {left:.0f} s left", file=sys.stderr, flush=True)
    return [outcomes[place] for place in range(len(listed))]


def _unordered(
    work: Callable[[T], U], jobs: Sequence[T], processes: int
) -> Iterator[tuple[int, U]]:
    if processes == 1:
        yield from ((place, work(job)) for place, job in enumerate(jobs))
        return
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        futures = {pool.submit(work, job): place for place, job in enumerate(jobs)}
        for future in as_completed(futures):
            yield futures[future], future.result()
