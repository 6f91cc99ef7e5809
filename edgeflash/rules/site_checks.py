"""The checks of a site file that need the rule catalogue."""

from __future__ import annotations

from collections.abc import Iterator

from edgeflash.config.problems import Problem
from edgeflash.config.site import Site
from edgeflash.rules.tuning import tuning_mistakes


def rule_problems(site: Site) -> Iterator[Problem]:
    """Unknown rules and parameters in the analyzers' `rules` tables."""
    for index, analyzer in enumerate(site.file.analyzers):
        for keys, problem in tuning_mistakes(analyzer):
            yield Problem(("analyzers", index, "rules", *keys), problem)
