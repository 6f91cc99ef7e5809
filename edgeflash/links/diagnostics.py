"""Counts of one link's requests, and its round trips. Pure: times are arguments, in seconds."""

from __future__ import annotations

from collections import Counter, deque
from math import ceil

from edgeflash.link_figures import LinkFigures
from edgeflash.links.errors import LinkFault

WINDOW_S = 3600.0
WINDOW_COUNT = 1024
"""Round trips are of the last hour, and of the last so many answers at most."""

FRESH_S = 5.0
"""Percentiles are computed anew when they are older than this: they need a sort."""


def percentile(ordered: list[float], percent: float) -> float:
    """The nearest-rank percentile of rising values: the smallest that so many percent reach.

    Always a round trip that was seen. Common practice, no source.
    """
    return ordered[max(0, ceil(percent / 100.0 * len(ordered)) - 1)]


class LinkDiagnostics:
    """Counts what happens on one link; `figures` shows it."""

    def __init__(self) -> None:
        self._requests = self._answers = self._retries = self._timeouts = 0
        self._garbled = self._late = self._connects = 0
        self._refusals: Counter[int] = Counter()
        self._round_trips: deque[tuple[float, float]] = deque(maxlen=WINDOW_COUNT)
        self._sorted_s: float | None = None
        self._percentiles: tuple[float | None, ...] = (None, None, None, None)

    def note_connect(self) -> None:
        """The connection, or the line, was opened."""
        self._connects += 1

    def note_request(self) -> None:
        """A request was sent for the first time."""
        self._requests += 1

    def note_retry(self, count: int = 1) -> None:
        """A request is sent again because the first was lost."""
        self._retries += count

    def note_answer(self, now_s: float, round_trip_s: float | None) -> None:
        """An answer came. round_trip_s: None where it cannot be told which sending it answers."""
        self._answers += 1
        if round_trip_s is not None:
            self._round_trips.append((now_s, 1000.0 * round_trip_s))

    def note_refusal(self, code: int, now_s: float, round_trip_s: float | None) -> None:
        """An orderly refusal came, which is an answer too."""
        self.note_answer(now_s, round_trip_s)
        self._refusals[code] += 1

    def note_timeout(self, count: int = 1) -> None:
        """A request had no answer in time."""
        self._timeouts += count

    def note_garbled(self) -> None:
        """Bytes came that were not the answer."""
        self._garbled += 1

    def note_fault(self, fault: LinkFault) -> None:
        """A request failed for good; faults that are orderly answers are counted as such."""
        if fault is LinkFault.NO_RESPONSE:
            self.note_timeout()
        elif fault in (LinkFault.BAD_REPLY, LinkFault.SHORT_REPLY, LinkFault.GARBLED):
            self.note_garbled()

    def note_late(self) -> None:
        """An answer to an earlier request was discarded."""
        self._late += 1

    def figures(self, now_s: float) -> LinkFigures:
        """What has been counted. The round trips may be FRESH_S old."""
        if self._sorted_s is None or now_s - self._sorted_s >= FRESH_S:
            self._sorted_s = now_s
            while self._round_trips and now_s - self._round_trips[0][0] > WINDOW_S:
                self._round_trips.popleft()
            ordered = sorted(trip_ms for _, trip_ms in self._round_trips)
            self._percentiles = (
                tuple(percentile(ordered, p) for p in (50.0, 95.0, 99.0, 100.0))
                if ordered
                else (None, None, None, None)
            )
        p50, p95, p99, most = self._percentiles
        return LinkFigures(
            requests=self._requests,
            answers=self._answers,
            refusals=tuple(sorted(self._refusals.items())),
            retries=self._retries,
            timeouts=self._timeouts,
            garbled=self._garbled,
            late=self._late,
            reconnects=max(0, self._connects - 1),
            round_trip_p50_ms=p50,
            round_trip_p95_ms=p95,
            round_trip_p99_ms=p99,
            round_trip_max_ms=most,
            round_trips=len(self._round_trips),
            window_s=WINDOW_S,
            window_count=WINDOW_COUNT,
        )


def in_words(figures: LinkFigures) -> dict[str, int | float | str]:
    """The figures as the fields of a log line, in few characters."""
    fields: dict[str, int | float | str] = {
        "requests": figures.requests,
        "answers": figures.answers,
        "retries": figures.retries,
        "timeouts": figures.timeouts,
        "garbled": figures.garbled,
        "late": figures.late,
        "reconnects": figures.reconnects,
    }
    if figures.refusals:
        fields["refusals"] = ", ".join(f"{code}: {count}" for code, count in figures.refusals)
    if figures.round_trip_p50_ms is not None:
        trips = (
            figures.round_trip_p50_ms,
            figures.round_trip_p95_ms,
            figures.round_trip_p99_ms,
            figures.round_trip_max_ms,
        )
        fields["round_trip_ms"] = "/".join(f"{ms:.1f}" for ms in trips if ms is not None)
    return fields
