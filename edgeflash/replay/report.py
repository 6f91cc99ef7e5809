"""What judging again has changed, as figures. Pure.

Collected cycle by cycle, so that a year of cycles needs the memory of its changes only.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from edgeflash.model import Finding, Result, Severity, Verdict
from edgeflash.replay.judge_again import Again
from edgeflash.replay.recorded import Recorded

VALUE_CHANGE_C = 0.005
"""A published value that differs by less is the same to whoever reads two decimals of it."""

_SEVERITIES = list(Severity)
_VERDICTS = (Verdict.ACCEPTED, Verdict.DOUBTFUL, Verdict.REJECTED)


class Turn(StrEnum):
    """How a cycle fares under the other configuration."""

    KEPT = "kept"
    BETTER = "better"
    WORSE = "worse"
    OTHER = "other"
    """The same verdict, but another value or another word on a low flash point."""
    SILENCED = "silenced"
    """A possible low flash point of which nothing is said any more."""
    UNKNOWN = "unknown"
    """It cannot be judged again."""


class RuleTurn(StrEnum):
    """How a rule's word on a cycle changes."""

    SPEAKS = "newly speaks"
    SILENT = "falls silent"
    STRICTER = "stricter"
    MILDER = "milder"


@dataclass(frozen=True, slots=True)
class Side:
    """What was, or would be, said of one cycle."""

    verdict: Verdict
    published_c: float | None
    low_flash: bool
    low_flash_alarm: bool
    reason: str


@dataclass(frozen=True, slots=True)
class Change:
    """One cycle that fares otherwise.

    seen_c: its recorded value at standard pressure, published or not. rules: what each rule with
    another word does.
    """

    id: str
    analyzer: str
    finished_at: datetime
    turn: Turn
    seen_c: float | None
    before: Side
    after: Side
    rules: tuple[tuple[str, RuleTurn], ...]


@dataclass(frozen=True, slots=True)
class NotJudged:
    """Cycles that could not be judged again, for one reason. first, last: their ids."""

    why: str
    count: int
    first: str
    last: str


@dataclass(frozen=True, slots=True)
class RuleChanges:
    """The cycles on which one rule's word changes in one way. first, last: their ids."""

    rule: str
    turn: RuleTurn
    count: int
    first: str
    last: str


@dataclass(slots=True)
class AnalyzerReport:
    """What changes for one analyzer. turns: of every cycle, at the time it finished."""

    analyzer: str
    before: Counter[Verdict] = field(default_factory=Counter)
    after: Counter[Verdict] = field(default_factory=Counter)
    low_flash_before: int = 0
    low_flash_after: int = 0
    turns: list[tuple[datetime, Turn]] = field(default_factory=list)

    def count(self, *turns: Turn) -> int:
        """How many cycles took one of these turns."""
        return sum(turn in turns for _, turn in self.turns)


@dataclass(slots=True)
class Tally:
    """A count with its first and last example."""

    count: int = 0
    first: str = ""
    last: str = ""

    def add(self, example: str) -> None:
        """One more."""
        self.count += 1
        self.first = self.first or example
        self.last = example


class Report:
    """What judging again has changed, over all cycles added."""

    def __init__(self) -> None:
        self.analyzers: dict[str, AnalyzerReport] = {}
        self.changes: list[Change] = []
        self.rules_versions: Counter[str] = Counter()
        self._rules: defaultdict[tuple[str, RuleTurn], Tally] = defaultdict(Tally)
        self._not_judged: defaultdict[str, Tally] = defaultdict(Tally)

    def add(self, again: Again) -> None:
        """One more cycle, in the order of judging."""
        recorded, result = again.recorded, again.result
        own = self.analyzers.setdefault(recorded.analyzer, AnalyzerReport(recorded.analyzer))
        if result is None:
            self._not_judged[again.why_not].add(recorded.id)
            own.turns.append((recorded.finished_at, Turn.UNKNOWN))
            return
        self.rules_versions[recorded.rules_version] += 1
        own.before[recorded.verdict] += 1
        own.after[result.verdict] += 1
        own.low_flash_before += recorded.low_flash
        own.low_flash_after += result.low_flash
        rules = tuple(rule_turns(recorded.findings, result.findings))
        for rule in rules:
            self._rules[rule].add(recorded.id)
        turn = turn_of(recorded, result)
        own.turns.append((recorded.finished_at, turn))
        if turn is not Turn.KEPT:
            self.changes.append(
                Change(
                    recorded.id,
                    recorded.analyzer,
                    recorded.finished_at,
                    turn,
                    recorded.computed.corrected_c,
                    _side(recorded),
                    _side(result),
                    rules,
                )
            )

    @property
    def judged(self) -> int:
        """Cycles that were judged again."""
        return sum(own.before.total() for own in self.analyzers.values())

    @property
    def cycles(self) -> int:
        """All cycles, also those that could not be judged again."""
        return sum(len(own.turns) for own in self.analyzers.values())

    @property
    def silenced(self) -> list[Change]:
        """Possible low flash points of which nothing would be said any more."""
        return [c for c in self.changes if c.turn is Turn.SILENCED]

    @property
    def not_judged(self) -> list[NotJudged]:
        """Why cycles could not be judged again, the commonest reason first."""
        found = [NotJudged(w, t.count, t.first, t.last) for w, t in self._not_judged.items()]
        return sorted(found, key=lambda n: -n.count)

    @property
    def rules(self) -> list[RuleChanges]:
        """Which rules speak otherwise, the most changes first."""
        found = [
            RuleChanges(rule, turn, t.count, t.first, t.last)
            for (rule, turn), t in self._rules.items()
        ]
        return sorted(found, key=lambda r: (-r.count, r.rule))

    @property
    def is_unchanged(self) -> bool:
        """True when every cycle was judged again, and none fares otherwise."""
        return not self.changes and not self._not_judged


def turn_of(before: Recorded, after: Result) -> Turn:
    """How the cycle fares. A danger of which nothing is said any more outweighs all else."""
    if before.low_flash and not after.low_flash:
        return Turn.SILENCED
    if before.low_flash_alarm and not after.low_flash_alarm:
        return Turn.SILENCED
    step = _VERDICTS.index(after.verdict) - _VERDICTS.index(before.verdict)
    if step:
        return Turn.WORSE if step > 0 else Turn.BETTER
    is_same_danger = (before.low_flash, before.low_flash_alarm) == (
        after.low_flash,
        after.low_flash_alarm,
    )
    is_same = is_same_danger and _is_same_value(before.published_c, after.published_c)
    return Turn.KEPT if is_same else Turn.OTHER


def rule_turns(
    before: Iterable[Finding], after: Iterable[Finding]
) -> Iterator[tuple[str, RuleTurn]]:
    """The rules with another word on a cycle, and how it changes."""
    was, is_now = _severities(before), _severities(after)
    for rule in dict.fromkeys((*was, *is_now)):
        old, new = was.get(rule), is_now.get(rule)
        if old is None:
            yield rule, RuleTurn.SPEAKS
        elif new is None:
            yield rule, RuleTurn.SILENT
        elif old is not new:
            milder = _SEVERITIES.index(new) < _SEVERITIES.index(old)
            yield rule, RuleTurn.MILDER if milder else RuleTurn.STRICTER


def _severities(findings: Iterable[Finding]) -> Mapping[str, Severity]:
    return {finding.rule: finding.severity for finding in findings}


def _is_same_value(before: float | None, after: float | None) -> bool:
    if before is None or after is None:
        return before is after
    return abs(before - after) < VALUE_CHANGE_C


def _side(said: Recorded | Result) -> Side:
    reason = next((f.rule for f in said.findings if f.severity is not Severity.NOTE), "")
    return Side(said.verdict, said.published_c, said.low_flash, said.low_flash_alarm, reason)
