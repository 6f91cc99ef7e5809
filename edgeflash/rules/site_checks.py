"""The checks of a site file that need the rule catalogue."""

from __future__ import annotations

from collections.abc import Iterator

from edgeflash.config.problems import Problem
from edgeflash.config.site import Site
from edgeflash.rules.tuning import rulebook, tuning_mistakes


def rule_problems(site: Site) -> Iterator[Problem]:
    """Unknown rules and parameters in the analyzers' `rules` tables."""
    for index, analyzer in enumerate(site.file.analyzers):
        for keys, problem in tuning_mistakes(analyzer):
            yield Problem(("analyzers", index, "rules", *keys), problem)


def hold_problems(site: Site) -> Iterator[Problem]:
    """A hold time that ends before the next cycle can: a good value would go bad in every cycle."""
    for index, analyzer in enumerate(site.file.analyzers):
        for tuned in rulebook(analyzer):
            if tuned.rule.name != "result_overdue":
                continue
            longest_s = tuned.parameters["longest_s"]
            if analyzer.hold_s < longest_s:
                where = ("analyzers", index)
                yield Problem(
                    (*where, "hold_s"),
                    f"must be at least as long as a cycle may take: {longest_s:g} s "
                    f"(rule result_overdue, longest_s), not {analyzer.hold_s:g}",
                    uses=((*where, "rules"),),
                )
