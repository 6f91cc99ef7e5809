"""Which results have gone out, and which of them are known to have arrived. Pure.

Sparkplug data is QoS 0: nobody says that it came. The evidence is an answer of the broker to a
later request on the same connection and, with a primary host, its STATE being online well after: a
host that vanished is declared dead only after one and a half times its keep-alive. What was sent
less than `overlap_s` before is sent again after a break; consumers drop it by its id. A rebirth in
the middle of what waits does not begin it anew: hosts that ask often would never see its end.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

MARK_S = 1.0
"""Results sent within this time share a mark, so that marks are few however many results go out."""

MOST_MARKS = 1000


@dataclass(slots=True)
class _Mark:
    """Everything up to seq had been sent at last_mono_s."""

    seq: int
    first_mono_s: float
    last_mono_s: float


class Delivery:
    """The way of the results through one node.

    proven: the place in the journal up to which all is known to have arrived. sent: up to which
    all was sent in this session. Memory is bounded by the number of marks.
    """

    def __init__(self, proven: int, overlap_s: float) -> None:
        self.proven = proven
        self.sent = proven
        self._overlap_s = overlap_s
        self._old_until = proven
        self._again = False
        self._marks: deque[_Mark] = deque()

    def begin(self, newest: int) -> None:
        """Births are sent, and show the newest results: everything not proven goes out again.

        newest: the last place in the journal at that moment; up to there, results are history.
        """
        self._marks.clear()
        self._again = False
        self.sent = self.proven
        self._old_until = newest

    def reborn(self, newest: int) -> None:
        """Births are sent again in the same session: the host may have missed anything. What is not
        proven goes out again, at once or after all that waits (`again`)."""
        if self.sent >= self._old_until and not self._again:
            self.begin(newest)
            return
        self._marks.clear()
        self._again = True
        self._old_until = newest

    def again(self, newest: int) -> bool:
        """All has been sent once since the births; True when all that is not proven is to follow
        once more, because a rebirth came meanwhile."""
        if self._again:
            self.begin(newest)
            return True
        return False

    def is_historical(self, seq: int) -> bool:
        """Whether the entry was there before the births."""
        return seq <= self._old_until

    def hand_over(self, seq: int, mono_s: float) -> None:
        """Everything up to seq has been given to the connection."""
        self.sent = max(self.sent, seq)
        if self._again:  # no mark may reach over what the rebirth has made doubtful
            return
        last = self._marks[-1] if self._marks else None
        if last is not None and (
            mono_s - last.first_mono_s < MARK_S or len(self._marks) >= MOST_MARKS
        ):
            last.seq, last.last_mono_s = self.sent, mono_s
        else:
            self._marks.append(_Mark(self.sent, mono_s, mono_s))

    def wants_proof(self, mono_s: float) -> bool:
        """Whether an answer to a request made now would prove anything."""
        return bool(self._marks) and self._marks[0].last_mono_s <= mono_s - self._overlap_s

    def prove(self, asked_mono_s: float) -> bool:
        """Whoever should receive answered a request made at this time; True when `proven` rose."""
        before = self.proven
        while self._marks and self._marks[0].last_mono_s <= asked_mono_s - self._overlap_s:
            self.proven = max(self.proven, self._marks.popleft().seq)
        return self.proven > before
