"""How an MQTT outlet fares, for whoever is shown it. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class Owed:
    """What one stream owes. reached: its place in the journal."""

    waiting: int
    reached: int


@dataclass(frozen=True, slots=True)
class MqttFigures:
    """How a connection fares. connected_since: UTC; None: there is no session.

    attempts: to have a session; sessions: that came of them. sent: messages taken by the broker.
    waiting: results that are owed. aside: messages set aside. owed: by each stream, as counted
    last. fault: why there is no session, or what is wrong with it.
    """

    outlet: str
    broker: str
    connected_since: datetime | None = None
    attempts: int = 0
    sessions: int = 0
    sent: int = 0
    waiting: int = 0
    owed: tuple[Owed, ...] = ()
    aside: int = 0
    fault: str = ""

    @property
    def reconnects(self) -> int:
        """Sessions after the first."""
        return max(0, self.sessions - 1)
