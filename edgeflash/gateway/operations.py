"""What is done to the running gateway: authorised, limited in time, recorded, whoever asks."""

from __future__ import annotations

import asyncio
import contextlib
import math
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Protocol

from edgeflash.access import Operation, OperationRefusedError, Who, demand
from edgeflash.errors import EdgeflashError
from edgeflash.gateway.alarm_desk import AlarmDesk
from edgeflash.gateway.declared_desk import DeclaredDesk
from edgeflash.gateway.event_record import EventRecord
from edgeflash.gateway.signal_desk import SignalDesk, alarms_in_the_way, hidden_by
from edgeflash.model import AlarmState, Declared, EventEntry, EventKind
from edgeflash.operations import LONGEST_DECLARED_MIN, LONGEST_TEST_S
from edgeflash.outlets.values import QUALITY_OF_JUDGED, carried
from edgeflash.points import CATALOGUE, STATUS_WORD, TEST_ACTIVE, Point
from edgeflash.publication import Standing, TestSignal
from edgeflash.service import Clock
from edgeflash.status_bits import TEST_MASK
from edgeflash.trust import Quality, Trust

RECORDED_WITHIN_S = 3.0
"""How long an operation waits for the disk before it reports itself done."""

LONGEST_TEXT = 500
LONGEST_LEASE_S = 60.0

_POINTS: Mapping[str, Point] = {point.name: point for point in CATALOGUE}


class Served(Protocol):
    """One analyzer at work, as far as operations touch it."""

    standing: Standing

    @property
    def alarms(self) -> AlarmDesk:
        """Its alarms."""

    @property
    def declared(self) -> DeclaredDesk:
        """What is declared of it."""

    @property
    def tests(self) -> SignalDesk:
        """Its test signals."""

    def show_anew(self) -> None:
        """Judges the present anew and shows it."""


class GatewayOperations:
    """Implements `edgeflash.operations.Operations` for all analyzers, by id."""

    def __init__(self, served: Mapping[str, Served], record: EventRecord, clock: Clock) -> None:
        self._served = served
        self._record = record
        self._clock = clock

    @property
    def analyzers(self) -> Mapping[str, Served]:
        """The analyzers by id."""
        return self._served

    async def acknowledge(
        self, analyzer: str, alarm: str, who: Who, because: str = ""
    ) -> AlarmState:
        """Takes note of an alarm; the state it is in then."""
        with self._recording_refusals(Operation.ACKNOWLEDGE, analyzer, alarm, who):
            served = self._demanded(Operation.ACKNOWLEDGE, analyzer, who)
            said = _said(because)
            kept = served.alarms.acknowledge(alarm, who.name, said, self._now(), who.via)
        served.show_anew()
        await self._until_saved(served)
        return kept.state

    async def comment(self, analyzer: str, alarm: str, who: Who, text: str) -> None:
        """Records what somebody says of an alarm; nothing else changes."""
        with self._recording_refusals(Operation.ACKNOWLEDGE, analyzer, alarm, who):
            served = self._demanded(Operation.ACKNOWLEDGE, analyzer, who)
            said = _said(text)
        kind, now = EventKind.COMMENT, self._now()
        self._record.note(EventEntry(now, kind, analyzer, who.name, who.via, alarm, said))
        await self._until_saved(served)

    async def maintenance(
        self, analyzer: str, minutes: float | None, who: Who, because: str = ""
    ) -> None:
        """Declares maintenance, or ends it."""
        operation, kind = Operation.MAINTENANCE, Declared.MAINTENANCE
        await self._declare(operation, kind, analyzer, minutes, who, because)

    async def check_sample(
        self, analyzer: str, minutes: float | None, who: Who, because: str = ""
    ) -> None:
        """Declares that a check sample is measured, or ends it."""
        operation, kind = Operation.CHECK_SAMPLE, Declared.CHECK_SAMPLE
        await self._declare(operation, kind, analyzer, minutes, who, because)

    async def _declare(
        self,
        operation: Operation,
        kind: Declared,
        analyzer: str,
        minutes: float | None,
        who: Who,
        because: str,
    ) -> None:
        with self._recording_refusals(operation, analyzer, "", who):
            served = self._demanded(operation, analyzer, who)
            said, now, mono_s = _said(because), self._now(), self._clock.mono_s()
            if minutes is not None:
                _refuse_unless(0.0 < minutes <= LONGEST_DECLARED_MIN, _MINUTES)
                served.declared.declare(kind, minutes, who, said, now, mono_s)
            elif not served.declared.end(kind, who, said, now, mono_s):
                raise OperationRefusedError(f"{analyzer}: there is no declared {kind.value} to end")
        served.show_anew()
        await self._until_saved(served)

    async def test_signal(
        self,
        analyzer: str,
        point: str,
        signal: TestSignal,
        seconds: float,
        who: Who,
        lease_s: float | None = None,
    ) -> None:
        """Shows a test value in every outlet. lease_s: it ends so long after the last
        `renew_tests` at the latest."""
        with self._recording_refusals(Operation.TEST_SIGNAL, analyzer, point, who):
            served = self._demanded(Operation.TEST_SIGNAL, analyzer, who)
            _refuse_unless(0.0 < seconds <= LONGEST_TEST_S, _SECONDS)
            _refuse_unless(lease_s is None or 0.0 < lease_s <= LONGEST_LEASE_S, _LEASE)
            _refuse_wrong_signal(point, signal)
            _refuse_danger(served.standing, point)
            now, mono_s = self._now(), self._clock.mono_s()
            served.tests.start(point, signal, seconds, who, now, mono_s, lease_s)
        served.show_anew()
        await self._until_saved(served)

    async def renew_tests(self, analyzer: str, who: Who, point: str | None = None) -> list[str]:
        """Renews the leases of this person's tests; the points still under test by them."""
        with self._recording_refusals(Operation.TEST_SIGNAL, analyzer, "", who):
            served = self._demanded(Operation.TEST_SIGNAL, analyzer, who)
        return served.tests.renew(self._clock.mono_s(), who, point)

    async def end_test(
        self, analyzer: str, point: str | None, who: Who, only_own: bool = False
    ) -> None:
        """Ends the test of a point, or (None) every test of the analyzer. only_own: nobody
        else's."""
        with self._recording_refusals(Operation.TEST_SIGNAL, analyzer, point or "", who):
            served = self._demanded(Operation.TEST_SIGNAL, analyzer, who)
            served.tests.end(point, "ended", self._now(), who, only_own)
        served.show_anew()
        await self._until_saved(served)

    def login_failed(self, user: str, peer: str) -> None:
        """Records a failed log-in. user: as claimed, so it proves nothing; peer: an address."""
        text = "the log-in was refused"
        kind = EventKind.LOGIN_FAILED
        self._record.note(EventEntry(self._now(), kind, who=user, via=peer, text=text))

    def refused(self, user: str, via: str, why: str) -> None:
        """Records that somebody was refused before anything was asked."""
        kind = EventKind.REFUSED
        self._record.note(EventEntry(self._now(), kind, who=user, via=via, text=why))

    def end_all_tests(self, why: str) -> None:
        """Ends every test, at the end of the gateway."""
        for served in self._served.values():
            served.tests.end(None, why, self._now())

    def note_left_tests(self, left: Sequence[tuple[str, str]]) -> None:
        """Records the end of tests that went with a gateway that was killed. left: analyzer and
        point of each."""
        why = "the gateway that showed it is gone; when it ended is not known"
        for analyzer, point in left:
            entry = EventEntry(self._now(), EventKind.TEST_OFF, analyzer, subject=point, text=why)
            self._record.note(entry)

    def is_recorded(self, analyzer: str) -> bool:
        """True when all that was done to this analyzer is on disk."""
        served = self._served[analyzer]
        savers = (self._record, served.alarms.saver, served.declared.saver)
        return all(saver.is_saved for saver in savers)

    def rows(self) -> dict[str, list[Mapping[str, object]]]:
        """Alarms, what is declared, and tests, for people."""
        mono_s, all_of = self._clock.mono_s(), self._served.values()
        return {
            "alarms": [row for s in all_of for row in s.alarms.rows()],
            "declared": [row for s in all_of for row in s.declared.rows(mono_s)],
            "tests": [row for s in all_of for row in s.tests.rows(mono_s)],
        }

    def _demanded(self, operation: Operation, analyzer: str, who: Who) -> Served:
        demand(who, operation)
        served = self._served.get(analyzer)
        if served is None:
            known = ", ".join(self._served)
            raise OperationRefusedError(f"there is no analyzer '{analyzer}'; there are: {known}")
        return served

    @contextlib.contextmanager
    def _recording_refusals(
        self, operation: Operation, analyzer: str, subject: str, who: Who
    ) -> Iterator[None]:
        try:
            yield
        except EdgeflashError as error:
            about = analyzer if analyzer in self._served else ""
            what = f"{operation.value} {subject}".strip()
            self._record.note(
                EventEntry(
                    self._now(), EventKind.REFUSED, about, who.name, who.via, what, str(error)
                )
            )
            if isinstance(error, OperationRefusedError):
                raise
            raise OperationRefusedError(str(error)) from error

    async def _until_saved(self, served: Served) -> None:
        """Waits for the disk, but not for ever: what is done stands without it."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(RECORDED_WITHIN_S):
                await served.alarms.saver.saved()
                await served.declared.saver.saved()
                await self._record.saved()

    def _now(self) -> datetime:
        return self._clock.utc_now()


_MINUTES = f"the minutes must be above 0 and at most {LONGEST_DECLARED_MIN:g}"
_SECONDS = f"the seconds of a test must be above 0 and at most {LONGEST_TEST_S:g}"
_LEASE = f"the lease must be above 0 s and at most {LONGEST_LEASE_S:g} s"


def _refuse_unless(is_right: bool, words: str) -> None:
    if not is_right:
        raise OperationRefusedError(words)


def _said(because: str) -> str:
    _refuse_unless(len(because) <= LONGEST_TEXT, f"a reason has at most {LONGEST_TEXT} characters")
    _refuse_unless(because.isprintable(), "a reason must be one line without control characters")
    return because


def _refuse_wrong_signal(name: str, signal: TestSignal) -> None:
    """A test must be of a point there is, with a value that this point can carry."""
    point = _POINTS.get(name)
    if point is None:
        raise OperationRefusedError(f"there is no point '{name}'; `edgeflash points` lists them")
    if name == TEST_ACTIVE:
        raise OperationRefusedError(f"{name} tells of tests and cannot be one")
    value, is_bad = signal.value, signal.quality.trust is Trust.BAD
    if (value is None) is not is_bad:
        quality = signal.quality.name.lower()
        has = "has no value" if is_bad else "needs a value"
        raise OperationRefusedError(f"{name}: the quality {quality} {has}")
    if value is None:
        return
    if name == QUALITY_OF_JUDGED and value == Quality.GOOD.value.modbus:
        raise OperationRefusedError(
            f"{name}: a test must not show {value}, good: in Modbus it vouches for the value "
            "beside it, which may be held; test flash_point_c with that quality instead"
        )
    if name == STATUS_WORD and isinstance(value, int) and not value & TEST_MASK:
        raise OperationRefusedError(
            f"{name}: a test must have the bit of {TEST_ACTIVE} ({TEST_MASK}) set: it must not "
            "hide that it is one"
        )
    is_code = bool(point.texts) and isinstance(value, int) and not isinstance(value, bool)
    beyond = is_code and isinstance(value, int) and not 0 <= value < len(point.texts)
    if carried(point, value, None) is None or beyond or _is_long(value):
        raise OperationRefusedError(f"{name}: {value!r} is no {point.type.value} it can carry")


def _is_long(value: object) -> bool:
    if isinstance(value, float) and not math.isfinite(value):
        return True
    return isinstance(value, str) and (len(value) > LONGEST_TEXT or not value.isprintable())


def _refuse_danger(standing: Standing, point: str) -> None:
    """No test where it could hide that the product may be dangerous."""
    if in_the_way := alarms_in_the_way(standing):
        raise OperationRefusedError(
            f"no test while {', '.join(in_the_way)} is active: acknowledge it first"
        )
    if hidden_by(standing, point):
        raise OperationRefusedError(f"{point}: this alarm stands, and a test would hide it")
