"""Every rule there is, in order of code."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from edgeflash.config.site import Analyzer
from edgeflash.model import Role
from edgeflash.rules import cycle, fluids, ignition, process, proof, signal, temperature
from edgeflash.rules.rule import Rule, TraceUse
from edgeflash.trust import Quality

VERSION = "4"
"""Raised with every change of a rule's meaning; recorded with each result."""

RULES: tuple[Rule, ...] = tuple(
    sorted(
        (
            *signal.RULES,
            *cycle.RULES,
            *ignition.RULES,
            *temperature.RULES,
            *fluids.RULES,
            *process.RULES,
            *proof.RULES,
        ),
        key=lambda r: r.code,
    )
)
BY_NAME: Mapping[str, Rule] = {rule.name: rule for rule in RULES}
BY_CODE: Mapping[int, Rule] = {rule.code: rule for rule in RULES}
NO_VALUE = BY_NAME["no_value"]
"""Said where no other rule says why a cycle is rejected."""

QUALITY_OF_RULE: Mapping[int, tuple[Quality, Quality]] = {
    rule.code: (rule.shown_as, rule.without_value) for rule in RULES
}


@dataclass(frozen=True, slots=True)
class Blind:
    """A rule that cannot work, with what would open its eyes.

    unmapped: what the register map leaves out; unset: keys that the site file leaves out.
    """

    rule: str
    unmapped: tuple[str, ...] = ()
    unset: tuple[str, ...] = ()


def blind_rules(roles: frozenset[Role], has_trace: bool, analyzer: Analyzer) -> list[Blind]:
    """The rules that cannot work with these roles and with the analyzer as the site file has it."""
    blind: list[Blind] = []
    for rule in RULES:
        unmapped = tuple(role.value for role in rule.needs if role not in roles)
        match rule.trace:
            case TraceUse.NEEDED if not has_trace:
                unmapped = (*unmapped, "a trace")
            case TraceUse.INSTEAD if has_trace:
                unmapped = ()
        unset = tuple(key for key in rule.keys if not _is_set(analyzer, key))
        if unmapped or unset:
            blind.append(Blind(rule.name, unmapped, unset))
    return blind


def _is_set(analyzer: Analyzer, key: str) -> bool:
    """True when the analyzer, or one of its streams, has a value under the key."""
    given = [getattr(analyzer, key), *(getattr(s, key, None) for s in analyzer.streams)]
    return any(value not in (None, ()) for value in given)
