"""Cycle rules: is this a complete, new, ordinary measurement of the product?"""

from __future__ import annotations

from datetime import datetime

from edgeflash.model import Continuity, CycleSource, Declared, Phase, Role, Severity
from edgeflash.publication import LinkState
from edgeflash.rules import phases, streams
from edgeflash.rules.memory import is_check_sample
from edgeflash.rules.phases import timed_s
from edgeflash.rules.rule import (
    Breach,
    CycleContext,
    Family,
    LiveContext,
    Parameter,
    Parameters,
    Rule,
)
from edgeflash.trust import Category, Quality


def _too_short(c: CycleContext, p: Parameters) -> Breach | None:
    duration, limit = timed_s(c), p["shortest_s"]
    if duration is None or duration >= limit:
        return None
    return Breach(f"the cycle took only {duration:.1f} s", duration, limit, "s")


def _too_long(c: CycleContext, p: Parameters) -> Breach | None:
    duration, limit = timed_s(c), p["longest_s"]
    if duration is None or duration <= limit:
        return None
    return Breach(f"the cycle took {duration:.1f} s", duration, limit, "s")


def _overdue(c: LiveContext, p: Parameters) -> Breach | None:
    limit = p["longest_s"]
    if c.link is not LinkState.UP or c.since_result_s <= limit:
        return None
    sentence = f"no result for {c.since_result_s:.0f} s; a cycle takes at most {limit:g} s"
    return Breach(sentence, c.since_result_s, limit, "s")


def _counter_repeated(c: CycleContext, p: Parameters) -> Breach | None:
    if c.cycle.continuity is Continuity.REPEAT:
        return Breach("a new result came under the number of the cycle before")
    before, time = c.previous, c.cycle.values.get(Role.RESULT_TIME)
    if before is None or before.result_time is None:
        return None
    if not isinstance(time, datetime) or c.cycle.continuity is Continuity.RESET:
        return None
    same_value = c.cycle.number_value(Role.FLASH_POINT) == before.flash_point_c
    if time == before.result_time and same_value:
        return Breach("the number is new, but time and value are those of the result before")
    if time < before.result_time:
        sentence = (
            "the result's time lies before the last one's: an old result, or its clock was set"
        )
        return Breach(sentence, severity=Severity.DOUBT)
    return None


def _counter_reset(c: CycleContext, p: Parameters) -> Breach | None:
    if c.cycle.continuity is not Continuity.RESET:
        return None
    return Breach("the analyzer's cycle counter has started again: the analyzer was restarted")


def _cycles_missed(c: CycleContext, p: Parameters) -> Breach | None:
    if c.cycle.missed == 0:
        return None
    n = c.cycle.missed
    sentence = f"{n} cycle{'s' if n > 1 else ''} before this one could not be read any more"
    return Breach(sentence, float(n), 0.0, "cycles")


def _phase_seen(c: CycleContext, phase: Phase) -> bool:
    """True when the phase was seen during the cycle; without scans, when the result was read."""
    return phase in (c.cycle.phases or (c.cycle.values.get(Role.PHASE),))


def _maintenance(c: CycleContext, p: Parameters) -> Breach | None:
    if _phase_seen(c, Phase.MAINTENANCE):
        return Breach("the analyzer was in maintenance during the cycle")
    if Declared.MAINTENANCE in c.cycle.declared:
        return Breach("maintenance was declared during the cycle")
    return None


def _check_sample(c: CycleContext, p: Parameters) -> Breach | None:
    if is_check_sample(c.cycle):
        return Breach("a check sample was measured, not the product")
    if Declared.CHECK_SAMPLE_PARTLY in c.cycle.declared:
        return Breach(
            "a check sample was declared for a part of the cycle: it may be in the value, which is "
            "neither one of the product nor one of the check sample"
        )
    return None


def _maintenance_now(c: LiveContext, p: Parameters) -> Breach | None:
    if c.live.get(Role.PHASE) is Phase.MAINTENANCE:
        return Breach("the analyzer is in maintenance")
    if Declared.MAINTENANCE in c.declared:
        return Breach("maintenance is declared")
    return None


def _check_sample_now(c: LiveContext, p: Parameters) -> Breach | None:
    if c.live.get(Role.PHASE) is Phase.CHECK_SAMPLE:
        return Breach("a check sample is running")
    if Declared.CHECK_SAMPLE in c.declared:
        return Breach("a check sample is declared")
    return None


def _caught_up(c: CycleContext, p: Parameters) -> Breach | None:
    if c.cycle.source is not CycleSource.RING:
        return None
    return Breach("read afterwards from the analyzer's recent results, without its trace")


def _age_uncertain(c: CycleContext, p: Parameters) -> Breach | None:
    if c.cycle.is_time_known:
        return None
    return Breach("the result was made at an unknown time while the analyzer was not read")


def _unwatched(c: CycleContext, p: Parameters) -> Breach | None:
    cycle, limit = c.cycle, p["longest_gap_s"]
    if cycle.source is CycleSource.RING or Role.PHASE not in c.register_map.roles:
        return None
    gap = cycle.longest_gap_s if cycle.phases else None
    if gap is not None and gap <= limit:
        return None
    for_s = "at all" if gap is None else f"for {gap:.0f} s"
    sentence = f"the cycle was not watched {for_s}: it may be maintenance or a check sample"
    return Breach(sentence, gap, limit, "s")


_LONGEST_S = Parameter("longest_s", 600.0, "s", "longest ordinary cycle")

RULES: tuple[Rule, ...] = (
    Rule(
        201,
        "cycle_too_short",
        Family.CYCLE,
        "The cycle was too short to have heated and purged properly.",
        Severity.REJECT,
        Category.OUT_OF_SPECIFICATION,
        Quality.LAST_USABLE,
        Quality.BAD,
        parameters=(Parameter("shortest_s", 60.0, "s", "shortest ordinary cycle"),),
        on_cycle=_too_short,
    ),
    Rule(
        202,
        "cycle_too_long",
        Family.CYCLE,
        "The cycle took longer than an ordinary one: the sample may not be the present product.",
        Severity.DOUBT,
        Category.OUT_OF_SPECIFICATION,
        Quality.SUB_NORMAL,
        Quality.BAD,
        parameters=(_LONGEST_S,),
        on_cycle=_too_long,
    ),
    Rule(
        203,
        "result_overdue",
        Family.CYCLE,
        "The analyzer can be read, but no new result has come for longer than a cycle takes.",
        Severity.REJECT,
        Category.FAILURE,
        Quality.LAST_USABLE,
        Quality.NO_DATA,
        parameters=(_LONGEST_S,),
        on_live=_overdue,
    ),
    Rule(
        204,
        "counter_repeated",
        Family.CYCLE,
        "An old result was offered as a new one, or a new one under an old number.",
        Severity.REJECT,
        Category.FAILURE,
        Quality.LAST_USABLE,
        Quality.BAD,
        needs=(Role.RESULT_TIME,),
        on_cycle=_counter_repeated,
    ),
    Rule(
        205,
        "counter_reset",
        Family.CYCLE,
        "The analyzer's cycle counter started again. A new epoch begins.",
        Severity.NOTE,
        Category.OK,
        Quality.GOOD,
        Quality.BAD,
        needs=(Role.CYCLE_NUMBER,),
        on_cycle=_counter_reset,
    ),
    Rule(
        206,
        "cycles_missed",
        Family.CYCLE,
        "Cycles before this one are lost: they were finished while the analyzer was not read.",
        Severity.NOTE,
        Category.OK,
        Quality.GOOD,
        Quality.BAD,
        needs=(Role.CYCLE_NUMBER,),
        on_cycle=_cycles_missed,
    ),
    Rule(
        207,
        "maintenance",
        Family.CYCLE,
        "The analyzer was in maintenance during the cycle, or a person had declared it.",
        Severity.REJECT,
        Category.FUNCTION_CHECK,
        Quality.LAST_USABLE,
        Quality.OUT_OF_SERVICE,
        needs=(Role.PHASE,),
        on_cycle=_maintenance,
    ),
    Rule(
        208,
        "check_sample",
        Family.CYCLE,
        "The cycle measured a check sample, not the product, as the analyzer or a person says, or "
        "may hold some of it. Always in force.",
        Severity.REJECT,
        Category.FUNCTION_CHECK,
        Quality.LAST_USABLE,
        Quality.OUT_OF_SERVICE,
        needs=(Role.PHASE,),
        always="the value of a check sample is never one of the product",
        on_cycle=_check_sample,
    ),
    Rule(
        209,
        "maintenance_now",
        Family.CYCLE,
        "The analyzer is in maintenance at this moment, or a person has declared it.",
        Severity.REJECT,
        Category.FUNCTION_CHECK,
        Quality.LAST_USABLE,
        Quality.OUT_OF_SERVICE,
        needs=(Role.PHASE,),
        on_live=_maintenance_now,
    ),
    Rule(
        210,
        "check_sample_now",
        Family.CYCLE,
        "A check sample is being measured at this moment, as the analyzer or a person says.",
        Severity.REJECT,
        Category.FUNCTION_CHECK,
        Quality.LAST_USABLE,
        Quality.OUT_OF_SERVICE,
        needs=(Role.PHASE,),
        on_live=_check_sample_now,
    ),
    Rule(
        211,
        "caught_up",
        Family.CYCLE,
        "The result was fetched after a break; without its trace it cannot be checked.",
        Severity.DOUBT,
        Category.OK,
        Quality.SUB_NORMAL,
        Quality.BAD,
        on_cycle=_caught_up,
    ),
    Rule(
        212,
        "age_uncertain",
        Family.CYCLE,
        "The result was made while nobody read, and no clock that can be trusted tells when.",
        Severity.DOUBT,
        Category.OK,
        Quality.SUB_NORMAL,
        Quality.BAD,
        on_cycle=_age_uncertain,
    ),
    Rule(
        213,
        "unwatched",
        Family.CYCLE,
        "What the analyzer did during the cycle was not seen, or not long enough.",
        Severity.DOUBT,
        Category.OK,
        Quality.SUB_NORMAL,
        Quality.BAD,
        needs=(Role.PHASE,),
        parameters=(Parameter("longest_gap_s", 60.0, "s", "longest break between readings"),),
        on_cycle=_unwatched,
    ),
    *phases.RULES,
    *streams.RULES,
)
