"""What lasts beyond one cycle: the stream that flows, the sign of life, the analyzer's clock."""

from __future__ import annotations

from datetime import datetime

from edgeflash.model import Role, Scalar, Scan

CLOCK_RESOLUTION_S = 1.0
"""A stamp is cut to whole seconds by many analyzers, so a right one may be this much older."""


class StreamWatch:
    """When the stream was last seen to change. A label may be a number or a text."""

    def __init__(self) -> None:
        self._stream: Scalar = None
        self._changed_mono_s: float | None = None

    def take(self, scan: Scan) -> None:
        """Takes one scan; a stream that is not available tells nothing."""
        stream = scan.live.get(Role.STREAM)
        if stream is None:
            return
        if self._stream is not None and stream != self._stream:
            self._changed_mono_s = scan.taken_mono_s
        self._stream = stream

    def since_change_s(self, now_mono_s: float) -> float | None:
        """How long ago the change was; None when none was seen."""
        return None if self._changed_mono_s is None else now_mono_s - self._changed_mono_s


class SignOfLife:
    """How long the analyzer's sign of life stands still.

    After a break in the scans nothing is known of the time between: it is watched anew. A value
    that is not available is no change.
    """

    def __init__(self) -> None:
        self.changed_mono_s: float | None = None
        self._value: Scalar = None
        self._begun_mono_s: float | None = None
        self._longest_s: float | None = None

    def take(self, scan: Scan, is_watched: bool) -> None:
        """Takes one scan. is_watched: the scan before was close enough to know what happened."""
        if Role.ALIVE not in scan.live:
            return
        value, now_mono_s = scan.live[Role.ALIVE], scan.taken_mono_s
        since_mono_s = self.changed_mono_s
        is_changed = value is not None and value != self._value
        if since_mono_s is None or is_changed or not is_watched:
            self.changed_mono_s = now_mono_s
        if value is not None:
            self._value = value
        if since_mono_s is None or not is_watched:
            self._begun_mono_s = now_mono_s
        elif self._begun_mono_s is not None:
            still_s = 0.0 if is_changed else now_mono_s - max(since_mono_s, self._begun_mono_s)
            self._longest_s = max(still_s, self._longest_s or 0.0)

    def still_s(self, now_mono_s: float) -> float | None:
        """How long it has stood still, now or earlier since the last result; None without one.

        Registers that stood still and move again show the result of before: a newer one may have
        been lost meanwhile, so only the next result ends what was seen.
        """
        if self.changed_mono_s is None:
            return None
        return max(now_mono_s - self.changed_mono_s, self._longest_s or 0.0)

    def end_of_cycle(self, now_mono_s: float) -> float | None:
        """The longest it stood still in the cycle that ends now; None when it was not watched."""
        longest_s, self._longest_s = self._longest_s, None
        self._begun_mono_s = now_mono_s
        return longest_s


class StampWatch:
    """When the time stamp of a result was first seen, which may be before the result was read."""

    def __init__(self) -> None:
        self._stamp: datetime | None = None
        self._seen_at: datetime | None = None
        self._gap_s: float | None = None

    def take(self, scan: Scan, gap_s: float | None) -> None:
        """Takes one scan. gap_s: since the scan before; None when that was not close."""
        stamp = scan.live.get(Role.RESULT_TIME)
        if isinstance(stamp, datetime) and stamp != self._stamp:
            self._stamp, self._seen_at, self._gap_s = stamp, scan.taken_at, gap_s

    def clock_ahead_s(self, stamp: datetime | None) -> float | None:
        """How much the analyzer's clock is ahead of ours; None when this stamp was not watched.

        A result lies between the scan that first shows it and the one before; a clock that can be
        right within that, and within its resolution, is 0 ahead.
        """
        if stamp is None or stamp != self._stamp or self._seen_at is None or self._gap_s is None:
            return None
        ahead_s = (stamp - self._seen_at).total_seconds()
        oldest_s = -(self._gap_s + CLOCK_RESOLUTION_S)
        return ahead_s if ahead_s > 0 else min(0.0, ahead_s - oldest_s)
