"""A problem at a key of a configuration file, and the ledger that keeps out what only follows."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from edgeflash.config.toml_positions import KeyPath

_BARE = re.compile(r"[A-Za-z0-9_-]+")
WHOLE_FILE = "(file)"
"""Key of a mistake that concerns the file and not one of its keys."""


@dataclass(frozen=True, slots=True)
class Problem:
    """What is wrong at a key path, and what would be right.

    uses: further paths the statement rests on. It is dropped when one of them, or the path itself,
    is known to be wrong already: one wrong value is one mistake.
    """

    path: KeyPath
    problem: str
    uses: tuple[KeyPath, ...] = ()


class Ledger:
    """Collects problems, each cause once. Add causes before what may follow from them."""

    def __init__(self) -> None:
        self._problems: list[Problem] = []
        self._wrong: set[KeyPath] = set()

    def __iter__(self) -> Iterator[Problem]:
        return iter(self._problems)

    def __bool__(self) -> bool:
        return bool(self._problems)

    def add(self, problem: Problem) -> bool:
        """Keeps the problem unless it follows from one already kept; True when kept."""
        if any(self.is_wrong(path) for path in (problem.path, *problem.uses)):
            return False
        self._problems.append(problem)
        self.distrust(problem.path)
        return True

    def add_all(self, problems: Iterable[Problem]) -> None:
        """Adds in order; a generator sees the effect of what it yielded before."""
        for problem in problems:
            self.add(problem)

    def distrust(self, path: KeyPath) -> None:
        """Marks a path as wrong without a statement of its own."""
        self._wrong.add(path)

    def is_wrong(self, path: KeyPath) -> bool:
        """True when the path, something around it or something in it is wrong."""
        return any(_touch(path, wrong) for wrong in self._wrong)


def _touch(a: KeyPath, b: KeyPath) -> bool:
    shared = min(len(a), len(b))
    return a[:shared] == b[:shared]


def key_text(path: KeyPath) -> str:
    """A key path as people write it; list elements count from 0.

    >>> key_text(("analyzers", 0, "rules", "odd name"))
    'analyzers[0].rules."odd name"'
    """
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            word = part if _BARE.fullmatch(part) else f'"{part}"'
            text += f".{word}" if text else word
    return text or WHOLE_FILE
