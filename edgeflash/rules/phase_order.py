"""The phases that were seen of a cycle, against the order in which an analyzer goes through them.

Electrodes are sparked clean, the transducer is zeroed, the sample is heated, it flashes, the cell
is purged (common practice, no source). An analyzer may idle anywhere, may show its result at the
end of the purge or before it, and the reading may begin in the middle of a cycle.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from edgeflash.model import Phase

ORDER = (Phase.CLEAN, Phase.ZERO, Phase.HEAT, Phase.FLASHED, Phase.PURGE)

_PLACE = {phase: place for place, phase in enumerate(ORDER)}
_STEP = {**_PLACE, Phase.CLEAN: _PLACE[Phase.ZERO]}
"""Cleaning and zeroing may alternate before the heating: together they are one step."""


def is_in_order(phases: Sequence[Phase]) -> bool:
    """True when the phases go round once at most, wherever they begin."""
    steps = [_STEP[phase] for phase in phases if phase in _STEP]
    back = sum(after < before for before, after in pairwise(steps))
    return back == 0 or (back == 1 and steps[-1] <= steps[0])


def is_zeroed_before_cleaned(phases: Sequence[Phase]) -> bool:
    """True when the electrodes were sparked after the last zeroing, before the heating."""
    heated = phases.index(Phase.HEAT) if Phase.HEAT in phases else len(phases)
    before = [p for p in phases[:heated] if p in (Phase.CLEAN, Phase.ZERO)]
    return Phase.ZERO in before and before[-1] is Phase.CLEAN


def passed_over(phases: tuple[Phase, ...]) -> frozenset[Phase]:
    """Phases that were not seen at all, though they belong between two that were.

    Idling first is where a cycle begins, so that a purge must come before the result or was left
    out. A flash or a purge before a new beginning belongs to the cycle before. What else would
    come before the first phase seen or after the last is not said to be missing: the reading may
    have begun or the result have come there.
    """
    known = [_PLACE[phase] for phase in phases if phase in _PLACE]
    begins_idle = phases[:1] == (Phase.IDLE,)
    begin = _new_beginning(known)
    places = [place - len(ORDER) for place in known[:begin]] + known[begin:]
    places += [-1] if begins_idle else []
    if not places:
        return frozenset()
    gone = {ORDER[n % len(ORDER)] for n in range(min(places), max(places)) if n not in places}
    if begins_idle and Phase.HEAT in phases and Phase.PURGE not in phases:
        gone.add(Phase.PURGE)
    return frozenset(gone) - set(phases)


def _new_beginning(places: Sequence[int]) -> int:
    """Index of the first cleaning or zeroing that comes after a later step; 0 without one."""
    for k in range(1, len(places)):
        if places[k] <= _PLACE[Phase.ZERO] and places[k - 1] >= _PLACE[Phase.HEAT]:
            return k
    return 0
