"""The monitored items of one subscription, for values and for events."""

from __future__ import annotations

from asyncua import ua

from edgeflash.outlets.opcua_event_items import EventItem, EventItems
from edgeflash.outlets.opcua_monitored_items import MonitoredItems


class AllItems(EventItems, MonitoredItems):
    """Both kinds share what room the client has."""

    @property
    def event_items(self) -> int:
        """How many items are of events."""
        return len(self._event_items)

    def _granted(self, asked: int, item: EventItem) -> int:
        self.places -= item.data.queue_size
        size = self._queue_size(asked, True)
        self.places += size
        return size

    def resend(self) -> None:
        """Queues the present value of every item that reports values, changed or not."""
        for key, item in self._monitored_items.items():
            if item.callback_handle is not None and item.mode == ua.MonitoringMode.Reporting:
                item.before = None
                self._sample_now(key, item)
