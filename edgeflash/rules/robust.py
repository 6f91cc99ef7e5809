"""Statistics of a few values that some wrong ones among them cannot spoil. Pure.

The spread is the median absolute deviation. It bears the greatest share of wrong values that any
estimate can bear, just under half; that it needs more values than others for the same precision
does not matter beside the floor that its users put under it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from statistics import NormalDist, median

MAD_TO_SD = 1.0 / NormalDist().inv_cdf(0.75)
"""1.4826: the standard deviation of normal values over their median absolute deviation
(Rousseeuw & Croux, J. Am. Stat. Assoc. 88 (1993) 1273)."""

SMALL_SAMPLE = {2: 1.196, 3: 1.495, 4: 1.363, 5: 1.206, 6: 1.200, 7: 1.140, 8: 1.129, 9: 1.107}
"""By what the spread of so few normal values must be raised to be right in the mean
(Croux & Rousseeuw, COMPSTAT 1992, 411; from memory; beyond 9 values: n / (n - 0.8))."""


def robust_sd(values: Sequence[float]) -> float:
    """Standard deviation of at least one value, from the median absolute deviation."""
    n, centre = len(values), median(values)
    raise_by = SMALL_SAMPLE.get(n, n / (n - 0.8))
    return MAD_TO_SD * raise_by * median(abs(value - centre) for value in values)


def short_term_sd(values: Sequence[float]) -> float:
    """Standard deviation of at least two values in their order, whatever their slow drift.

    From the steps between neighbours: a step of two independent values has √2 times their own.
    """
    steps = [abs(after - before) for before, after in pairwise(values)]
    return MAD_TO_SD * median(steps) / math.sqrt(2.0)


def prediction_factor(n: int) -> float:
    """How much farther a new value strays from the median of n than a value from its mean.

    √(1 + π/(2 n)): the variance of the median of n normal values tends to π/2 that of their mean
    (any textbook of statistics; from memory).
    """
    return math.sqrt(1.0 + math.pi / (2.0 * n))


def resolution_of(values: Sequence[float]) -> float | None:
    """The smallest difference between two different values; None when they are all the same."""
    different = sorted(set(values))
    return min((after - before for before, after in pairwise(different)), default=None)


def chance_of_run(repeats: int, resolution: float, sd: float) -> float:
    """At most this is the chance that so many more values equal the first one.

    Normal values of standard deviation sd, shown in steps of `resolution`: none of them is
    likelier to come again than the step about the mean, erf(resolution / (√8 sd)).
    """
    return math.erf(resolution / (math.sqrt(8.0) * sd)) ** repeats
