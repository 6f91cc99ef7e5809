"""The figures of one link at an instant: what its requests came to, and how fast it answers."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class LinkFigures:
    """Counts since the start of the link, and round trips of the window.

    requests: each once, however often it was sent; retries: sendings after the first. answers:
    refusals included; refusals: of each Modbus exception code, how many, by code. timeouts:
    sendings without an answer in time. garbled: bytes came that were not the answer. late: answers
    to earlier requests, discarded. reconnects: openings after the first. Round trips: of answers
    to requests sent once, at most window_count of them and none older than window_s; None without
    any.
    """

    requests: int = 0
    answers: int = 0
    refusals: tuple[tuple[int, int], ...] = ()
    retries: int = 0
    timeouts: int = 0
    garbled: int = 0
    late: int = 0
    reconnects: int = 0
    round_trip_p50_ms: float | None = None
    round_trip_p95_ms: float | None = None
    round_trip_p99_ms: float | None = None
    round_trip_max_ms: float | None = None
    round_trips: int = 0
    window_s: float = 0.0
    window_count: int = 0

    @property
    def refused(self) -> int:
        """Refusals of every code."""
        return sum(count for _, count in self.refusals)


NO_FIGURES = LinkFigures()
"""Of a link that has not begun."""
