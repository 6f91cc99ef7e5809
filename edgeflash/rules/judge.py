"""Judges cycles and the present state by a rulebook. Pure: the same input, the same findings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from edgeflash.config.site import Analyzer, Product
from edgeflash.model import (
    Assessment,
    Computed,
    Cycle,
    Finding,
    InputReading,
    Result,
    Role,
    Severity,
    Verdict,
)
from edgeflash.publication import StandingFinding, sampled_before
from edgeflash.rules.catalogue import BY_CODE, BY_NAME, NO_VALUE, VERSION
from edgeflash.rules.low_flash import low_flash_evidence, low_flash_unjudged, with_alarm
from edgeflash.rules.memory import Memory
from edgeflash.rules.proof import checks_after
from edgeflash.rules.rule import Breach, CycleContext, LiveContext
from edgeflash.rules.tuning import Tuned
from edgeflash.trust import Quality

_WORST_FIRST = (Severity.REJECT, Severity.DOUBT, Severity.NOTE)


def _finding(tuned: Tuned, breach: Breach) -> Finding:
    return Finding(
        code=tuned.rule.code,
        rule=tuned.rule.name,
        severity=tuned.severity(breach.severity),
        sentence=breach.sentence,
        measured=breach.measured,
        limit=breach.limit,
        unit=breach.unit,
    )


def findings(context: CycleContext, rulebook: Sequence[Tuned]) -> tuple[Finding, ...]:
    """What the rules say about a cycle: the worst first, then danger first, then by code."""
    found = [
        _finding(tuned, breach)
        for tuned in rulebook
        if tuned.rule.on_cycle is not None
        and (breach := tuned.rule.on_cycle(context, tuned.parameters)) is not None
    ]
    found.sort(key=_urgency)
    explained = [f for f in found if f.severity is Severity.REJECT and f.code != NO_VALUE.code]
    return tuple(f for f in found if not explained or f.code != NO_VALUE.code)


def _urgency(finding: Finding) -> tuple[int, bool, int]:
    rule = BY_CODE[finding.code]
    return (_WORST_FIRST.index(finding.severity), not rule.low_flash, finding.code)


def verdict_of(found: Sequence[Finding]) -> Verdict:
    """The worst finding decides."""
    severities = {finding.severity for finding in found}
    if Severity.REJECT in severities:
        return Verdict.REJECTED
    return Verdict.DOUBTFUL if Severity.DOUBT in severities else Verdict.ACCEPTED


def result_of(
    context: CycleContext,
    rulebook: Sequence[Tuned],
    own: Sequence[Finding],
    judged_at: datetime,
) -> Result:
    """The result of a cycle. One without a value to publish is always rejected, by `no_value`
    where no other rule says why.

    own: what the rules that need no past have found; those that look back are asked here.
    """
    sound = all(finding.severity is Severity.NOTE for finding in own)
    context = replace(context, sound=sound)
    back = findings(context, [t for t in rulebook if t.rule.looks_back])
    found = tuple(sorted((*own, *back), key=_urgency))
    verdict = verdict_of(found)
    low = low_flash_evidence(context, found)
    cycle, computed = context.cycle, context.computed
    result = Result(
        cycle=cycle,
        computed=computed,
        findings=found,
        verdict=verdict,
        published_c=computed.corrected_c if verdict is not Verdict.REJECTED else None,
        low_flash=low,
        low_flash_alarm=low,
        sampled_at=sampled_before(
            cycle.finished_at,
            computed.time_after_ignition_s or 0.0,
            context.analyzer.transport_lag_s,
        ),
        judged_at=judged_at,
        product=context.product_name,
        rules_version=VERSION,
        assessment=context.assessment,
        inputs=context.inputs,
        checks=checks_after(context, own),
    )
    return with_alarm(result, context.memory, context.analyzer)


def unjudged(
    cycle: Cycle,
    analyzer: Analyzer,
    product: Product | None,
    product_name: str,
    *,
    failure: str,
    memory: Memory,
    judged_at: datetime,
    inputs: tuple[InputReading, ...] = (),
) -> Result:
    """The result of a cycle whose judging failed: rejected, kept, and never silent about danger.

    product: the one whose minimum holds.
    """
    low = low_flash_unjudged(cycle, analyzer, product)
    rule = BY_NAME["judging_failed"]
    sentence = f"the gateway failed while judging: {failure}"
    result = Result(
        cycle=replace(cycle, trace=None, pulse=None),
        computed=Computed(reported_c=cycle.number_value(Role.FLASH_POINT)),
        findings=(Finding(rule.code, rule.name, Severity.REJECT, sentence),),
        verdict=Verdict.REJECTED,
        published_c=None,
        low_flash=low,
        low_flash_alarm=low,
        sampled_at=cycle.finished_at,
        judged_at=judged_at,
        product=product_name,
        rules_version=VERSION,
        assessment=Assessment(stream=cycle.stream),
        inputs=inputs,
        checks=memory.checks,
    )
    return with_alarm(result, memory, analyzer)


def present_unjudged(failure: str) -> tuple[StandingFinding, ...]:
    """What stands when the judging of the moment itself failed: nothing that is shown is known."""
    rule = BY_NAME["judging_failed"]
    sentence = f"the gateway failed while judging the present: {failure}"
    finding = Finding(rule.code, rule.name, Severity.REJECT, sentence)
    return (StandingFinding(finding, Quality.BAD, Quality.BAD),)


def standing_findings(
    context: LiveContext, rulebook: Sequence[Tuned]
) -> tuple[StandingFinding, ...]:
    """What the rules say about this moment, in order of code; notes are left out."""
    found: list[StandingFinding] = []
    for tuned in rulebook:
        if tuned.rule.on_live is None:
            continue
        breach = tuned.rule.on_live(context, tuned.parameters)
        if breach is None:
            continue
        finding = _finding(tuned, breach)
        if finding.severity is not Severity.NOTE:
            found.append(StandingFinding(finding, tuned.rule.shown_as, tuned.rule.without_value))
    return tuple(found)
