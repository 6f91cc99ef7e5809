"""Notices that an MQTT outlet does not bring on what it owes, or that shipping does not. Pure.

Silence of an outlet shows nowhere else: a control system that looks at OPC UA or Modbus sees good
values while a broker sees old ones. Durations are of the monotonic clock.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from edgeflash.alarms.conditions import STEADY_S
from edgeflash.outlets.mqtt_figures import MqttFigures

STUCK_S = 60.0
"""A stream that owes and has not moved for so long is in trouble, whatever its session says. Common
practice, no source."""


@dataclass(frozen=True, slots=True)
class Delivery:
    """How one outlet has fared so far.

    since_mono_s: since when it is in trouble; None while it is well. why: the latest reason.
    well_since_mono_s: since when nothing has been wrong. moved_mono_s: when each of its streams
    last moved, or owed nothing; reached: where each was then.
    """

    since_mono_s: float | None
    why: str = ""
    well_since_mono_s: float | None = None
    moved_mono_s: tuple[float, ...] = ()
    reached: tuple[int, ...] = ()

    def trouble_s(self, now_mono_s: float) -> float:
        """How long it has been in trouble; 0 while it is well."""
        return 0.0 if self.since_mono_s is None else now_mono_s - self.since_mono_s


def begun(now_mono_s: float) -> Delivery:
    """An outlet that has not connected yet."""
    return Delivery(now_mono_s, "not connected yet")


def looked(before: Delivery, now: MqttFigures, now_mono_s: float, proof_s: float = 0.0) -> Delivery:
    """After another look. proof_s: how long what was sent may wait for its evidence.

    Trouble ends only when nothing has been wrong for STEADY_S: an outlet that connects and is
    thrown out again and again is in trouble all the time.
    """
    moved = _moved(before, now, now_mono_s)
    seen = replace(before, moved_mono_s=moved, reached=tuple(o.reached for o in now.owed))
    still_s = max((now_mono_s - each for each in moved), default=0.0)
    wrong = now.fault
    if not wrong and now.connected_since is None:
        wrong = "not connected"
    if not wrong and still_s > STUCK_S + proof_s:
        wrong = f"connected, but nothing of what is owed has been delivered for {still_s:.0f} s"
    if wrong:
        since_s = now_mono_s if seen.since_mono_s is None else seen.since_mono_s
        return replace(seen, since_mono_s=since_s, why=wrong, well_since_mono_s=None)
    well_s = now_mono_s if seen.well_since_mono_s is None else seen.well_since_mono_s
    if seen.since_mono_s is not None and now_mono_s - well_s < STEADY_S:
        return replace(seen, well_since_mono_s=well_s)
    return replace(seen, since_mono_s=None, why="", well_since_mono_s=well_s)


def _moved(before: Delivery, now: MqttFigures, now_mono_s: float) -> tuple[float, ...]:
    if len(before.reached) != len(now.owed):
        return (now_mono_s,) * len(now.owed)
    return tuple(
        now_mono_s if owed.waiting == 0 or owed.reached != was else at_s
        for owed, was, at_s in zip(now.owed, before.reached, before.moved_mono_s, strict=True)
    )


def away(
    outlets: list[tuple[MqttFigures, Delivery, float]],
    now_mono_s: float,
) -> str:
    """In words, the outlets that have been in trouble for longer than they may, in s; empty when
    there is none."""
    return "; ".join(
        f"{figures.outlet} ({figures.broker}) for {delivery.trouble_s(now_mono_s):.0f} s: "
        f"{delivery.why}"
        for figures, delivery, may_s in outlets
        if delivery.trouble_s(now_mono_s) > may_s
    )
