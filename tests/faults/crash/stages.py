"""What is added to the gateway under the campaign of kills, each with its question at the end."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import MappingProxyType

from tests.faults.crash.doomed import POINTS
from tests.faults.crash.looking import Key


@dataclass(frozen=True, slots=True)
class Ended:
    """What the campaign left. made: what the history must hold, or did until it was kept long
    enough, with the time of its finish as the history has it, where it still has it."""

    folder: Path
    site: Path
    made: Mapping[Key, datetime | None]
    now: datetime


class Stage:
    """A part of the gateway that is killed in the middle of its work.

    points: where. keeps: days for which a table is kept, where it is not for ever.
    """

    name = "journal and history"
    points: Sequence[str] = POINTS
    keeps: Mapping[str, float] = MappingProxyType({})

    @contextmanager
    def around(self, folder: Path) -> Iterator[None]:
        """Its surroundings, on the true clock, for the whole campaign."""
        yield

    def lines(self) -> str:
        """Its part of the site file."""
        return ""

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


class Retention(Stage):
    """Old files are deleted: traces after some days, results after the end of their month."""

    name = "retention"
    points = ("remove", "after_remove", "rename", "after_rename", "fsync", "after_fsync")
    keeps = MappingProxyType({"results": 40.0, "traces": 1.0})

    def lines(self) -> str:
        """So long each table is kept."""
        tables = (f"[history.{name}]\nkeep_days = {days:g}" for name, days in self.keeps.items())
        return "\n".join([*tables, "[journal]\nkeep_days = 2"])
