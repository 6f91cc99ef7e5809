"""Proof rules: is the analyzer still the one that its check samples have proven?"""

from __future__ import annotations

from collections.abc import Sequence

from edgeflash.model import CheckResult, Finding, Severity
from edgeflash.rules.memory import PAST_CHECKS, is_check_sample
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

DAY_S = 86_400.0

_RUN_RULES = (
    "3 and 2 of 2 beyond 2 standard deviations, as on control charts after ASTM D6299; "
    "wording from memory"
)


NO_FAULT_OF_A_CHECK = frozenset(
    {"check_sample", "maintenance", "device_fault", "outside_range", "start_temperature"}
)
"""Rules that spoil no check sample.

The first three speak on every one, or may: the analyzer tells of it by a bit as well. A value far
out is the worst of failed checks, not a check that was none, and the ramp begins where the product
wants it, not the check fluid.
"""


def checks_after(c: CycleContext, own: Sequence[Finding]) -> tuple[CheckResult, ...]:
    """The check samples known after this cycle: those before it, and its own if it is one.

    One that a rule rejects for itself (torn, no heating, a step instead of a flash) proves
    nothing. own: what the rules that need no past have found.
    """
    cycle, verification = c.cycle, c.analyzer.verification
    value_c = c.computed.corrected_c
    is_faulty = cycle.torn or any(
        f.severity is Severity.REJECT and f.rule not in NO_FAULT_OF_A_CHECK for f in own
    )
    if not is_check_sample(cycle) or verification is None or value_c is None or is_faulty:
        return c.memory.checks
    this = CheckResult(
        cycle.epoch, cycle.cycle_number, cycle.finished_at, value_c, verification.reference_c
    )
    return (*c.memory.checks, this)[-PAST_CHECKS:]


def _check_out_of_limits(c: CycleContext, p: Parameters) -> Breach | None:
    verification, checks = c.analyzer.verification, c.memory.checks
    if verification is None or not checks or is_check_sample(c.cycle):
        return None
    off_c = [check.corrected_c - check.reference_c for check in checks]
    last_c, warning_c = off_c[-1], p["warning_factor"] * verification.sd_c
    action_c = p["action_factor"] * verification.sd_c
    if abs(last_c) > action_c:
        sentence = f"the last check sample was {last_c:+.1f} °C off its reference value"
        return Breach(sentence, last_c, action_c if last_c > 0 else -action_c, "°C")
    for sign in (1.0, -1.0):
        if len(off_c) >= 2 and min(sign * off_c[-2], sign * last_c) > warning_c:
            sentence = (
                f"the last two check samples were {off_c[-2]:+.1f} and {last_c:+.1f} °C off their "
                "reference value, both to one side"
            )
            return Breach(sentence, last_c, sign * warning_c, "°C")
    return None


def _verification_overdue(c: LiveContext, p: Parameters) -> Breach | None:
    verification, since_s = c.analyzer.verification, c.since_check_s
    if verification is None:
        return None
    if since_s is None:
        return Breach("no check sample has been measured yet")
    days, due_days = since_s / DAY_S, verification.due_days
    if days <= due_days:
        return None
    sentence = (
        f"the last check sample was measured {days:.1f} days ago; one is due each {due_days:g}"
    )
    return Breach(sentence, days, due_days, "d")


RULES: tuple[Rule, ...] = (
    Rule(
        701,
        "check_out_of_limits",
        Family.PROOF,
        "The last check sample lies outside its control limits: the analyzer reads too high or too "
        "low until one is within them.",
        Severity.DOUBT,
        Category.OUT_OF_SPECIFICATION,
        Quality.NOT_ACCURATE,
        Quality.BAD,
        parameters=(
            Parameter("action_factor", 3.0, "1", "limit for one check, in sd_c", _RUN_RULES),
            Parameter("warning_factor", 2.0, "1", "limit for two to one side", _RUN_RULES),
        ),
        keys=("verification",),
        looks_back=True,
        on_cycle=_check_out_of_limits,
    ),
    Rule(
        702,
        "verification_overdue",
        Family.PROOF,
        "The next check sample is due. The value stays good; the alarm tells.",
        Severity.NOTE,
        Category.MAINTENANCE_REQUIRED,
        Quality.GOOD,
        Quality.BAD,
        keys=("verification",),
        on_live=_verification_overdue,
    ),
)
