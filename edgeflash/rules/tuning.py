"""The rules as one analyzer uses them: the catalogue with the site file's changes."""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from dataclasses import dataclass

from edgeflash.config.site import Analyzer, RuleTuning
from edgeflash.model import Severity
from edgeflash.rules.catalogue import BY_NAME, RULES
from edgeflash.rules.rule import Parameters, Rule

_ORDER = list(Severity)


@dataclass(frozen=True, slots=True)
class Tuned:
    """One rule with the parameters and the worst severity in force."""

    rule: Rule
    parameters: Parameters
    most: Severity

    def severity(self, breach_severity: Severity | None) -> Severity:
        """The severity of a breach: its own, or the rule's, but never above what is allowed."""
        asked = breach_severity or self.rule.severity
        return min(asked, self.most, key=_ORDER.index)


def rulebook(analyzer: Analyzer) -> tuple[Tuned, ...]:
    """The rules in force for an analyzer, in order of code; switched-off ones are left out."""
    book: list[Tuned] = []
    for rule in RULES:
        tuning = analyzer.rules.get(rule.name, RuleTuning())
        if tuning.enabled or rule.always:
            most = rule.severity if rule.always else tuning.severity or rule.severity
            book.append(Tuned(rule, {**rule.defaults, **tuning.parameters}, most))
    return tuple(book)


@dataclass(frozen=True, slots=True)
class Change:
    """One rule that is off, or milder than the catalogue has it. stream: where only there."""

    rule: str
    what: str
    because: str
    stream: int | None = None

    def __str__(self) -> str:
        where = "" if self.stream is None else f" on stream {self.stream}"
        why = f", because: {self.because}" if self.because else ", without a reason"
        return f"{self.rule} {self.what}{where}{why}"


def changes(analyzer: Analyzer) -> Iterator[Change]:
    """What a site has turned off or lowered: said at the start, and by `edgeflash check`."""
    tables = [(None, analyzer.rules), *((s.number, s.rules) for s in analyzer.streams)]
    for stream, rules in tables:
        for name, tuning in rules.items():
            if not tuning.enabled:
                yield Change(name, "off", tuning.because, stream)
            elif tuning.severity is not None:
                yield Change(name, f"at most {tuning.severity.value}", tuning.because, stream)


def tuning_mistakes(analyzer: Analyzer) -> Iterator[tuple[tuple[str, ...], str]]:
    """What is wrong in an analyzer's `rules` tables: (keys below `rules`, problem)."""
    for name, tuning in analyzer.rules.items():
        rule = BY_NAME.get(name)
        if rule is None:
            yield (name,), f"there is no rule '{name}'{_nearest(name, BY_NAME)}"
            continue
        if rule.always and (not tuning.enabled or tuning.severity is not None):
            yield (name,), f"rule '{name}' is always in force and cannot be changed: {rule.always}"
        for parameter in tuning.parameters:
            if parameter not in rule.defaults:
                hint = _nearest(parameter, rule.defaults)
                yield (
                    (name, "parameters", parameter),
                    f"rule '{name}' has no parameter '{parameter}'{hint}",
                )


def _nearest(name: str, known: object) -> str:
    names = list(known) if isinstance(known, dict) else []
    near = difflib.get_close_matches(name, names, n=1)
    if near:
        return f"; did you mean '{near[0]}'?"
    return f"; there are: {', '.join(names)}" if len(names) <= 6 and names else ""
