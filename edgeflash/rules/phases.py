"""Phase rules: did the analyzer clean, zero, heat and purge as a measurement needs it?"""

from __future__ import annotations

from collections.abc import Callable

from edgeflash.model import Continuity, CycleSource, Declared, Phase, Role, Severity
from edgeflash.rules.memory import Remembered
from edgeflash.rules.phase_order import is_in_order, is_zeroed_before_cleaned, passed_over
from edgeflash.rules.rule import Breach, CycleContext, Family, Parameter, Parameters, Rule
from edgeflash.trust import Category, Quality


def timed_s(c: CycleContext) -> float | None:
    """The cycle's duration where it means one cycle: read live, right after its predecessor."""
    ordinary = (Continuity.NEXT, Continuity.WRAP)
    if c.cycle.source is not CycleSource.LIVE or c.cycle.continuity not in ordinary:
        return None
    return c.cycle.duration_s


def _unusual_phases(c: CycleContext) -> bool:
    """True when other rules speak of what the analyzer did."""
    unusual = (Phase.MAINTENANCE, Phase.CHECK_SAMPLE, Phase.FAULT)
    is_declared = Declared.MAINTENANCE in c.cycle.declared
    return is_declared or any(p in c.cycle.phases for p in unusual)


def _phases_left_out(c: CycleContext, p: Parameters) -> frozenset[Phase]:
    """Phases that the analyzer can show and did not, although it was watched closely enough.

    Empty where a phase may have passed between two readings.
    """
    cycle, duration, gap = c.cycle, timed_s(c), c.cycle.longest_gap_s
    place = c.register_map.roles.get(Role.PHASE)
    if place is None or duration is None or gap is None or _unusual_phases(c):
        return frozenset()
    if gap >= min(p["shortest_phase_s"], p["shortest_phase_fraction"] * duration):
        return frozenset()
    return passed_over(cycle.phases) & frozenset((place.values or {}).values())


def _phases_wrong(c: CycleContext, p: Parameters) -> Breach | None:
    phases = c.cycle.phases
    if Phase.FAULT in phases:
        return Breach("the analyzer went through its fault state during the cycle")
    if _unusual_phases(c):
        return None
    left_out = _phases_left_out(c, p)
    if Phase.HEAT in left_out:
        return Breach("the sample was not heated: no heating was seen in the cycle")
    if is_zeroed_before_cleaned(phases):
        sentence = "the transducer was zeroed before the electrodes were sparked clean, not after"
        return Breach(sentence, severity=Severity.DOUBT)
    if not is_in_order(phases):
        order = ", ".join(phases)
        return Breach(f"the phases came out of order: {order}", severity=Severity.DOUBT)
    if Phase.PURGE in left_out:
        sentence = "the cell was not purged: it may hold some of the sample before"
        return Breach(sentence, severity=Severity.DOUBT)
    if Phase.FLASHED in left_out and c.cycle.values.get(Role.IGNITION_SEEN) is True:
        sentence = "an ignition is reported, but the analyzer did not go through its flash phase"
        return Breach(sentence, severity=Severity.DOUBT)
    return None


_UNSEEN = frozenset(
    {"unwatched", "caught_up", "cycles_missed", "counter_reset", "counter_repeated"}
)
"""Rules that speak of a cycle whose phases, or those of the cycle before it, are not known."""


def _is_due(c: CycleContext, every: int, was_done: Callable[[Remembered], bool]) -> bool:
    """True when the last so many cycles before this one are known, and it was done in none."""
    past = c.memory.past[len(c.memory.past) - (every - 1) :]
    if len(past) < every - 1:
        return False
    return not any(was_done(r) or _UNSEEN & {*r.reasons, *r.notes} for r in past)


def _not_cleaned(c: CycleContext, p: Parameters) -> Breach | None:
    every = c.analyzer.clean_every
    if Phase.CLEAN not in _phases_left_out(c, p) or not _is_due(c, every, _was_cleaned):
        return None
    sentence = f"the electrodes were not sparked clean{_in_cycles(every)}"
    return Breach(sentence, float(every), float(every - 1), "cycles")


def _not_zeroed(c: CycleContext, p: Parameters) -> Breach | None:
    every = c.analyzer.zero_every
    if Phase.ZERO not in _phases_left_out(c, p) or not _is_due(c, every, _was_zeroed):
        return None
    sentence = f"the transducer was not zeroed{_in_cycles(every)}"
    return Breach(sentence, float(every), float(every - 1), "cycles")


def _was_cleaned(r: Remembered) -> bool:
    return r.was_cleaned


def _was_zeroed(r: Remembered) -> bool:
    return r.was_zeroed


def _in_cycles(every: int) -> str:
    return " before the heating" if every == 1 else f" in the last {every} cycles"


_SHORTEST_PHASE = (
    Parameter("shortest_phase_s", 3.0, "s", "a phase so long is seen with closer readings"),
    Parameter("shortest_phase_fraction", 0.015, "of cycle", "and so is one of this share of it"),
)

RULES: tuple[Rule, ...] = (
    Rule(
        214,
        "phases_wrong",
        Family.CYCLE,
        "Phases were left out or came out of order; without heating there is no measurement.",
        Severity.REJECT,
        Category.OUT_OF_SPECIFICATION,
        Quality.SUB_NORMAL,
        Quality.BAD,
        needs=(Role.PHASE,),
        parameters=_SHORTEST_PHASE,
        on_cycle=_phases_wrong,
    ),
    Rule(
        215,
        "not_cleaned",
        Family.CYCLE,
        "The electrodes were due to be sparked clean, and were not.",
        Severity.DOUBT,
        Category.MAINTENANCE_REQUIRED,
        Quality.SUB_NORMAL,
        Quality.BAD,
        needs=(Role.PHASE,),
        parameters=_SHORTEST_PHASE,
        looks_back=True,
        on_cycle=_not_cleaned,
    ),
    Rule(
        216,
        "not_zeroed",
        Family.CYCLE,
        "The pressure transducer was due to be zeroed, and was not.",
        Severity.DOUBT,
        Category.MAINTENANCE_REQUIRED,
        Quality.SUB_NORMAL,
        Quality.BAD,
        needs=(Role.PHASE,),
        parameters=_SHORTEST_PHASE,
        looks_back=True,
        on_cycle=_not_zeroed,
    ),
)
