"""The life of a Sparkplug B edge node and its devices: which message is due when. Pure.

After the Eclipse Sparkplug specification 3.0.0; docs/sparkplug-conformance.md goes through its
statements. The caller sends what it is given, at once and in order, and asks `birth_due` and
`leave_due` after everything it has told the node.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import Enum

from edgeflash.model import CycleSource, Result
from edgeflash.outlets.sparkplug_catalogue import RECORD_SUFFIX
from edgeflash.outlets.sparkplug_host import HostState, HostStateError, decode_state
from edgeflash.outlets.sparkplug_metrics import (
    Reading,
    device_readings,
    own_readings,
    record_readings,
    result_readings,
)
from edgeflash.outlets.sparkplug_payload import (
    DataType,
    Metric,
    Payload,
    PayloadError,
    decode_command,
    encode,
    milliseconds,
)
from edgeflash.outlets.values import OutletUnits
from edgeflash.publication import LinkState, View
from edgeflash.trust import Quality

NAMESPACE = "spBv1.0"
REBIRTH = "Node Control/Rebirth"
BDSEQ = "bdSeq"
WRAPS_AT = 256
"""seq and bdSeq run from 0 to 255."""


class Phase(Enum):
    """Where the node is in its life."""

    AWAY = "away"
    WAITING = "waiting"
    BORN = "born"


@dataclass(frozen=True, slots=True)
class Identity:
    """What names the node and its host. primary_host: None when it waits for nobody."""

    group_id: str
    node_id: str
    site: str
    primary_host: str | None = None

    def topic(self, kind: str, device: str = "") -> str:
        """The topic of one kind of message, of the node or of a device."""
        return "/".join(filter(None, (NAMESPACE, self.group_id, kind, self.node_id, device)))

    @property
    def command_topic(self) -> str:
        """Where the node is told what to do."""
        return self.topic("NCMD")

    @property
    def state_topic(self) -> str | None:
        """Where the primary host says whether it is there."""
        return None if self.primary_host is None else f"{NAMESPACE}/STATE/{self.primary_host}"

    @property
    def subscriptions(self) -> tuple[str, ...]:
        """What to subscribe, with QoS 1, before anything is published. No device takes commands."""
        state = self.state_topic
        return (self.command_topic,) if state is None else (self.command_topic, state)


@dataclass(frozen=True, slots=True)
class Outgoing:
    """A message to publish. Nothing a node sends is retained."""

    topic: str
    payload: bytes
    qos: int = 0


class EdgeNode:
    """One edge node. numbers: of each analyzer, by id.

    presences counts the proofs that the primary host is there; ignored the commands that were none;
    older_states the STATE messages since the last one that was believed.
    resting: births were sent just now; a rebirth waits until it is taken back, and data goes on, so
    that hosts which ask without end get more than births.
    """

    def __init__(
        self,
        identity: Identity,
        numbers: Mapping[str, int],
        units: OutletUnits,
    ) -> None:
        self.identity = identity
        self.phase = Phase.AWAY
        self.presences = 0
        self.ignored = 0
        self.older_states = 0
        self.waiting = 0
        self.resting = False
        self._numbers = dict(numbers)
        self._units = units
        self._bdseq = -1
        self._seq = 0
        self._host: HostState | None = None
        self._rebirth = False
        self._leave = False
        self._views: dict[str, View] = {}
        self._said: dict[str, dict[str, tuple[object, ...]]] = {}

    @property
    def bdseq(self) -> int:
        """The number of this connection; to be kept before connecting."""
        return self._bdseq

    @property
    def birth_due(self) -> bool:
        """Births are to be sent before anything else."""
        if self.phase is Phase.AWAY or not self._views.keys() >= self._numbers.keys():
            return False
        if self.phase is Phase.BORN:
            return self._rebirth and not self.resting
        return self._host_is_there

    @property
    def leave_due(self) -> bool:
        """The primary host is gone: say so, disconnect, and come back to wait for it."""
        return self.phase is Phase.BORN and self._leave

    @property
    def _host_is_there(self) -> bool:
        return self.identity.primary_host is None or (self._host is not None and self._host.online)

    def restore(self, bdseq: int | None) -> None:
        """Goes on after the last bdSeq that was used; None: never any."""
        self._bdseq = -1 if bdseq is None else bdseq

    def connecting(self, now: datetime) -> Outgoing:
        """The will of the next connection, with a number of its own."""
        self.lost()
        self._bdseq = (self._bdseq + 1) % WRAPS_AT
        return self._death(now)

    def connected(self) -> None:
        """The session stands and the subscriptions are made. What a host said in an earlier one
        does not count: its STATE is retained, so the present one comes now."""
        self.phase = Phase.WAITING
        self._host = None
        self.older_states = 0
        self._rebirth = self._leave = False

    def lost(self) -> None:
        """The connection is gone; the broker publishes the will."""
        self.phase = Phase.AWAY
        self._said.clear()

    def leaving(self, now: datetime) -> tuple[Outgoing, ...]:
        """The node's death, to be published before a wanted disconnect; none if never born."""
        born = self.phase is Phase.BORN
        self.lost()
        return (self._death(now),) if born else ()

    def received(self, topic: str, data: bytes, *, is_retained: bool = False) -> None:
        """A message of a subscription. One that makes no sense changes nothing and raises
        HostStateError or PayloadError.

        is_retained: the broker had kept it. A STATE is kept; a command must not be
        (topics-ncmd-mqtt), and one that is comes again with every subscription.
        """
        if topic == self.identity.state_topic:
            self._take_state(decode_state(data))
        elif topic == self.identity.command_topic:
            if is_retained:
                self.ignored += 1
                raise PayloadError("a command that the broker keeps; whoever retained it, clear it")
            self._take_command(data)
        else:
            self.ignored += 1

    def _take_state(self, state: HostState) -> None:
        if not state.replaces(self._host):
            self.older_states += 1
            raise HostStateError(
                f"a STATE message of {state.timestamp_ms} ms, older than the one of "
                f"{self._host.timestamp_ms if self._host else 0} ms; check the clock of the host"
            )
        self._host = state
        self.older_states = 0
        if not state.online:
            self._leave = True
            return
        self.presences += 1
        # It went and came before we could leave: what was sent in between may be lost.
        self._rebirth = self._rebirth or self._leave
        self._leave = False

    def _take_command(self, data: bytes) -> None:
        for metric in decode_command(data):
            if metric.name == REBIRTH and metric.value is True:
                self._rebirth = True
            else:
                self.ignored += 1

    def births(self, latest: Mapping[str, Result], now: datetime) -> list[Outgoing]:
        """The node's birth and that of each device that is there. latest: the newest result of each
        analyzer."""
        self.phase, self._rebirth = Phase.BORN, False
        self._said.clear()
        self._seq = -1
        own = own_readings(self.identity.site, self.waiting, now)
        metrics = (
            Metric(BDSEQ, None, milliseconds(now), DataType.INT64, self._bdseq),
            Metric(REBIRTH, None, milliseconds(now), DataType.BOOLEAN, False),
            *(reading.in_birth() for reading in own),
        )
        self._remember("", own)
        found = [self._message("NBIRTH", "", metrics, now)]
        for analyzer, number in self._numbers.items():
            view, result = self._views[analyzer], latest.get(analyzer)
            record = (
                *record_readings(number, view, self._units),
                *result_readings(
                    number, result, self._units, now, is_current=_is_current(view, result)
                ),
            )
            found.append(self._born(analyzer + RECORD_SUFFIX, record, now))
        for analyzer, view in self._views.items():
            if _is_there(view):
                readings = device_readings(self._numbers[analyzer], view, self._units)
                found.append(self._born(analyzer, readings, now))
        return found

    def shown(self, views: Sequence[View], now: datetime) -> list[Outgoing]:
        """What these views change: data, and births and deaths of devices."""
        known = [view for view in views if view.standing.analyzer in self._numbers]
        self._views.update((view.standing.analyzer, view) for view in known)
        if self.phase is not Phase.BORN or self.birth_due:
            return []
        found = self._changes("", "NDATA", own_readings(self.identity.site, self.waiting, now), now)
        for view in known:
            analyzer = view.standing.analyzer
            number = self._numbers[analyzer]
            record = record_readings(number, view, self._units)
            found += self._changes(analyzer + RECORD_SUFFIX, "DDATA", record, now)
            if not _is_there(view):
                if self._said.pop(analyzer, None) is not None:
                    found.append(self._message("DDEATH", analyzer, (), now))
                continue
            readings = device_readings(number, view, self._units)
            if analyzer in self._said:
                found += self._changes(analyzer, "DDATA", readings, now)
            else:
                found.append(self._born(analyzer, readings, now))
        return found

    def recorded(self, result: Result, now: datetime, *, is_historical: bool) -> list[Outgoing]:
        """One result of the journal, all of its metrics; none for an analyzer that is not here.

        One that the analyzer had kept is history too: a newer one may have been shown already.
        """
        analyzer = result.cycle.analyzer
        is_historical = is_historical or result.cycle.source is CycleSource.RING
        if self.phase is not Phase.BORN or analyzer not in self._numbers:
            return []
        readings = result_readings(self._numbers[analyzer], result, self._units, now)
        metrics = (reading.in_data(is_historical=is_historical) for reading in readings)
        return [self._message("DDATA", analyzer + RECORD_SUFFIX, metrics, now)]

    def _born(self, device: str, readings: Sequence[Reading], now: datetime) -> Outgoing:
        self._remember(device, readings)
        return self._message("DBIRTH", device, (r.in_birth() for r in readings), now)

    def _changes(
        self, device: str, kind: str, readings: Sequence[Reading], now: datetime
    ) -> list[Outgoing]:
        said = self._said[device]
        changed = [r for r in readings if said.get(r.name) != r.signature]
        if not changed:
            return []
        self._remember(device, changed)
        return [self._message(kind, device, (r.in_data() for r in changed), now)]

    def _remember(self, device: str, readings: Iterable[Reading]) -> None:
        self._said.setdefault(device, {}).update((r.name, r.signature) for r in readings)

    def _message(
        self, kind: str, device: str, metrics: Iterable[Metric], now: datetime
    ) -> Outgoing:
        self._seq = (self._seq + 1) % WRAPS_AT
        payload = Payload(milliseconds(now), tuple(metrics), self._seq)
        return Outgoing(self.identity.topic(kind, device), encode(payload))

    def _death(self, now: datetime) -> Outgoing:
        at_ms = milliseconds(now)
        metric = Metric(BDSEQ, None, at_ms, DataType.INT64, self._bdseq)
        payload = Payload(at_ms, (metric,), None)
        return Outgoing(self.identity.topic("NDEATH"), encode(payload), qos=1)


def _is_current(view: View, result: Result | None) -> bool:
    """Whether the analyzer shows this result's value as good now."""
    is_shown = view.shown is not None and result is not None and view.shown.id == result.id
    return is_shown and view.quality is Quality.GOOD and _is_there(view)


def _is_there(view: View) -> bool:
    """Whether the analyzer can be reached, and so its device lives."""
    return view.standing.link is LinkState.UP


__all__ = ["EdgeNode", "HostStateError", "Identity", "Outgoing", "PayloadError", "Phase"]
