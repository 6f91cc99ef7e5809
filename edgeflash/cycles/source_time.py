"""How old a result is by the time stamp of its source, as an OPC UA server gives one. Pure.

The number of a result changes with every result. So whether a server stamps each change, as OPC
10000-4, 7.11 has it (from memory: the source time "should indicate the last change"), or each
sample, the result is at least as old as the stamp of its number. Of any other value an old stamp
tells nothing: it may simply be steady.

The stamp is of the source's clock, which may be wrong by anything. A result that was seen to appear
is fresh as long as its stamp is about as far behind as those before it were; the first ones are
held against the server's own clock. That a source's clock stands far behind is believed once two
changes, a while apart, show it alike: what comes late in a burst does not.

Zero: the time of our monotonic clock at which the source's clock would have shown 1970-01-01. With
it two clocks compare without ours of the wall, which may be set. A later zero: further behind.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from edgeflash.model import Role, Scalar, Scan

LATE_S = 300.0
"""A stamp so much further behind than it should be is old, or its clock has been set. The limit of
the rule clock_off; results are published some minutes after the flash that stamps them."""

ALIKE_S = 30.0
"""Two changes show the same clock when they agree so well, and lie at least so far apart."""

READINGS = 3
"""A result that changes while it is read may be told so many readings later (links.reading)."""

VOUCHED_S = 3600.0
"""For how long a clock that other values have shown is held to be so."""

DRIFT = 1e-3
"""Seconds per second that a clock may lose unnoticed; a bad one loses a tenth of that."""

NUMBERS = (Role.CYCLE_NUMBER, Role.RESULT_TIME)


@dataclass(slots=True)
class _Shown:
    """What the changes of one role have shown of the source's clock.

    zero: what two changes agreed on, seen last at mono_s. begun: a zero that one has shown.
    """

    zero: float | None = None
    mono_s: float = 0.0
    begun: tuple[float, float] | None = None

    def note(self, zero: float, mono_s: float) -> None:
        """Takes the zero of one change."""
        if self.begun is None or abs(zero - self.begun[0]) > ALIKE_S:
            self.begun = (zero, mono_s)
        elif mono_s - self.begun[1] >= ALIKE_S:
            self.zero, self.mono_s = zero, mono_s


class SourceAge:
    """Judges the stamps of one analyzer's results; tells how old those are that are old."""

    def __init__(self) -> None:
        self._zero: float | None = None
        self._zero_mono_s = 0.0
        self._others: dict[Role, _Shown] = {}
        self._number = _Shown()
        self._before: dict[Role, tuple[Scalar, datetime]] = {}
        self._dated: tuple[int, datetime] | None = None

    def take(self, scan: Scan, is_watched: bool) -> None:
        """Learns from the live values of a scan. is_watched: the scan before was close."""
        for role, stamp in scan.source_times.items():
            if role in NUMBERS:
                continue
            value, before = scan.live.get(role), self._before.get(role)
            self._before[role] = (value, stamp)
            if is_watched and before is not None and value != before[0] and stamp != before[1]:
                zero = scan.taken_mono_s - stamp.timestamp()
                self._others.setdefault(role, _Shown()).note(zero, scan.taken_mono_s)

    def age_s(self, scan: Scan, gap_s: float | None) -> float:
        """How old the scan's result is at least; 0 when nothing says that it is old.

        gap_s: since the scan before, where it was seen to appear. None: it was found, and all that
        is known is what the server says.
        """
        body, now_s = scan.body, scan.taken_mono_s
        stamp = None if body is None else _stamp_of(body.source_times)
        if body is None or stamp is None:
            return 0.0
        before, self._dated = self._dated, (body.cycle_number, stamp)
        if before is not None and before[1] == stamp and before[0] != body.cycle_number:
            return 0.0  # a stamp that does not move with its value tells nothing
        zero = now_s - stamp.timestamp()
        behind_s = zero - self._expected(scan)
        if gap_s is None:
            return max(0.0, behind_s)
        late_s = LATE_S + READINGS * gap_s
        self._number.note(zero, now_s)
        if behind_s <= late_s or self._is_vouched(zero, now_s):
            known = self._zero
            if known is None or zero < known or behind_s > late_s:
                self._zero, self._zero_mono_s = zero, now_s
            return 0.0
        if self._number.zero is not None and abs(zero - self._number.zero) <= ALIKE_S:
            self._zero, self._zero_mono_s = zero, now_s
            return 0.0
        return behind_s

    def _expected(self, scan: Scan) -> float:
        """The latest zero that a fresh result would show."""
        if self._zero is not None:
            return self._zero + DRIFT * (scan.taken_mono_s - self._zero_mono_s)
        if scan.server_zero_mono_s is not None:
            return scan.server_zero_mono_s
        return scan.taken_mono_s - scan.taken_at.timestamp()

    def _is_vouched(self, zero: float, now_s: float) -> bool:
        """Whether other values, which changed of late, show the source's clock as far behind."""
        return any(
            shown.zero is not None
            and now_s - shown.mono_s <= VOUCHED_S
            and zero - shown.zero <= LATE_S
            for shown in self._others.values()
        )


def _stamp_of(times: Mapping[Role, datetime]) -> datetime | None:
    return next((times[role] for role in NUMBERS if role in times), None)
