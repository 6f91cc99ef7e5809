"""What people on the gateway's machine may ask about its MQTT outlets, and have done."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import structlog

from edgeflash.access import OperationRefusedError, UserRole, Who
from edgeflash.alarms.acknowledging import Reply, Request
from edgeflash.config.mqtt_entry import MqttEntry
from edgeflash.errors import EdgeflashError
from edgeflash.model import EventEntry, EventKind
from edgeflash.outlets import MqttOutlet
from edgeflash.outlets.mqtt_aside import SetAside
from edgeflash.service import Clock

WISHES = ("mqtt_list", "mqtt_retry", "mqtt_give_up")

MOST_TOLD = 100
"""Messages set aside that one reply names."""

_ROLES = {"mqtt_retry": UserRole.OPERATOR, "mqtt_give_up": UserRole.ENGINEER}

log = structlog.get_logger("edgeflash.mqtt")


class UnknownOutletError(EdgeflashError):
    """Somebody names an MQTT outlet that is not in the site file."""

    def __init__(self, name: object, known: Sequence[str]) -> None:
        super().__init__(
            f"there is no MQTT outlet {name!r}; there are: {', '.join(known) or 'none'}"
        )


class MqttDesk:
    """Answers for the outlets that run. outlets: these, asked anew each time."""

    def __init__(
        self,
        outlets: Callable[[], Sequence[tuple[MqttEntry, MqttOutlet]]],
        note: Callable[[EventEntry], None],
        clock: Clock,
    ) -> None:
        self._outlets = outlets
        self._note = note
        self._clock = clock

    async def answer(self, wish: str, request: Request, who: Who) -> Reply:
        """The reply. Raises EdgeflashError to refuse."""
        if wish == "mqtt_list":
            return {"outlets": [_row(entry, outlet) for entry, outlet in self._outlets()]}
        needed = _ROLES[wish]
        if who.role < needed:
            raise OperationRefusedError(
                f"{who.name} may not do this: it needs the role {needed.name.lower()}"
            )
        known = {entry.id: outlet for entry, outlet in self._outlets()}
        name = request.get("outlet")
        outlet = known.get(name) if isinstance(name, str) else None
        if outlet is None:
            raise UnknownOutletError(name, tuple(known))
        if wish == "mqtt_retry":
            count = outlet.speaker.try_again()
            text = f"{count} messages that were set aside are offered again"
            self._tell(EventKind.MESSAGES_TRIED_AGAIN, str(name), text, who)
            return {"messages": count}
        given = await outlet.speaker.give_up()
        ids = ", ".join(one.id for one in given)
        text = f"{len(given)} messages will not be delivered: {ids or 'none'}"
        self._tell(EventKind.MESSAGES_GIVEN_UP, str(name), text, who)
        return {"messages": len(given)}

    def _tell(self, kind: EventKind, outlet: str, text: str, who: Who) -> None:
        log.warning("mqtt: " + kind.value.replace("_", " "), outlet=outlet, what=text, by=who.name)
        subject = f"mqtt {outlet}"
        at = self._clock.utc_now()
        self._note(EventEntry(at, kind, who=who.name, via=who.via, subject=subject, text=text))


def _row(entry: MqttEntry, outlet: MqttOutlet) -> Mapping[str, object]:
    figures, aside = outlet.figures, outlet.speaker.aside
    since = figures.connected_since
    return {
        "outlet": entry.id,
        "form": entry.form,
        "broker": entry.broker,
        "connected_since": None if since is None else since.isoformat(timespec="seconds"),
        "fault": figures.fault,
        "results_waiting": figures.waiting,
        "sent": figures.sent,
        "set_aside": len(aside),
        "messages": [_aside_row(one) for one in aside[:MOST_TOLD]],
    }


def _aside_row(one: SetAside) -> Mapping[str, object]:
    return {
        "id": one.id,
        "topic": one.topic,
        "code": one.code,
        "why": one.why,
        "at": one.at.isoformat(timespec="seconds"),
    }
