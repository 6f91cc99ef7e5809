"""How often refused clients are told of: a client that tries each second must not fill the log."""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

TELL_EVERY_S = 3600.0
MOST_PEERS = 256


@dataclass(slots=True)
class _Peer:
    told_mono_s: float
    since: int = 0


class Refusals:
    """Counts refusals by peer. Told at the first one, then once an hour with the number since."""

    def __init__(self, mono_s: Callable[[], float] = time.monotonic) -> None:
        self._mono_s = mono_s
        self._peers: OrderedDict[str, _Peer] = OrderedDict()
        self.count = 0

    def note(self, peer: str) -> int | None:
        """One more refusal. How many to tell of now; None when it is too soon to tell."""
        self.count += 1
        now_s = self._mono_s()
        known = self._peers.get(peer)
        if known is None:
            if len(self._peers) >= MOST_PEERS:
                self._peers.popitem(last=False)
            self._peers[peer] = _Peer(now_s)
            return 1
        known.since += 1
        if now_s - known.told_mono_s < TELL_EVERY_S:
            return None
        told, known.since, known.told_mono_s = known.since, 0, now_s
        return told
