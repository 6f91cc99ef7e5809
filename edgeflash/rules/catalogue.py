"""Every rule there is, in order of code."""

from __future__ import annotations

from collections.abc import Mapping

from edgeflash.model import Role
from edgeflash.rules import cycle, fluids, ignition, signal, temperature
from edgeflash.rules.rule import Rule, TraceUse
from edgeflash.trust import Quality

VERSION = "1"
"""Raised with every change of a rule's meaning; recorded with each result."""

RULES: tuple[Rule, ...] = tuple(
    sorted(
        (*signal.RULES, *cycle.RULES, *ignition.RULES, *temperature.RULES, *fluids.RULES),
        key=lambda r: r.code,
    )
)
BY_NAME: Mapping[str, Rule] = {rule.name: rule for rule in RULES}
BY_CODE: Mapping[int, Rule] = {rule.code: rule for rule in RULES}
NO_VALUE = BY_NAME["no_value"]
"""The one rule that cannot be switched off or lowered: a rejected cycle always says why."""

QUALITY_OF_RULE: Mapping[int, tuple[Quality, Quality]] = {
    rule.code: (rule.shown_as, rule.without_value) for rule in RULES
}


def blind_rules(roles: frozenset[Role], has_trace: bool) -> list[tuple[str, tuple[str, ...]]]:
    """Rules that cannot work with these roles, each with what would open its eyes."""
    blind: list[tuple[str, tuple[str, ...]]] = []
    for rule in RULES:
        missing = tuple(role.value for role in rule.needs if role not in roles)
        match rule.trace:
            case TraceUse.NEEDED if not has_trace:
                missing = (*missing, "a trace")
            case TraceUse.INSTEAD if has_trace:
                missing = ()
        if missing:
            blind.append((rule.name, missing))
    return blind
