"""One physical line that several analyzers share: one owner, one request at a time.

An RTU reply does not say which request it answers. So after a request without its right answer the
unit asked is left alone until no reply can come any more (`late_s` after the time limit), and
whatever comes meanwhile is discarded. Other units go on: a late reply bears its own unit's number.
Renewing a TCP connection does not help, because the late reply is still under way on the wire
behind the serial server. After opening, nobody is asked for as long: an earlier process may have.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable
from typing import Never

import structlog

from edgeflash.config.site import Line as LineSettings
from edgeflash.links.diagnostics import LinkDiagnostics
from edgeflash.links.errors import FAULT_OF_EXCEPTION, LinkError, LinkFault
from edgeflash.links.line_framing import framing_of, quiet_s, wire_s
from edgeflash.links.line_port import LinePort, port_of
from edgeflash.links.line_unit import Job, LineUnit
from edgeflash.links.read_request import Answer, ReadRequest, Refusal, Seen, Spoilt
from edgeflash.links.turns import Turns
from edgeflash.service.backoff import backoff_s
from edgeflash.service.clock import Clock

REOPEN_FIRST_S = 0.5
REOPEN_MAX_S = 5.0
"""A USB adapter that is plugged in again is found within this."""

PATIENCE_IN_TIME_LIMITS = 10
"""A silent unit may take one time limit out of so many from units that answer."""

NEVER_QUIET_S = 1.0
"""A line that does not fall silent for so long, before a request, carries somebody else's talk."""

MUTE_REQUESTS = 3
"""Unanswered requests in a row, without a single byte, after which a TCP connection is renewed."""

_log = structlog.get_logger(__name__)


class Line:
    """The owner of one line. `run` must be running for anything to be read.

    opening_s: how long nobody is asked after it was opened; by default as long as an answer to
    whoever had it before may take.
    """

    def __init__(
        self, settings: LineSettings, clock: Clock, opening_s: float | None = None
    ) -> None:
        self.id = settings.id
        self._settings, self._clock = settings, clock
        self._framing = framing_of(settings)
        longest_s = 0.0 if self._framing.is_numbered else settings.timeout_s + settings.late_s
        self._opening_s = longest_s if opening_s is None else opening_s
        self._turns = Turns(PATIENCE_IN_TIME_LIMITS * settings.timeout_s)
        self._jobs: dict[int, Job] = {}
        self._units: dict[int, LineUnit] = {}
        self._port: LinePort | None = None
        self._fault: LinkError | None = None
        self._tried = asyncio.Event()
        self._mute = self._failures = 0
        self._is_renewing = False
        self._told: bool | None = None

    @property
    def place(self) -> str:
        """The device, or host and port, for sentences."""
        line = self._settings
        return line.device if line.device is not None else f"{line.host}:{line.port}"

    @property
    def is_open(self) -> bool:
        """True while requests can be sent, or can wait for a connection that is being renewed."""
        return self._port is not None or self._is_renewing

    def unit(
        self,
        unit_id: int,
        diagnostics: LinkDiagnostics,
        on_answer: Callable[[], None] = lambda: None,
    ) -> LineUnit:
        """One analyzer's place on the line; the last one made for a unit is the one that counts.

        on_answer: called for every answer, refusals included.
        """
        before = self._units.get(unit_id)
        if self.is_open and (before is None or before.diagnostics is not diagnostics):
            diagnostics.note_connect()
        unit = self._units[unit_id] = LineUnit(self, unit_id, diagnostics, on_answer)
        return unit

    async def run(self) -> Never:
        """Owns the line until cancelled: opens it, serves it, opens it again."""
        try:
            while True:
                port = port_of(self._settings, self._clock.mono_s)
                try:
                    await port.open()
                    self._begin(port)
                    await self._serve(port)
                except LinkError as error:
                    self._is_renewing = self._may_renew
                    if not self._is_renewing:
                        self._end(error)
                finally:
                    self._port = None
                    port.close()
                if not self._is_renewing:
                    delay_s = backoff_s(self._failures, REOPEN_FIRST_S, REOPEN_MAX_S, random.random)
                    await asyncio.sleep(delay_s)
                self._failures += 1
        finally:
            self._is_renewing = False
            ended = LinkError(LinkFault.NOT_CONNECTED, f"line {self.id} is closed")
            self._fault = ended
            self._fail_all(ended)

    @property
    def _may_renew(self) -> bool:
        """True when a connection that served is lost, and another may well be had at once.

        Gateways drop idle connections as a habit, and one unit's rubbish makes a connection
        useless: neither is a failure of the other units, so they wait instead of being told so.
        """
        return self._port is not None and self._settings.device is None and not self._failures

    def _begin(self, port: LinePort) -> None:
        self._turns.leave_all_alone(self._clock.mono_s() + self._opening_s)
        self._port, self._mute, self._is_renewing = port, 0, False
        self._fault = None
        self._tried.set()
        for unit in self._units.values():
            unit.diagnostics.note_connect()

    def _end(self, error: LinkError) -> None:
        if self._told is not False:
            self._told = False
            _log.warning("line down", line=self.id, why=error.sentence)
        self._fault = error
        self._tried.set()
        self._fail_all(error)

    def _note_works(self) -> None:
        """Somebody answered: only that, and no mere opening, is the end of a failure."""
        self._failures = 0
        if self._told is not True:
            self._told = True
            _log.info("line up", line=self.id, place=self.place)

    def _fail_all(self, error: LinkError) -> None:
        jobs, self._jobs = self._jobs, {}
        for job in jobs.values():
            job.fail(error)

    async def opened(self) -> None:
        """Returns when the line is open. Raises LinkError when it cannot be opened."""
        await self._tried.wait()
        if self._fault is not None:
            raise self._fault

    async def read(self, unit: LineUnit, request: ReadRequest) -> list[int]:
        """The words of one request in its turn. Raises LinkError."""
        if not self.is_open:
            fault = self._fault
            raise fault or LinkError(LinkFault.NOT_CONNECTED, f"line {self.id} is not open yet")
        silent = self._turns.is_silent(request.unit_id)
        attempts = 1 if silent else 1 + self._settings.retries
        job = Job(request, unit, self._clock.mono_s(), attempts)
        before = self._jobs.get(request.unit_id)
        if before is not None and not before.future.done():
            raise LinkError(LinkFault.BUSY, f"{unit.peer} is being asked already")
        self._jobs[request.unit_id] = job
        if self._port is not None:
            self._port.changed.set()
        return await job.future

    async def _serve(self, port: LinePort) -> Never:
        """Serves jobs in turn. Raises LinkError when the port is lost."""
        while True:
            job = await self._next_job(port)
            try:
                await self._exchange(port, job)
            except LinkError as error:
                self._done(job, error)
                raise

    async def _next_job(self, port: LinePort) -> Job:
        """The job whose turn it is, once the line is silent and clear. Raises when lost."""
        while True:
            self._discard(port)
            waiting, now_s = self._waiting(), self._clock.mono_s()
            unit_id = self._turns.next(waiting, now_s)
            if unit_id is None:
                await self._change(port, self._turns.wait_s(waiting, now_s))
                continue
            if not await self._fall_silent(port):
                self._never_silent(self._jobs[unit_id])
                continue
            # Who was just answered has had time to ask on, and may go before who is silent.
            unit_id = self._turns.next(self._waiting(), self._clock.mono_s())
            if unit_id is not None:
                return self._jobs[unit_id]

    def _waiting(self) -> dict[int, float]:
        """Since when each unit waits; who has given up is left out."""
        self._jobs = {u: job for u, job in self._jobs.items() if not job.future.done()}
        return {unit_id: job.since_s for unit_id, job in self._jobs.items()}

    def _never_silent(self, job: Job) -> None:
        job.unit.diagnostics.note_garbled()
        why = f"{self.place} never falls silent: another master, or a wrong speed or parity"
        self._done(job, LinkError(LinkFault.BAD_REPLY, why))

    async def _change(self, port: LinePort, limit_s: float | None) -> bool:
        """Waits for bytes, a job or a loss; False when none came in time. Raises when lost."""
        if port.fault:
            raise LinkError(LinkFault.DISCONNECTED, port.fault)
        try:
            async with asyncio.timeout(limit_s):
                await port.changed.wait()
        except TimeoutError:
            return False
        finally:
            port.changed.clear()
        if port.fault:
            raise LinkError(LinkFault.DISCONNECTED, port.fault)
        return True

    def _discard(self, port: LinePort) -> None:
        """Forgets bytes nobody asked for; a unit that is out of step is left alone."""
        if not port.received:
            return
        strangers, rest = self._framing.strangers(bytes(port.received))
        port.clear(rest)
        self._note_strangers(strangers)

    def _note_strangers(self, unit_ids: tuple[int, ...]) -> None:
        for unit_id in unit_ids:
            if not self._framing.is_numbered:
                until_s = self._clock.mono_s() + self._settings.late_s
                self._turns.leave_alone(unit_id, until_s)
            if unit_id in self._units:
                self._units[unit_id].diagnostics.note_late()

    async def _fall_silent(self, port: LinePort) -> bool:
        """Waits for the pause before a request; False when the line never falls silent."""
        pause_s = quiet_s(self._settings)
        begun_s = self._clock.mono_s()
        while (wait_s := port.heard_s + pause_s - self._clock.mono_s()) > 0:
            if self._clock.mono_s() - begun_s > NEVER_QUIET_S + pause_s:
                return False
            await self._change(port, wait_s)
        await asyncio.sleep(0)  # bytes that the system has already are handed over first
        self._discard(port)
        return True

    async def _exchange(self, port: LinePort, job: Job) -> None:
        """One request and what comes of it. Raises LinkError when the port is lost."""
        request, notes = job.request, job.unit.diagnostics
        sent_s = self._clock.mono_s()
        limit_s = sent_s + self._settings.timeout_s + wire_s(self._settings, request)
        if not job.sent:
            notes.note_request()
        job.sent += 1
        port.write(self._framing.encode(request))
        seen = await self._reply(port, request, limit_s)
        now_s = self._clock.mono_s()
        is_mute = not port.received
        port.clear(self._framing.strangers(bytes(port.received))[1])
        self._note_strangers(seen.strangers)
        outcome = seen.outcome
        assert outcome is not None
        self._turns.note(
            request.unit_id,
            isinstance(outcome, Spoilt) and outcome.fault is LinkFault.NO_RESPONSE,
            now_s,
        )
        if isinstance(outcome, Answer | Refusal):
            self._note_works()
        match outcome:
            case Answer(words):
                notes.note_answer(now_s, now_s - sent_s)
                job.unit.on_answer()
                self._done(job, list(words))
            case Refusal(code):
                notes.note_refusal(code, now_s, now_s - sent_s)
                job.unit.on_answer()
                fault = FAULT_OF_EXCEPTION.get(code, LinkFault.DEVICE_FAILURE)
                why = f"{job.unit.peer} refuses {request.place} with exception {code}"
                self._done(job, LinkError(fault, f"{why}: {fault.value}"))
            case Spoilt():
                if not self._framing.is_numbered:
                    self._turns.leave_alone(request.unit_id, limit_s + self._settings.late_s)
                self._spoilt(job, outcome)
        self._mute = self._mute + 1 if is_mute else 0
        if isinstance(outcome, Spoilt) and outcome.is_fatal:
            raise LinkError(
                outcome.fault, f"{self.place}: {outcome.why}; the connection is renewed"
            )
        if self._settings.device is None and self._mute >= MUTE_REQUESTS:
            why = f"{self.place} said nothing to {self._mute} requests; the connection is renewed"
            raise LinkError(LinkFault.NO_RESPONSE, why)

    async def _reply(self, port: LinePort, request: ReadRequest, limit_s: float) -> Seen:
        """What came until the reply was whole or the time limit passed. Raises when lost."""
        while True:
            seen = self._framing.look(bytes(port.received), request, is_over=False)
            if seen.outcome is not None:
                return seen
            wait_s = limit_s - self._clock.mono_s()
            if port.is_overfull or wait_s <= 0:
                return self._framing.look(bytes(port.received), request, is_over=True)
            await self._change(port, wait_s)

    def _done(self, job: Job, result: list[int] | LinkError) -> None:
        if self._jobs.get(job.request.unit_id) is job:
            del self._jobs[job.request.unit_id]
        if isinstance(result, LinkError):
            job.fail(result)
        elif not job.future.done():
            job.future.set_result(result)

    def _spoilt(self, job: Job, spoilt: Spoilt) -> None:
        """Counts a lost request, and asks again in its turn while it may."""
        notes, is_silence = job.unit.diagnostics, spoilt.fault is LinkFault.NO_RESPONSE
        if is_silence:
            notes.note_timeout()
        else:
            notes.note_garbled()
        if job.sent < job.attempts and not spoilt.is_fatal and not job.future.done():
            notes.note_retry()
            job.since_s = self._clock.mono_s()
            return
        line = self._settings
        if is_silence:
            why = f"gave no answer to {job.request.place} in {line.timeout_s:g} s"
        else:
            why = f"to {job.request.place}: {spoilt.why}"
        self._done(job, LinkError(spoilt.fault, f"{job.unit.peer} {why}"))
