"""How benches measure and print: rounds taken in turn, medians, and ratios of one run.

No figure here is a promise: it holds for the machine and the moment it was taken on. Ratios of
works that were measured in turn hold better than times, so these are what to compare.
"""

from __future__ import annotations

import os
import platform
from collections.abc import Callable, Mapping, Sequence
from statistics import median
from time import process_time


def heading(title: str) -> None:
    """Prints the bench's name, and on what and how busy a machine it runs."""
    load = os.getloadavg()[0]
    print(title)
    print(
        f"python {platform.python_version()}, {os.cpu_count()} processors, load {load:.1f}; "
        "compare ratios, not times\n"
    )


def in_turn(
    works: Mapping[str, Callable[[], object]], rounds: int, calls: int = 1
) -> dict[str, list[float]]:
    """CPU seconds a call of each work, one figure per round.

    CPU time, because on a busy machine a clock counts other programs' work too. Every round runs
    all works one after the other, so that the machine's mood meets them all. One call of each
    goes before, uncounted.
    """
    for work in works.values():
        work()
    seconds: dict[str, list[float]] = {name: [] for name in works}
    for _ in range(rounds):
        for name, work in works.items():
            start = process_time()
            for _ in range(calls):
                work()
            seconds[name].append((process_time() - start) / calls)
    return seconds


def ratio(above: Sequence[float], below: Sequence[float]) -> float:
    """The median over the rounds of above ÷ below."""
    return median(a / b for a, b in zip(above, below, strict=True))


def at_share(values: Sequence[float], share: float) -> float:
    """The smallest value that at least this share of the values does not exceed (nearest rank)."""
    ordered = sorted(values)
    rank = -(-len(ordered) * round(share * 1000) // 1000)
    return ordered[max(rank, 1) - 1]


def table(columns: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Prints rows under their columns: the first to the left, figures to the right."""
    widths = [max(map(len, cells)) for cells in zip(columns, *rows, strict=True)]
    for row in (columns, *rows):
        first = row[0].ljust(widths[0])
        rest = (cell.rjust(width) for cell, width in zip(row[1:], widths[1:], strict=True))
        print("  ".join((first, *rest)).rstrip())
    print()
