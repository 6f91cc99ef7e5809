"""The level that a stream stands at: which remembered cycles a new one is compared with. Pure.

An outlier waits as a candidate. The next sound cycle decides: it confirms the candidate, and the
two begin a new level, or it goes back to the old one. No outlier is part of a level before that.
"""

from __future__ import annotations

from collections.abc import Sequence

from edgeflash.rules.memory import Remembered
from edgeflash.rules.rule import CycleContext

OUTLIER = "outlier"

BESIDE_THE_CYCLE = frozenset({"prediction_disagrees", "check_out_of_limits"})
"""Doubts about an offset or about the prediction. They say nothing against a cycle's value beside
those of its neighbours, and a true change of product must be confirmed in spite of them."""


def of_the_same(c: CycleContext) -> list[Remembered]:
    """The remembered cycles of the same stream and product, without check samples."""
    return [
        r
        for r in c.memory.past
        if r.stream == c.assessment.stream and r.product == c.product_name and not r.is_check
    ]


def is_believed(r: Remembered) -> bool:
    """True when nothing speaks against the cycle itself."""
    return r.value_c is not None and set(r.reasons) <= BESIDE_THE_CYCLE


def is_sound_outlier(r: Remembered) -> bool:
    """True when nothing speaks against the cycle itself but that it lies far from the level."""
    reasons = set(r.reasons)
    return r.value_c is not None and OUTLIER in reasons and reasons <= BESIDE_THE_CYCLE | {OUTLIER}


def candidate(past: Sequence[Remembered], within: int) -> Remembered | None:
    """The outlier that waits to be confirmed: the last sound cycle, if it is one.

    Unsound cycles after it neither confirm nor clear it, but it must be among the last `within`.
    """
    for r in reversed(past[-within:]):
        if is_sound_outlier(r):
            return r
        if is_believed(r):
            return None
    return None


def reference(past: Sequence[Remembered], within: int) -> list[Remembered]:
    """The believed cycles since the level last changed, the confirmed outlier included.

    past: of one stream and product, oldest first. within: as for `candidate`.
    """
    level: list[Remembered] = []
    for i, r in enumerate(past):
        if not is_believed(r):
            continue
        confirmed = candidate(past[:i], within) if OUTLIER in r.notes else None
        if confirmed is not None:
            level = [confirmed]
        level.append(r)
    return level
