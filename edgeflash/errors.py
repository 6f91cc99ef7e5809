"""The errors edgeflash raises: one root, then a class for each party that must act."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


class EdgeflashError(Exception):
    """Root of everything edgeflash raises on purpose."""


@dataclass(frozen=True, slots=True)
class Mistake:
    """One mistake in a configuration file: where it stands, what is wrong, what would be right.

    line: from 1; 0 when there is none, as in a file that is missing.
    """

    file: Path
    line: int
    key: str
    problem: str

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else f"{self.file}"
        return f"{place}: {self.key}: {self.problem}"


class ConfigurationError(EdgeflashError):
    """The site file or a register map is wrong; carries every mistake found, in file order."""

    def __init__(self, mistakes: tuple[Mistake, ...]) -> None:
        super().__init__("\n".join(str(m) for m in mistakes))
        self.mistakes = mistakes


class UsageError(EdgeflashError):
    """A command was given words it cannot work with."""


class DeviceError(EdgeflashError):
    """The far side of a link misbehaved; the link retries or the DCS is told."""


class StorageError(EdgeflashError):
    """The local disk refused or holds something unreadable; names the path."""
