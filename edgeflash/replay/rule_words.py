"""What every rule had to say on one recorded cycle, or why it had nothing to say. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from math import isclose

from edgeflash.config.analyzer_map import AnalyzerMap
from edgeflash.config.roles import has_trace
from edgeflash.config.site import Analyzer, RuleTuning
from edgeflash.model import Finding, Severity
from edgeflash.rules.catalogue import RULES, blind_rules
from edgeflash.rules.rule import Breach, CycleContext, Rule
from edgeflash.rules.tuning import Tuned

_PROBES = (1.0, 2.0, 3.0)


class Word(StrEnum):
    """Whether a rule spoke."""

    SPOKE = "spoke"
    SILENT = "silent"
    BLIND = "blind"
    OFF = "off"
    LIVE = "live"
    """It watches the present, so no cycle is asked of it."""


@dataclass(frozen=True, slots=True)
class RuleWord:
    """One rule and its word. sentence: of the finding, or why there is none.

    measured, limit: in `unit`; of a silent rule only where they could be found out.
    """

    code: int
    rule: str
    word: Word
    severity: Severity | None = None
    sentence: str = ""
    measured: float | None = None
    limit: float | None = None
    unit: str = ""


def rule_words(
    findings: tuple[Finding, ...],
    analyzer: Analyzer,
    register_map: AnalyzerMap,
    book: tuple[Tuned, ...],
    context: CycleContext | None,
) -> tuple[RuleWord, ...]:
    """The word of every rule, by code. findings: as recorded.

    What is off or blind follows the present configuration. context: the cycle as the rules see it;
    None when what was read was not kept.
    """
    spoke = {finding.code: finding for finding in findings}
    tuned = {t.rule.code: t for t in book}
    needed = _needed(analyzer, register_map)
    return tuple(
        _word(rule, spoke.get(rule.code), tuned.get(rule.code), needed, analyzer, context)
        for rule in RULES
    ) + tuple(_spoken(f) for f in findings if all(f.code != rule.code for rule in RULES))


def _word(
    rule: Rule,
    finding: Finding | None,
    tuned: Tuned | None,
    needed: Mapping[str, str],
    analyzer: Analyzer,
    context: CycleContext | None,
) -> RuleWord:
    if finding is not None:
        return _spoken(finding)
    if tuned is None:
        because = analyzer.rules.get(rule.name, RuleTuning()).because
        return RuleWord(rule.code, rule.name, Word.OFF, sentence=because)
    if rule.on_cycle is None:
        return RuleWord(rule.code, rule.name, Word.LIVE)
    if rule.name in needed:
        return RuleWord(rule.code, rule.name, Word.BLIND, sentence=needed[rule.name])
    measured = None if context is None else measured_by(tuned, context)
    if measured is None:
        return RuleWord(rule.code, rule.name, Word.SILENT)
    value, limit, unit = measured
    return RuleWord(rule.code, rule.name, Word.SILENT, measured=value, limit=limit, unit=unit)


def _spoken(finding: Finding) -> RuleWord:
    return RuleWord(
        finding.code,
        finding.rule,
        Word.SPOKE,
        finding.severity,
        finding.sentence,
        finding.measured,
        finding.limit,
        finding.unit,
    )


def _needed(analyzer: Analyzer, register_map: AnalyzerMap) -> dict[str, str]:
    """By name of a blind rule, what would open its eyes."""
    roles = frozenset(register_map.roles)
    return {
        blind.rule: ", ".join((*blind.unmapped, *blind.unset))
        for blind in blind_rules(roles, has_trace(roles), analyzer)
    }


def measured_by(tuned: Tuned, context: CycleContext) -> tuple[float, float, str] | None:
    """What a silent rule has measured, its limit in force, and their unit; None: it cannot tell.

    The rule is asked again with a limit that no cycle can meet. A parameter is a limit when the
    measured value does not depend on it and the limit that the breach names follows it in a
    straight line; the line gives the limit in force.
    """
    for parameter in tuned.rule.parameters:
        reach = 1000.0 * max(1.0, abs(parameter.default))
        for far in (-reach, reach):
            points = list(_asked(tuned, context, parameter.name, far))
            if len(points) < len(_PROBES):
                continue
            (x0, b0), (x1, b1), (x2, b2) = points
            assert b0.limit is not None and b1.limit is not None and b2.limit is not None
            slope = (b1.limit - b0.limit) / (x1 - x0)
            is_line = isclose(b2.limit, b1.limit + slope * (x2 - x1), rel_tol=1e-9)
            if slope == 0.0 or not is_line or not b0.measured == b1.measured == b2.measured:
                continue
            limit = b0.limit + slope * (tuned.parameters[parameter.name] - x0)
            assert b0.measured is not None
            return b0.measured, limit, b0.unit
    return None


def _asked(
    tuned: Tuned, context: CycleContext, name: str, far: float
) -> Iterator[tuple[float, Breach]]:
    """The breaches with values of a parameter that lie far out."""
    check = tuned.rule.on_cycle
    assert check is not None
    for factor in _PROBES:
        try:
            breach = check(context, {**tuned.parameters, name: far * factor})
        except (ArithmeticError, ValueError, LookupError):
            return  # no rule is made for such values
        if breach is None or breach.measured is None or breach.limit is None:
            return
        yield far * factor, breach
