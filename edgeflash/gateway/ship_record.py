"""How far the shipping of sealed days has come, and for how long it has been behind. Pure.

What was last complete is kept over a restart: a gateway that is started anew every day must not
hide that its store has been away for weeks.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime

from edgeflash.errors import EdgeflashError


class UnreadableShipRecordError(EdgeflashError):
    """What was kept of shipping cannot be read."""


@dataclass(frozen=True, slots=True)
class Kept:
    """What must survive a restart. url: of the store; another one begins anew.

    complete_at: when a pass last brought everything that was sealed, or when shipping there began;
    UTC. through: the last UTC day of which nothing lacks in the store; None before any.
    """

    url: str
    complete_at: datetime
    through: date | None = None


def as_text(kept: Kept) -> str:
    """As one line."""
    return json.dumps(
        {
            "url": kept.url,
            "complete_at": kept.complete_at.isoformat(),
            "through": None if kept.through is None else kept.through.isoformat(),
        }
    )


def of_text(text: str) -> Kept:
    """What `as_text` wrote. Raises UnreadableShipRecordError."""
    try:
        tree = json.loads(text)
        through = tree["through"]
        return Kept(
            str(tree["url"]),
            datetime.fromisoformat(tree["complete_at"]).astimezone(UTC),
            None if through is None else date.fromisoformat(through),
        )
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise UnreadableShipRecordError(f"not a record of shipping: {text[:80]!r}") from error


@dataclass(frozen=True, slots=True)
class ShipRecord:
    """Shipping as this process sees it.

    started_mono_s: of the process. before_s: for how long it had been behind then, by the wall
    clock; counted only once a pass has ended in this process, for the first one may mend all.
    complete_mono_s: the latest complete pass of this process. tried: a pass has ended.
    """

    kept: Kept
    started_mono_s: float
    before_s: float = 0.0
    complete_mono_s: float | None = None
    tried: bool = False

    @classmethod
    def begun(cls, url: str, text: str | None, now: datetime, now_mono_s: float) -> ShipRecord:
        """At the start of the process, with what was kept. Raises UnreadableShipRecordError."""
        kept = None if text is None else of_text(text)
        if kept is None or kept.url != url:
            return cls(Kept(url, now), now_mono_s)
        # A wall clock that was set back meanwhile says nothing.
        before_s = max(0.0, (now - kept.complete_at).total_seconds())
        return cls(kept, now_mono_s, before_s)

    def after_pass(
        self, through: date | None, is_complete: bool, now: datetime, now_mono_s: float
    ) -> ShipRecord:
        """After a pass that brought everything up to a day; None: it does not say."""
        kept = self.kept if through is None else replace(self.kept, through=through)
        if not is_complete:
            return replace(self, kept=kept, tried=True)
        kept = replace(kept, complete_at=now)
        return replace(self, kept=kept, tried=True, complete_mono_s=now_mono_s)

    def behind_s(self, now_mono_s: float) -> float:
        """How long no pass has brought everything."""
        if self.complete_mono_s is not None:
            return now_mono_s - self.complete_mono_s
        return now_mono_s - self.started_mono_s + (self.before_s if self.tried else 0.0)

    def days_not_shipped(self, last_sealed: date) -> int | None:
        """UTC days that are past and not wholly in the store; None while nobody knows."""
        if self.kept.through is None:
            return None
        return max(0, (last_sealed - self.kept.through).days)
