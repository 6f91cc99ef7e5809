"""How many requests a client may make: a bucket of tokens for each address. Pure.

A bucket holds the requests of one second and fills at the allowed rate. All connections of an
address share one, and closing them does not refill it.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass

MOST_CLIENTS = 1024
"""Addresses remembered; beyond that the one that asked longest ago is forgotten."""


@dataclass(slots=True)
class _Bucket:
    tokens: float
    at_mono_s: float


class RequestRate:
    """Counts the requests of every client address against one rate."""

    def __init__(self, per_s: float, burst: float | None = None) -> None:
        self._per_s = per_s
        self._burst = per_s if burst is None else burst
        self._buckets: OrderedDict[str, _Bucket] = OrderedDict()

    def admits(self, peer: str, now_mono_s: float) -> bool:
        """True when one more request of this client is within the rate; it is counted then.

        A refused request is not counted. A clock that stands still or runs back adds nothing.
        """
        bucket = self._buckets.get(peer)
        if bucket is None:
            if len(self._buckets) >= MOST_CLIENTS:
                self._buckets.popitem(last=False)
            bucket = self._buckets[peer] = _Bucket(self._burst, now_mono_s)
        else:
            self._buckets.move_to_end(peer)
        passed_s = max(0.0, now_mono_s - bucket.at_mono_s)
        bucket.tokens = min(self._burst, bucket.tokens + passed_s * self._per_s)
        bucket.at_mono_s = max(bucket.at_mono_s, now_mono_s)
        if bucket.tokens < 1.0:
            return False
        bucket.tokens -= 1.0
        return True
