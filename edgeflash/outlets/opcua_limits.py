"""How much the clients of the OPC UA server may use up, together and each. Pure.

The site file sets three figures and each address's share of them; the others follow from these.
"""

from __future__ import annotations

from dataclasses import dataclass

from edgeflash.config.site import OpcUaServer

PLACES_OF_AN_ITEM = 5
"""Queue places there are for each monitored item there may be."""
ITEMS_FOR_AN_EVENT_ITEM = 100
"""Monitored items there may be for one that may be of events: each event is judged by the filters
of all of them at once, on the loop that serves everyone."""


@dataclass(frozen=True, slots=True)
class Limits:
    """The most there may be at a time."""

    sessions: int
    subscriptions: int
    monitored_items: int

    @property
    def connections(self) -> int:
        """Sockets; each carries one session."""
        return self.sessions

    @property
    def places(self) -> int:
        """In all queues together; beyond, a queue holds one."""
        return PLACES_OF_AN_ITEM * self.monitored_items

    @property
    def event_items(self) -> int:
        """Monitored items of events, which count among the others too."""
        return max(1, self.monitored_items // ITEMS_FOR_AN_EVENT_ITEM)

    @classmethod
    def of_all(cls, config: OpcUaServer) -> Limits:
        """Of all clients together."""
        return cls(config.max_sessions, config.max_subscriptions, config.max_monitored_items)

    @classmethod
    def of_each(cls, config: OpcUaServer) -> Limits:
        """Of each client address: its share, at least one."""
        share = config.client_share
        return cls(
            max(1, int(config.max_sessions * share)),
            max(1, int(config.max_subscriptions * share)),
            max(1, int(config.max_monitored_items * share)),
        )
