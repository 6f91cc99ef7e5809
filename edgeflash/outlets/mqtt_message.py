"""A message as it is published or received, whatever the protocol version."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Message:
    """One message. expiry_s: how long the broker keeps it; content_type: what the payload is
    (MIME). Both are of MQTT 5 and without effect before."""

    topic: str
    payload: bytes
    qos: int = 0
    retain: bool = False
    expiry_s: int | None = None
    content_type: str = ""

    @property
    def most_bytes(self) -> int:
        """An upper bound of the packet's size: headers and property codes take less than 64."""
        return len(self.payload) + len(self.topic.encode()) + len(self.content_type) + 64
