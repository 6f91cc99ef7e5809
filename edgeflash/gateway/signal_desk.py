"""The test signals of one analyzer: shown for a limited time, never kept, never in the way.

They live in this process's memory only, so none survives it. A test never hides a danger: while an
alarm of high priority is active, and not acknowledged, none is shown, and one is ended when such an
alarm is raised.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import structlog

from edgeflash.access import OperationRefusedError, Who
from edgeflash.alarms.catalogue import ALARMS, Priority
from edgeflash.model import AlarmState, EventEntry, EventKind
from edgeflash.publication import Standing, TestSignal

HIGH = frozenset(alarm.name for alarm in ALARMS if alarm.priority is Priority.HIGH)

SUMMARIES = frozenset({"status_bits", "alarms_active", "alarms_unacknowledged"})
"""Points that tell of several alarms at once, in outlets that have them."""

log = structlog.get_logger("edgeflash.tests")


@dataclass(frozen=True, slots=True)
class Running:
    """One test. lease_s: it ends so long after its last renewal; None: it needs none."""

    signal: TestSignal
    who: Who
    until_mono_s: float
    lease_s: float | None
    renewed_mono_s: float

    @property
    def end_mono_s(self) -> float:
        """When it ends by itself."""
        if self.lease_s is None:
            return self.until_mono_s
        return min(self.until_mono_s, self.renewed_mono_s + self.lease_s)


def alarms_in_the_way(standing: Standing) -> tuple[str, ...]:
    """The alarms that stand unacknowledged and forbid every test."""
    return tuple(name for name in sorted(HIGH) if standing.alarms.get(name) is AlarmState.ACTIVE)


def hidden_by(standing: Standing, point: str) -> bool:
    """True when a test of this point would hide an alarm that stands."""
    if point == "possible_low_flash":
        return standing.low_flash_alarm
    if point in SUMMARIES:
        stands = any(state is not AlarmState.NORMAL for state in standing.alarms.values())
        return stands or standing.low_flash_alarm
    state = standing.alarms.get(point.removeprefix("alarm_"))
    return point.startswith("alarm_") and state not in (None, AlarmState.NORMAL)


class SignalDesk:
    """Holds the tests of one analyzer. on_event: is told every change, for the event record."""

    def __init__(
        self, analyzer: str, on_event: Callable[[EventEntry], None] = lambda entry: None
    ) -> None:
        self._analyzer = analyzer
        self._log = log.bind(analyzer=analyzer)
        self._on_event = on_event
        self._tests: dict[str, Running] = {}

    def shown(self, now_mono_s: float) -> Mapping[str, TestSignal]:
        """The signals to show at this moment; one whose time is over is not among them."""
        if not self._tests:
            return {}
        return {
            point: test.signal
            for point, test in self._tests.items()
            if now_mono_s < test.end_mono_s
        }

    def start(
        self,
        point: str,
        signal: TestSignal,
        seconds: float,
        who: Who,
        now: datetime,
        now_mono_s: float,
        lease_s: float | None = None,
    ) -> None:
        """Shows a test, in place of one of the same person that is shown already. Raises
        OperationRefusedError when somebody else's is."""
        running = self._tests.get(point)
        if running is not None and running.who.name != who.name and now_mono_s < running.end_mono_s:
            raise OperationRefusedError(
                f"{point}: {running.who.name} has a test of it running, for at most "
                f"{running.end_mono_s - now_mono_s:.0f} s more: wait, or have it ended first"
            )
        until_mono_s = now_mono_s + seconds
        self._tests[point] = Running(signal, who, until_mono_s, lease_s, now_mono_s)
        text = f"{told(signal)} for {seconds:g} s"
        until = now + timedelta(seconds=seconds)
        self._log.warning("test_on", point=point, shows=text, by=who.name, via=who.via)
        kind = EventKind.TEST_ON
        self._on_event(EventEntry(now, kind, self._analyzer, who.name, who.via, point, text, until))

    def renew(self, now_mono_s: float, who: Who, point: str | None = None) -> list[str]:
        """Renews the leases of this person's tests, of one point or (None) all; the points whose
        tests are still shown."""
        shown = []
        for name, test in self._tests.items():
            is_meant = test.who.name == who.name and point in (None, name)
            if is_meant and now_mono_s < test.end_mono_s:
                self._tests[name] = replace(test, renewed_mono_s=now_mono_s)
                shown.append(name)
        return sorted(shown)

    def end(
        self,
        point: str | None,
        why: str,
        now: datetime,
        who: Who | None = None,
        only_own: bool = False,
    ) -> None:
        """Ends the test of one point, or (None) all; none is no error. only_own: those that `who`
        started, and nobody else's."""
        for name in [p for p in self._tests if point in (None, p)]:
            if only_own and who is not None and self._tests[name].who.name != who.name:
                continue
            del self._tests[name]
            self._ended(name, why, now, who)

    def look(self, standing: Standing, now: datetime, now_mono_s: float) -> None:
        """Ends what is over, and what would hide an alarm."""
        if not self._tests:
            return
        for point, test in list(self._tests.items()):
            if now_mono_s >= test.until_mono_s:
                self.end(point, "its time is over", now)
            elif now_mono_s >= test.end_mono_s:
                self.end(point, "the command that asked for it is gone", now)
            elif hidden_by(standing, point):
                self.end(point, "it would hide an alarm", now)
        if in_the_way := alarms_in_the_way(standing):
            self.end(None, f"alarm {', '.join(in_the_way)} was raised", now)

    def rows(self, now_mono_s: float) -> list[Mapping[str, object]]:
        """The tests for people."""
        return [
            {
                "analyzer": self._analyzer,
                "point": point,
                "shows": told(test.signal),
                "by": test.who.name,
                "left_s": round(test.end_mono_s - now_mono_s, 1),
            }
            for point, test in self._tests.items()
            if now_mono_s < test.end_mono_s
        ]

    def _ended(self, point: str, why: str, now: datetime, who: Who | None) -> None:
        name, via = (who.name, who.via) if who else ("", "")
        self._log.info("test_off", point=point, why=why, by=name, via=via)
        kind = EventKind.TEST_OFF
        self._on_event(EventEntry(now, kind, self._analyzer, name, via, point, why))


def told(signal: TestSignal) -> str:
    """A test in words."""
    value = signal.value.isoformat() if isinstance(signal.value, datetime) else repr(signal.value)
    return f"{'no value' if signal.value is None else value} as {signal.quality.value.opcua_name}"
