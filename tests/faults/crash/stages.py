"""What is added to the gateway under the campaign of kills, each with its question at the end."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence, Set
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from types import MappingProxyType

from tests.faults.crash.doomed import POINTS
from tests.faults.crash.looking import Key

Made = tuple[datetime, float | None]
"""When a cycle was finished, and what its analyzer said."""

MOST_OCCURRENCES = 25


@dataclass(frozen=True, slots=True)
class Ended:
    """What the campaign left. made: what the history must hold, or did until it was kept long
    enough, with the time of its finish as the history has it, where it still has it. brought: those
    that a stage brought; each had a trace."""

    folder: Path
    site: Path
    made: Mapping[Key, datetime | None]
    brought: Set[Key]
    now: datetime


class Stage:
    """A part of the gateway that is killed in the middle of its work.

    points: where. weight: how often, beside the others. patience_s: how long one of the points is
    waited for. keeps: days for which a table is kept, where it is not for ever.
    """

    name = "journal and history"
    points: Sequence[str] = POINTS
    weight = 1
    patience_s = 8.0
    keeps: Mapping[str, float] = MappingProxyType({})

    def most_occurrences(self, point: str) -> int:
        """A kill comes at one of so many first occurrences of the point."""
        return MOST_OCCURRENCES

    @contextmanager
    def around(self, folder: Path) -> Iterator[None]:
        """Its surroundings, on the true clock, for the whole campaign."""
        yield

    def lines(self) -> str:
        """Its part of the site file."""
        return ""

    def bring(self, folder: Path, now: datetime) -> None:
        """Something that happens while no gateway runs, before each start. now: by its clock."""

    def longest_step(self, now: datetime) -> timedelta:
        """By how much the clock may go on now, to the next run of the gateway."""
        return timedelta.max

    def brought(self) -> Mapping[Key, Made]:
        """Cycles that came by that."""
        return {}

    def may_be_gone(self, at: datetime, now: datetime) -> bool:
        """Whether a result of this time may have been deleted by now, having been kept for as long
        as it was to be."""
        return False

    def between(self, run: Callable[..., object]) -> None:
        """Something to do between two runs of the gateway; run: a doomed command of edgeflash."""

    def has_reached(self, newest: Mapping[str, int]) -> bool:
        """Whether the running gateway has brought it so far; newest: cycle number by analyzer."""
        return True

    def settle(self, run: Callable[..., object]) -> None:
        """What brings its work to the end; run: a command that must succeed."""

    def wrong(self, ended: Ended) -> list[str]:
        """What is wrong; empty when all is well."""
        return []

    def told(self) -> str:
        """A figure for the report."""
        return ""
