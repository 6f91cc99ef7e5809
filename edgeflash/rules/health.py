"""The health of an analyzer after NAMUR NE 107: one category for all that is known. Pure.

Each rule has its category; the gravest of the latest cycle's findings and of what is said of the
present stands for the analyzer (order from memory of NE 107: failure, function check, out of
specification, maintenance required).
"""

from __future__ import annotations

from collections.abc import Iterable

from edgeflash.model import Finding
from edgeflash.publication import LinkState, Standing
from edgeflash.rules.catalogue import BY_CODE
from edgeflash.trust import Category

GRAVEST_FIRST = (
    Category.FAILURE,
    Category.FUNCTION_CHECK,
    Category.OUT_OF_SPECIFICATION,
    Category.MAINTENANCE_REQUIRED,
    Category.OK,
)

_BROKEN_LINK = (LinkState.DOWN, LinkState.MISCONFIGURED)


def health(standing: Standing) -> Category | None:
    """The category; None before anything is known. What is only noted counts too."""
    if standing.link in _BROKEN_LINK:
        return Category.FAILURE
    present = [one.finding for one in standing.standing]
    if standing.latest is None and not present:
        return None
    cycle = standing.latest.findings if standing.latest is not None else ()
    return min(_categories((*cycle, *present)), key=GRAVEST_FIRST.index, default=Category.OK)


def _categories(findings: Iterable[Finding]) -> list[Category]:
    """The category of each finding; of a rule that is no longer in the catalogue, none."""
    return [rule.category for f in findings if (rule := BY_CODE.get(f.code)) is not None]
