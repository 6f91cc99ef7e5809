"""Process rules: does the value fit what came before it?"""

from __future__ import annotations

from statistics import median

from edgeflash.model import Severity
from edgeflash.rules.level import candidate, is_believed, of_the_same, reference
from edgeflash.rules.memory import LOW_FLASH_STANDS, Remembered, is_check_sample
from edgeflash.rules.robust import (
    chance_of_run,
    prediction_factor,
    resolution_of,
    robust_sd,
    short_term_sd,
)
from edgeflash.rules.rule import Breach, CycleContext, Family, Parameter, Parameters, Rule
from edgeflash.rules.settling import SETTLING, settling
from edgeflash.trust import Category, Quality

LEAST_STEPS_FROM = 5
"""Values from which the spread between neighbours is told; fewer could show too much by chance."""

TRACES_BACK = 8


def _outlier(c: CycleContext, p: Parameters) -> Breach | None:
    value_c, past, within = c.computed.corrected_c, of_the_same(c), int(p["candidate_cycles"])
    if value_c is None or is_check_sample(c.cycle):
        return None
    level = _values(reference(past, within))[-int(p["most_cycles"]) :]
    if len(level) < p["least_cycles"]:
        return None
    centre_c = median(level)
    # Values that differ widely must not make room for anything: the spread is bounded both ways.
    spread_c = max(min(robust_sd(level), p["most_sd_c"]), p["least_sd_c"])
    most_c = p["factor"] * spread_c * prediction_factor(len(level))
    off_c = value_c - centre_c
    if abs(off_c) <= most_c:
        return None
    limit_c = centre_c + (most_c if off_c > 0 else -most_c)
    before = candidate(past, within)
    if c.sound and before is not None and _confirms(value_c, before, centre_c, p["confirm_c"]):
        sentence = (
            f"confirmed: a new level; {value_c:.1f} °C after {before.value_c:.1f} °C, where it "
            f"was {centre_c:.1f} °C"
        )
        return Breach(sentence, value_c, limit_c, "°C", Severity.NOTE)
    sentence = (
        f"{value_c:.1f} °C is far from the {centre_c:.1f} °C of the last {len(level)} cycles; "
        "a second cycle must confirm it"
    )
    severity = Severity.REJECT if off_c > 0 else Severity.DOUBT
    return Breach(sentence, value_c, limit_c, "°C", severity)


def _confirms(value_c: float, before: Remembered, centre_c: float, apart_c: float) -> bool:
    """True when a value confirms the outlier before it.

    They must agree, on one side of the level. On the low side a value that lies still lower
    confirms too: contamination comes as a ramp, and to wait for its end would be to wait too long.
    """
    if before.value_c is None or (before.value_c > centre_c) != (value_c > centre_c):
        return False
    return abs(value_c - before.value_c) <= apart_c or value_c < min(before.value_c, centre_c)


def _values(past: list[Remembered]) -> list[float]:
    return [r.value_c for r in past if r.value_c is not None]


def _frozen(c: CycleContext, p: Parameters) -> Breach | None:
    return _same_trace(c) or _same_value(c, p)


def _same_trace(c: CycleContext) -> Breach | None:
    digest, own = c.computed.trace_digest, (c.cycle.epoch, c.cycle.cycle_number)
    for r in reversed(c.memory.past[-TRACES_BACK:]):
        if digest is not None and r.trace_digest == digest and (r.epoch, r.cycle_number) != own:
            return Breach(f"the trace is that of cycle {r.cycle_number}, sample for sample")
    return None


def _same_value(c: CycleContext, p: Parameters) -> Breach | None:
    reported_c, past = c.computed.reported_c, of_the_same(c)
    if reported_c is None or is_check_sample(c.cycle):
        return None
    repeats = 0
    for r in reversed(past):
        if r.reported_c != reported_c:
            break
        repeats += 1
    if repeats == 0:
        return None
    # The run itself must not tell how much the values usually differ.
    before = past[: len(past) - repeats]
    usual = [r.reported_c for r in before if is_believed(r) and r.reported_c is not None]
    sd_c = p["least_sd_c"]
    if len(usual) >= LEAST_STEPS_FROM:
        sd_c = max(sd_c, short_term_sd(usual))
    shown = [reported_c, *(r.reported_c for r in past if r.reported_c is not None)]
    chance = chance_of_run(repeats, resolution_of(shown) or p["resolution_c"], sd_c)
    if chance >= p["doubt_chance"]:
        return None
    severity = Severity.REJECT if chance < p["reject_chance"] else Severity.DOUBT
    limit = p["reject_chance"] if severity is Severity.REJECT else p["doubt_chance"]
    sentence = (
        f"{reported_c:.2f} °C was reported {repeats + 1} times in a row; the chance of that is "
        f"below {limit:g}"
    )
    return Breach(sentence, chance, limit, "", severity)


def _low_flash_stands(c: CycleContext, p: Parameters) -> Breach | None:
    """Never of itself: low_flash.with_alarm makes these findings when the alarm is known."""
    return None


def _prediction_disagrees(c: CycleContext, p: Parameters) -> Breach | None:
    value_c, predicted_c = c.computed.corrected_c, c.assessment.predicted_c
    if value_c is None or predicted_c is None or is_check_sample(c.cycle):
        return None
    residuals_c = [
        r.value_c - r.predicted_c
        for r in of_the_same(c)
        if not r.reasons and r.value_c is not None and r.predicted_c is not None
    ]
    is_proven = len(residuals_c) >= p["least_cycles"]
    bias_c = median(residuals_c) if is_proven else 0.0
    limit_c = p["limit_c"] if is_proven else p["unproven_limit_c"]
    off_c = value_c - predicted_c - bias_c
    if abs(off_c) <= limit_c:
        return None
    usual = f", which is usually {bias_c:+.1f} °C off" if is_proven else ""
    sentence = f"{value_c:.1f} °C, but {predicted_c:.1f} °C is predicted{usual}"
    return Breach(sentence, off_c, limit_c if off_c > 0 else -limit_c, "°C")


RULES: tuple[Rule, ...] = (
    Rule(
        601,
        "outlier",
        Family.PROCESS,
        "The value lies far from the recent ones of the same stream and product. A second cycle "
        "that agrees confirms a new level; until then a high one is rejected, a low one doubtful.",
        Severity.REJECT,
        Category.OUT_OF_SPECIFICATION,
        Quality.SUB_NORMAL,
        Quality.BAD,
        parameters=(
            Parameter("factor", 4.0, "1", "limit in spreads about the median of the recent cycles"),
            Parameter("least_sd_c", 0.5, "°C", "least spread, however still the values stand"),
            Parameter("most_sd_c", 2.0, "°C", "most spread, however widely the values differ"),
            Parameter("least_cycles", 2.0, "cycles", "fewest to compare with"),
            Parameter("most_cycles", 20.0, "cycles", "most to compare with, the newest"),
            Parameter("confirm_c", 2.0, "°C", "furthest apart of two cycles that agree"),
            Parameter("candidate_cycles", 3.0, "cycles", "within which an outlier is confirmed"),
        ),
        looks_back=True,
        on_cycle=_outlier,
    ),
    Rule(
        602,
        "frozen",
        Family.PROCESS,
        "The same value came too often in a row, or the same trace again, to be a measurement.",
        Severity.REJECT,
        Category.FAILURE,
        Quality.LAST_USABLE,
        Quality.SENSOR_FAILURE,
        parameters=(
            Parameter("reject_chance", 1e-6, "1", "chance of such a run that rejects"),
            Parameter("doubt_chance", 1e-4, "1", "chance of such a run that raises doubt"),
            Parameter("least_sd_c", 0.1, "°C", "least spread of results, however still they stand"),
            Parameter("resolution_c", 0.1, "°C", "step of the reported value, until it is seen"),
        ),
        looks_back=True,
        on_cycle=_frozen,
    ),
    Rule(
        603,
        SETTLING,
        Family.PROCESS,
        "After a change of stream or product the cup may still hold the one before.",
        Severity.REJECT,
        Category.OUT_OF_SPECIFICATION,
        Quality.SUB_NORMAL,
        Quality.BAD,
        looks_back=True,
        on_cycle=settling,
    ),
    Rule(
        604,
        "prediction_disagrees",
        Family.PROCESS,
        "The value lies far from the one that the blend or the distillation lets expect. Never "
        "more than a doubt: the prediction is the weaker evidence.",
        Severity.DOUBT,
        Category.OUT_OF_SPECIFICATION,
        Quality.SUB_NORMAL,
        Quality.BAD,
        parameters=(
            Parameter("limit_c", 8.0, "°C", "furthest from the prediction with its usual offset"),
            Parameter("unproven_limit_c", 12.0, "°C", "furthest while its offset is not known"),
            Parameter("least_cycles", 5.0, "cycles", "accepted ones that tell the usual offset"),
        ),
        keys=("prediction",),
        looks_back=True,
        on_cycle=_prediction_disagrees,
    ),
    Rule(
        605,
        LOW_FLASH_STANDS,
        Family.PROCESS,
        "The alarm of a possible low flash point stands for this stream of the analyzer. Only an "
        "accepted cycle of the stream, without evidence, clears it. Always in force.",
        Severity.NOTE,
        Category.OK,
        Quality.GOOD,
        Quality.BAD,
        looks_back=True,
        always="the alarm must outlast the cycles of other streams",
        on_cycle=_low_flash_stands,
    ),
)
