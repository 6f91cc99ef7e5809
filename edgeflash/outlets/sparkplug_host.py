"""The primary host: whether it is there, as its STATE messages tell. Pure.

Sparkplug 3.0.0: topic `spBv1.0/STATE/<host id>`, retained, JSON {"online": bool, "timestamp": ms}.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

from edgeflash.errors import DeviceError

LARGEST_STATE_BYTES = 4096


class HostStateError(DeviceError):
    """A STATE message that does not say whether the host is there."""


@dataclass(frozen=True, slots=True)
class HostState:
    """What one STATE message says. timestamp_ms: of the host's session, since 1970 UTC."""

    online: bool
    timestamp_ms: int

    def replaces(self, known: HostState | None) -> bool:
        """Whether it is to be believed after `known`: a host's death has the time of its birth, so
        an equal time counts; an older one is the late death of an earlier session."""
        return known is None or self.timestamp_ms >= known.timestamp_ms


def decode_state(data: bytes) -> HostState:
    """What the message says. Raises HostStateError when that is not plain."""
    if len(data) > LARGEST_STATE_BYTES:
        raise HostStateError(f"a STATE message of {len(data)} bytes")
    try:
        said = json.loads(data)
    except (ValueError, RecursionError) as error:
        raise HostStateError("a STATE message is not JSON") from error
    if not isinstance(said, dict):
        raise HostStateError("a STATE message is no JSON object")
    online, timestamp_ms = said.get("online"), said.get("timestamp")
    if not isinstance(online, bool):
        raise HostStateError('a STATE message without "online": true or false')
    if isinstance(timestamp_ms, bool) or not isinstance(timestamp_ms, int):
        raise HostStateError('a STATE message without a whole number as "timestamp"')
    return HostState(online, timestamp_ms)
