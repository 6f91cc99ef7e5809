"""Roles that are read together, whatever the analyzer speaks: the seam of the reading steps. Pure.

A group's steps are a generator: it yields what it wants of the analyzer next and is sent the
answer. What is asked and answered (blocks of registers, nodes) is between the group and its link.
"""

from __future__ import annotations

from collections.abc import Generator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Protocol, TypeAlias, TypeVar

from edgeflash.model import Role, Scalar

T = TypeVar("T")
Steps: TypeAlias = Generator[Any, Any, T]


@dataclass(frozen=True, slots=True)
class Scalars:
    """Values of a group of scalars. statuses: what the server says of those it calls not good.

    times: the time stamps of their source, where it gives them.
    """

    values: dict[Role, Scalar]
    statuses: Mapping[Role, str] = field(default_factory=dict)
    times: Mapping[Role, datetime] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Arrays:
    """Elements of a group of arrays, an unreadable one empty. statuses: as for scalars."""

    values: dict[Role, list[Scalar]]
    statuses: Mapping[Role, str] = field(default_factory=dict)


class Group(Protocol):
    """Roles that are read together. What is no value reads as "not available"."""

    def scalars(self) -> Steps[Scalars]:
        """The values of the group's roles, none of them an array."""
        ...

    def arrays(self, elements: int | None = None) -> Steps[Arrays]:
        """The elements of the group's roles. elements: how many are wanted; those after mean 0."""
        ...
