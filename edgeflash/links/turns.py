"""Whose turn it is on a line that several analyzers share. Pure: the time is an argument.

The unit that was served longest ago comes first, so a long read of one is interleaved with the
polls of the others. A unit that gave no answer last time costs a whole time limit to ask: it comes
when nobody else waits, or when it has waited for `patience_s` and none of its kind had a turn in
that time. So silent units, however many, take one time limit out of each `patience_s` from others.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(slots=True)
class _Unit:
    """served: number of its last turn. free_s: it is left alone until then."""

    served: int = 0
    is_silent: bool = False
    free_s: float = 0.0


class Turns:
    """Remembers of each unit when it was served and whether it answered."""

    def __init__(self, patience_s: float) -> None:
        self._patience_s = patience_s
        self._units: dict[int, _Unit] = {}
        self._turns = 0
        self._silent_served_s = float("-inf")
        self._free_s = float("-inf")

    def _unit(self, unit_id: int) -> _Unit:
        return self._units.setdefault(unit_id, _Unit())

    def is_silent(self, unit_id: int) -> bool:
        """True when the unit gave no answer in its last turn."""
        return self._unit(unit_id).is_silent

    def leave_alone(self, unit_id: int, until_s: float) -> None:
        """The unit gets no turn before until_s."""
        unit = self._unit(unit_id)
        unit.free_s = max(unit.free_s, until_s)

    def leave_all_alone(self, until_s: float) -> None:
        """No unit gets a turn before until_s."""
        self._free_s = until_s

    def _is_free_s(self, unit_id: int) -> float:
        return max(self._free_s, self._unit(unit_id).free_s)

    def note(self, unit_id: int, is_silent: bool, now_s: float) -> None:
        """The unit's turn has ended now, with or without an answer."""
        unit = self._unit(unit_id)
        self._turns += 1
        unit.served = self._turns
        unit.is_silent = is_silent
        if is_silent:
            self._silent_served_s = now_s

    def next(self, waiting: dict[int, float], now_s: float) -> int | None:
        """The unit whose turn it is; None when all are to be left alone now.

        waiting: of each unit that waits, since when.
        """
        ready = [unit_id for unit_id in waiting if self._is_free_s(unit_id) <= now_s]
        answering = [unit_id for unit_id in ready if not self._unit(unit_id).is_silent]
        silent = [unit_id for unit_id in ready if self._unit(unit_id).is_silent]
        if silent and answering:
            since_s = max(min(waiting[unit_id] for unit_id in silent), self._silent_served_s)
            if now_s - since_s < self._patience_s:
                silent = []
        chosen = silent or answering
        return min(chosen, key=lambda unit_id: self._unit(unit_id).served, default=None)

    def wait_s(self, waiting: Iterable[int], now_s: float) -> float | None:
        """Seconds until the first of these units is no longer left alone; None without any."""
        free = [self._is_free_s(unit_id) for unit_id in waiting]
        return max(0.0, min(free) - now_s) if free else None
