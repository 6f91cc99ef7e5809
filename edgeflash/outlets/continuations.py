"""Readings of the history that a client has not fetched whole: bounded, and only for a time. Pure.

Source: OPC 10000-4, 7.9 (continuation points), from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sized
from dataclasses import dataclass
from typing import Generic, TypeVar

MAX_KEPT = 100
"""For one session; as many as nodes in one read."""
KEPT_S = 300.0
MAX_HELD = 20_000
"""What the open readings of one session may keep of their requests, in elements: each of up to 100
bytes. What several keep together counts once."""

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class _Kept(Generic[T]):
    node: Hashable
    task: T
    until_mono_s: float


class Continuations(Generic[T]):
    """The open readings of one session. new_token: gives a token that nobody can guess.

    held: what a reading keeps of the client's request.
    """

    def __init__(
        self,
        new_token: Callable[[], bytes],
        most: int = MAX_KEPT,
        held: Callable[[T], Sized] = lambda task: (),
    ) -> None:
        self._new_token = new_token
        self._most = most
        self._held = held
        self._kept: dict[bytes, _Kept[T]] = {}

    def __len__(self) -> int:
        return len(self._kept)

    def keep(self, node: Hashable, task: T, now_mono_s: float) -> bytes | None:
        """The token by which the rest is asked for; None when there are too many."""
        self._drop_old(now_mono_s)
        if len(self._kept) >= self._most or self._elements_with(task) > MAX_HELD:
            return None
        token = self._new_token()
        self._kept[token] = _Kept(node, task, now_mono_s + KEPT_S)
        return token

    def take(self, token: bytes, node: Hashable, now_mono_s: float) -> T | None:
        """What is left of the reading, which is gone with that; None for a wrong or old token."""
        self._drop_old(now_mono_s)
        kept = self._kept.get(token)
        if kept is None or kept.node != node:
            return None
        del self._kept[token]
        return kept.task

    def _elements_with(self, task: T) -> int:
        """How much all would keep with this one."""
        each = [self._held(kept.task) for kept in self._kept.values()]
        return sum({id(held): len(held) for held in (*each, self._held(task))}.values())

    def _drop_old(self, now_mono_s: float) -> None:
        for token, kept in list(self._kept.items()):
            if kept.until_mono_s <= now_mono_s:
                del self._kept[token]
