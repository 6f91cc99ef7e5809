"""Finding one recorded cycle by what a person calls it. Pure."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Protocol

from edgeflash.errors import UsageError

_FORM = re.compile(r"(?:(?:(?P<analyzer>[^/]+)/)?(?P<epoch>\d+)/)?(?P<number>\d+)")
_NEAREST = 5


class Place(Protocol):
    """Where a recorded cycle stands."""

    @property
    def key(self) -> tuple[int, int]:
        """Epoch and number."""


def place_of(places: Sequence[Place], analyzer: str, words: str, epoch: int | None) -> int:
    """Which of the places is meant by `47`, `0/47` or the full id.

    A bare number means the newest epoch that has it. Raises UsageError, naming the nearest cycles.
    """
    matched = _FORM.fullmatch(words)
    if matched is None:
        raise UsageError(f"{words!r} is no cycle; write 47, 0/47 or {analyzer}/0/47")
    if matched["analyzer"] not in (None, analyzer):
        raise UsageError(f"{words} is not a cycle of '{analyzer}'")
    named = None if matched["epoch"] is None else int(matched["epoch"])
    if None not in (named, epoch) and named != epoch:
        raise UsageError(f"{words} names epoch {named}, --epoch says {epoch}")
    wanted, number = named if epoch is None else epoch, int(matched["number"])
    found = [
        n
        for n, place in enumerate(places)
        if place.key[1] == number and wanted in (None, place.key[0])
    ]
    if not found:
        asked = f"{analyzer}/{'any epoch' if wanted is None else wanted}/{number}"
        raise UsageError(f"there is no recorded cycle {asked}; {_near(places, analyzer, number)}")
    return found[-1]


def _near(places: Sequence[Place], analyzer: str, number: int) -> str:
    """The cycles whose numbers are nearest, each as its id."""
    near = sorted({place.key for place in places}, key=lambda key: (abs(key[1] - number), -key[0]))
    names = [f"{analyzer}/{epoch}/{n}" for epoch, n in sorted(near[:_NEAREST])]
    return f"the nearest are {', '.join(names)}" if names else "there is none at all"
