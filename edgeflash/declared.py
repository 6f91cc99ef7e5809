"""Maintenance and check samples that people declare: for how long, and which cycles lie in them.

Pure: instants come in on both clocks. In the running process a period begins and ends by the
monotonic clock; what is kept for a restart has UTC times.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import inf

from edgeflash.errors import EdgeflashError
from edgeflash.model import Continuity, Cycle, CycleSource, Declared

MOST_PERIODS = 32
"""Periods remembered since the last cycle; of more, the two oldest of a kind become one."""


class UnreadablePeriodsError(EdgeflashError):
    """What was kept of declared periods cannot be read."""


@dataclass(frozen=True, slots=True)
class Period:
    """A time for which something is declared. kind: MAINTENANCE or CHECK_SAMPLE.

    until, until_mono_s: the end it has, or will have by itself. is_ended: it is over, and said so.
    is_joined: made of several with gaps, so that nothing certainly lies wholly in it.
    """

    kind: Declared
    since: datetime
    until: datetime
    since_mono_s: float
    until_mono_s: float
    by: str
    because: str = ""
    is_ended: bool = False
    is_joined: bool = False

    def runs(self, now_mono_s: float) -> bool:
        """True while it lasts."""
        return not self.is_ended and now_mono_s < self.until_mono_s


def declare(
    periods: Sequence[Period],
    kind: Declared,
    minutes: float,
    by: str,
    because: str,
    now: datetime,
    now_mono_s: float,
) -> tuple[Period, ...]:
    """The periods with one that runs from now on; one of the kind that runs already goes on to the
    new end, which may be earlier."""
    until, until_mono_s = now + timedelta(minutes=minutes), now_mono_s + 60.0 * minutes
    running = next((p for p in periods if p.kind is kind and p.runs(now_mono_s)), None)
    if running is not None:
        changed = replace(running, until=until, until_mono_s=until_mono_s, by=by, because=because)
        return tuple(changed if p is running else p for p in periods)
    made = Period(kind, now, until, now_mono_s, until_mono_s, by, because)
    return _bounded((*periods, made))


def end(
    periods: Sequence[Period], kind: Declared, now: datetime, now_mono_s: float
) -> tuple[Period, ...]:
    """The periods with those of the kind ended now."""
    return tuple(
        replace(p, until=now, until_mono_s=now_mono_s, is_ended=True)
        if p.kind is kind and p.runs(now_mono_s)
        else p
        for p in periods
    )


def over(periods: Sequence[Period], now_mono_s: float) -> tuple[Period, ...]:
    """Those whose time is over, and of which nobody has said so."""
    return tuple(p for p in periods if not p.is_ended and not p.runs(now_mono_s))


def running(periods: Iterable[Period], now_mono_s: float) -> tuple[Declared, ...]:
    """What is declared of this moment."""
    return tuple(sorted({p.kind for p in periods if p.runs(now_mono_s)}))


def of_cycle(
    periods: Sequence[Period], cycle: Cycle, since_mono_s: float, until_mono_s: float
) -> tuple[Declared, ...]:
    """What is declared of a cycle that was made between two instants.

    since_mono_s: when the cycle before it was finished, at the earliest. A cycle is wholly a check
    sample only when its beginning and its end are known, and one period holds it all.
    """
    touched = [
        p for p in periods if p.since_mono_s <= until_mono_s and since_mono_s < p.until_mono_s
    ]
    found = {p.kind for p in touched}
    if Declared.CHECK_SAMPLE in found:
        holds_all = any(
            p.kind is Declared.CHECK_SAMPLE
            and not p.is_joined
            and p.since_mono_s <= since_mono_s
            and until_mono_s <= p.until_mono_s
            for p in touched
        )
        if not (holds_all and _is_watched(cycle)):
            found = (found - {Declared.CHECK_SAMPLE}) | {Declared.CHECK_SAMPLE_PARTLY}
    return tuple(sorted(found))


def _is_watched(cycle: Cycle) -> bool:
    """True when its beginning and its end were seen."""
    ordinary = (Continuity.NEXT, Continuity.WRAP)
    is_next = cycle.continuity in ordinary and cycle.missed == 0
    return cycle.source is CycleSource.LIVE and is_next and cycle.duration_s is not None


def since_cycle(periods: Sequence[Period], finished_mono_s: float) -> tuple[Period, ...]:
    """The periods that can still touch a cycle, after one that was finished then."""
    return tuple(p for p in periods if not p.is_ended or p.until_mono_s > finished_mono_s)


def _bounded(periods: tuple[Period, ...]) -> tuple[Period, ...]:
    while len(periods) > MOST_PERIODS:
        kind = next(k for k in Declared if sum(p.kind is k for p in periods) > 1)
        first, second = [p for p in periods if p.kind is kind][:2]
        joined = replace(second, since=first.since, since_mono_s=first.since_mono_s, is_joined=True)
        periods = tuple(joined if p is second else p for p in periods if p is not first)
    return periods


def as_text(periods: Iterable[Period]) -> str:
    """What must survive a restart, as one line."""
    return json.dumps(
        [
            {
                "kind": p.kind.value,
                "since": p.since.isoformat(),
                "until": p.until.isoformat(),
                "by": p.by,
                "because": p.because,
                "is_ended": p.is_ended,
                "is_joined": p.is_joined,
            }
            for p in periods
        ]
    )


def of_text(text: str, now: datetime, now_mono_s: float) -> tuple[Period, ...]:
    """What `as_text` wrote, at a start.

    With a wall clock that now shows an earlier time than when it was declared, nobody knows how
    much of it is left: then all of it. Raises UnreadablePeriodsError.
    """
    try:
        return _bounded(tuple(_restored(tree, now, now_mono_s) for tree in json.loads(text)))
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise UnreadablePeriodsError(f"no declared periods: {text[:80]!r}") from error


def _restored(tree: dict[str, object], now: datetime, now_mono_s: float) -> Period:
    since, until = (datetime.fromisoformat(str(tree[key])) for key in ("since", "until"))
    length_s = (until - since).total_seconds()
    left_s = min((until - now).total_seconds(), length_s)
    is_ended = tree["is_ended"] is True
    if now < since:
        # It may have begun at any time before this start.
        return Period(
            Declared(str(tree["kind"])),
            now,
            now if is_ended else now + timedelta(seconds=length_s),
            -inf,
            now_mono_s + (0.0 if is_ended else length_s),
            str(tree["by"]),
            str(tree["because"]),
            is_ended,
            is_joined=True,
        )
    return Period(
        Declared(str(tree["kind"])),
        since,
        until,
        now_mono_s - (now - since).total_seconds(),
        now_mono_s + left_s,
        str(tree["by"]),
        str(tree["because"]),
        is_ended,
        is_joined=tree["is_joined"] is True,
    )


def unreadable(now: datetime, now_mono_s: float, longest_min: float) -> tuple[Period, ...]:
    """What stands for periods that cannot be read: maintenance, until a person ends it."""
    because = "what was declared before the restart cannot be read"
    until, until_mono_s = now + timedelta(minutes=longest_min), now_mono_s + 60.0 * longest_min
    return (
        Period(Declared.MAINTENANCE, now, until, -inf, until_mono_s, "", because, is_joined=True),
    )
