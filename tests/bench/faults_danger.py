"""Contaminations, alone and with other faults, against what the control system is shown.

The danger: the sample's true flash point is below the product's limit, and the control system
still sees a good value above it. Truth is that of the cup's contents at 101.325 kPa, by the
simulator's own physics, which the gateway does not know.

A truth so near to the limit that the instrument itself cannot tell does not count. The margin:
the resolution (true heating rate × spark interval), 0.3 °C for noise, sensor lag and correction,
and the °C by which an injected fault makes the thermometer lie or the vapour light late, which
no register shows.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from datetime import timedelta
from functools import lru_cache

import numpy as np

from edgeflash.config.site import Product
from edgeflash.model import Result, Verdict
from edgeflash.publication import Held, LinkState, Standing, View, view, with_result
from edgeflash.rules.catalogue import QUALITY_OF_RULE
from edgeflash.rules.judgement import Judgement
from edgeflash.trust import Quality
from simulators.analyzer import SimulatedAnalyzer, Truth
from simulators.faults import Fault, FaultKind
from simulators.fuel import product
from simulators.plans import RANGES, random_fault
from tests.bench.faults_cases import FIRST
from tests.simulated_line import BENCH_CUP, EPOCH, SimulatedLine, bench_analyzer

OWN_ERROR_C = 0.3
"""What noise, sensor lag and pressure correction may add, beside the resolution."""

FUELS_C = (57.0, 60.0, 63.0, 67.0, 72.0)
PASTS = 2
POLL_S = 5.0  # slower than 5 s, the age of a result is uncertain, and nothing is ever good
STEP_CYCLES, RAMP_CYCLES = 3, 6
HIDDEN_ERRORS = (FaultKind.SENSOR_BIAS, FaultKind.SENSOR_JUMP, FaultKind.MISFIRE)
CONTAMINATIONS = (FaultKind.CONTAMINATION, FaultKind.CONTAMINATION_RAMP)
BLIND = frozenset({"no_ignition", "counter_repeated", "torn_read"})
"""With these a rejected cycle shows nothing of its sample, so there is no evidence to alarm on."""

OTHERS = tuple(kind for kind in FaultKind if kind not in CONTAMINATIONS)


@dataclass(frozen=True, slots=True)
class Danger:
    """A moment at which the control system was shown a good value above the limit."""

    seed: int
    faults: tuple[Fault, ...]
    true_c: float
    shown_c: float
    limit_c: float
    cycles: int  # affected cycles that were finished by then

    @property
    def depth_c(self) -> float:
        """How far below the limit the truth lay."""
        return self.limit_c - self.true_c


@dataclass(slots=True)
class Account:
    """What came of many contaminations."""

    contaminations: int = 0
    good: int = 0  # results after which a good value was shown
    low: int = 0  # those whose truth went below the limit by more than the margin
    near: int = 0  # those whose truth only came within the margin of the limit
    first_cycle: int = 0  # shown good above the limit after the first affected cycle only
    silent: list[Danger] = field(default_factory=list)
    no_alarm: Counter[str] = field(default_factory=Counter)
    no_alarm_seeds: list[int] = field(default_factory=list)
    alarmed: int = 0
    blind: Counter[str] = field(default_factory=Counter)
    worst_first: Danger | None = None

    def add(self, other: Account) -> None:
        """Takes in another account."""
        self.contaminations += other.contaminations
        self.good += other.good
        self.low += other.low
        self.near += other.near
        self.first_cycle += other.first_cycle
        self.silent += other.silent
        self.no_alarm += other.no_alarm
        self.no_alarm_seeds += other.no_alarm_seeds
        self.alarmed += other.alarmed
        self.blind += other.blind
        found = [d for d in (self.worst_first, other.worst_first) if d is not None]
        self.worst_first = max(found, key=lambda d: d.depth_c, default=None)


def margin_c(truth: Truth) -> float:
    """How near to the limit the instrument itself cannot tell."""
    hidden_c = sum(abs(one.strength) for one in truth.faults if one.kind in HIDDEN_ERRORS)
    resolution_c = truth.true_rate_c_per_min / 60.0 * truth.spark_interval_s
    return resolution_c + OWN_ERROR_C + hidden_c


@lru_cache
def judgement_of(limit_c: float) -> Judgement:
    """The bench analyzer's, for a product with that limit."""
    gas_oil = Product(minimum_c=limit_c, strict_minimum=True)
    return Judgement(bench_analyzer(poll_s=POLL_S), BENCH_CUP, {"gas-oil": gas_oil})


@lru_cache
def warm(fuel_c: float, past: int) -> tuple[SimulatedLine, Result]:
    """A line after clean cycles, a moment before the next begins, and its last result."""
    simulated = SimulatedAnalyzer(seed=3000 + past, fuel=product(fuel_c))
    line = SimulatedLine(
        simulated, bench_analyzer(poll_s=POLL_S), Product(), poll_s=POLL_S, is_live=True
    )
    last: Result | None = None
    while simulated.sequence < FIRST - 1 or simulated.left_s > POLL_S:
        for result in line.poll():
            last = result
    assert last is not None
    return line, last


def course(rng: np.random.Generator) -> tuple[list[Fault], int]:
    """A contamination with up to two other faults, and how many cycles to watch."""
    is_ramp = bool(rng.integers(2))
    kind = FaultKind.CONTAMINATION_RAMP if is_ramp else FaultKind.CONTAMINATION
    cycles = RAMP_CYCLES if is_ramp else STEP_CYCLES
    last = FIRST + cycles - 1
    low, high = RANGES[kind]
    # Evenly over the orders of magnitude: most contaminations are small.
    strength = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    faults = [Fault(kind, strength, FIRST, last)]
    for _ in range(int(rng.integers(3))):
        begins = int(rng.integers(FIRST, last + 1))
        ends = min(begins + int(rng.integers(2)), last)
        faults.append(random_fault(rng, OTHERS[rng.integers(len(OTHERS))], begins, ends))
    return faults, cycles


@dataclass(slots=True)
class Screen:
    """What the control system is shown of one line."""

    line: SimulatedLine
    limit_c: float
    standing: Standing

    def poll(self) -> list[Result]:
        """Moves on by one poll; returns what was judged."""
        results = self.line.poll()
        now_s = self.line.simulated.simulated_s
        now = EPOCH + timedelta(seconds=now_s)
        for result in results:
            self.standing = with_result(self.standing, Held.since(result, now, now_s))
        self.standing = replace(self.standing, link=LinkState.UP, standing=self.line.standing)
        return results

    def shown(self) -> View:
        """What is shown at this moment."""
        analyzer, now_s = self.line.analyzer, self.line.simulated.simulated_s
        return view(
            self.standing,
            now=EPOCH + timedelta(seconds=now_s),
            now_mono_s=now_s,
            hold_s=analyzer.hold_s,
            bad_at_once=analyzer.on_reject == "bad",
            heartbeat=0,
            quality_of_rule=QUALITY_OF_RULE,
        )

    def is_good_above(self, shown: View) -> bool:
        """A good value that meets the limit (of the limit itself a strict one fails)."""
        above = shown.value_c is not None and shown.value_c > self.limit_c
        return shown.quality is Quality.GOOD and above


def watched(seed: int) -> Account:
    """One contamination from its first cycle to its last."""
    rng = np.random.default_rng(seed)
    fuel_c = FUELS_C[rng.integers(len(FUELS_C))]
    # Two thirds of the limits lie below the fuel's flash point, and one third above.
    limit_c = fuel_c - float(rng.choice([2.0, 4.0, 7.0, 11.0, -1.5, -4.0]))
    faults, cycles = course(rng)
    ready, last = warm(fuel_c, int(rng.integers(PASTS)))
    line = ready.fork(seed, faults)
    line.judgement = judgement_of(limit_c)
    held = Held(last, line.simulated.simulated_s, line.simulated.simulated_s)
    screen = Screen(line, limit_c, with_result(Standing("kestrel-1"), held))
    account = Account(contaminations=1)
    is_first_told = was_low = was_near = False
    while len(line.simulated.truths) < FIRST + cycles - 1:
        results = screen.poll()
        account.good += bool(results) and screen.shown().quality is Quality.GOOD
        truths = line.simulated.truths[FIRST - 1 :]
        affected = _low_at_the_end(truths, limit_c)
        was_low |= affected > 0
        was_near |= bool(truths) and truths[-1].true_flash_standard_c < limit_c
        if affected == 0:
            continue
        shown = screen.shown()
        if screen.is_good_above(shown):
            true_c, shown_c = truths[-1].true_flash_standard_c, shown.value_c or 0.0
            danger = Danger(seed, tuple(faults), true_c, shown_c, limit_c, affected)
            if affected > 1:
                account.silent = [danger]
            elif not is_first_told:
                account.first_cycle, account.worst_first, is_first_told = 1, danger, True
        if affected > 1 and results:
            _account_alarm(account, screen, results[-1], seed)
    account.low, account.near = int(was_low), int(was_near and not was_low)
    return account


def _low_at_the_end(truths: list[Truth], limit_c: float) -> int:
    """How many of the last finished cycles in a row were truly low, beyond their margins.

    A check sample in the cup says nothing of the product, either way.
    """
    count = 0
    for truth in reversed(truths):
        if any(one.kind is FaultKind.CHECK_SAMPLE for one in truth.faults):
            continue
        if truth.true_flash_standard_c >= limit_c - margin_c(truth):
            break
        count += 1
    return count


def _account_alarm(account: Account, screen: Screen, result: Result, seed: int) -> None:
    if screen.standing.low_flash_alarm:
        account.alarmed += 1
        return
    nothing_seen = BLIND.intersection(result.reasons)
    if nothing_seen and result.verdict is Verdict.REJECTED:
        account.blind.update(nothing_seen)
        return
    why = "accepted" if result.verdict is Verdict.ACCEPTED else ", ".join(result.reasons)
    account.no_alarm[why] += 1
    account.no_alarm_seeds.append(seed)


def many(job: tuple[int, int]) -> Account:
    """The contaminations of the seeds from the first to before the last."""
    account = Account()
    for seed in range(*job):
        account.add(watched(seed))
    return account
