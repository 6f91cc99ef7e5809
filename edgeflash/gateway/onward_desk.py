"""What the gateway knows of the ways out of it: each MQTT outlet, and shipping; looked at each
second, before the alarms are."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime

from edgeflash.alarms.conditions import SiteFacts
from edgeflash.config.mqtt_entry import MqttEntry
from edgeflash.config.site import SiteFile
from edgeflash.gateway.onward_watch import Delivery, away, begun, looked
from edgeflash.gateway.ship_runner import ShipRunner
from edgeflash.onward import Onward
from edgeflash.outlets import MqttOutlet
from edgeflash.service import Clock

_HOUR_S = 3600.0


class OnwardDesk:
    """Holds the facts. mqtt: the outlets with their entries; ship: where the site ships."""

    def __init__(self, file: SiteFile, clock: Clock) -> None:
        self._file = file
        self._clock = clock
        self.mqtt: list[tuple[MqttEntry, MqttOutlet]] = []
        self.ship: ShipRunner | None = None
        started_mono_s = clock.mono_s()
        self._deliveries = {entry.id: begun(started_mono_s) for entry in file.mqtt}
        self._away = self._aside = self._behind = ""
        self._onward = Onward()

    def look(self) -> None:
        """Looks at each."""
        now_mono_s = self._clock.mono_s()
        seen, waiting = list[tuple[MqttEntry, MqttOutlet, Delivery]](), list[int]()
        for entry, outlet in self.mqtt:
            figures = outlet.figures
            proof_s = entry.host_overlap_s if entry.primary_host is not None else 0.0
            delivery = looked(self._deliveries[entry.id], figures, now_mono_s, proof_s)
            self._deliveries[entry.id] = delivery
            seen.append((entry, outlet, delivery))
            waiting.append(figures.waiting)
        self._away = away(
            [(outlet.figures, d, entry.alarm_after_s) for entry, outlet, d in seen], now_mono_s
        )
        self._onward = Onward(
            results_waiting=max(waiting, default=None),
            messages_set_aside=self._set_aside(),
            days_not_shipped=self._days_not_shipped(self._clock.utc_now()),
        )
        self._behind = self._shipping_behind(now_mono_s)

    def _set_aside(self) -> int | None:
        """How many messages are set aside; keeps what of them the alarm tells."""
        if not self.mqtt:
            return None
        told, count = list[str](), 0
        for entry, outlet in self.mqtt:
            if aside := outlet.speaker.aside:
                count += len(aside)
                many = f"{len(aside)} messages" if len(aside) > 1 else "1 message"
                told.append(f"{entry.id}: {many}, first {aside[0].id}: {aside[0].why}")
        self._aside = "; ".join(told)
        return count

    def _days_not_shipped(self, now: datetime) -> int | None:
        return None if self.ship is None else self.ship.record.days_not_shipped(_last_sealed(now))

    def _shipping_behind(self, now_mono_s: float) -> str:
        ship = self._file.ship
        if ship is None or self.ship is None:
            return ""
        behind_s = self.ship.record.behind_s(now_mono_s)
        if behind_s <= ship.may_lack_s:
            return ""
        return f"for {behind_s / _HOUR_S:.0f} h not all sealed days are in {ship.url}: " + (
            self.ship.why()
        )

    def told(self, facts: SiteFacts) -> SiteFacts:
        """The facts with what is known of the ways out."""
        return replace(
            facts,
            onward=self._onward,
            mqtt_away=self._away,
            mqtt_set_aside=self._aside,
            shipping_behind=self._behind,
        )


def _last_sealed(now: datetime) -> date:
    from edgeflash.fleet.sealed import last_sealed_day

    return last_sealed_day(now)
