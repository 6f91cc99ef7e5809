"""One analyzer: its link, its judgement, its place in the journal. Nothing here touches another."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from math import inf

import structlog

from edgeflash.alarms.catalogue import NO_PARTS, SiteParts
from edgeflash.alarms.conditions import Facts, SiteFacts
from edgeflash.config.analyzer_map import AnalyzerMap
from edgeflash.config.site import Product
from edgeflash.cycles.assembler import Assembler, previous_of
from edgeflash.gateway.alarm_desk import AlarmDesk
from edgeflash.gateway.declared_desk import DeclaredDesk
from edgeflash.gateway.recorder import ResultRecorder
from edgeflash.gateway.signal_desk import SignalDesk
from edgeflash.journal import Journal
from edgeflash.links import ALONE, Link, Mark, Surroundings, link_for
from edgeflash.links.diagnostics import in_words
from edgeflash.model import (
    Cycle,
    EventEntry,
    InputReading,
    PreviousResult,
    Result,
    Role,
    Scan,
    Verdict,
)
from edgeflash.publication import Held, LinkState, Standing, View, restored, view, with_result
from edgeflash.rules.catalogue import QUALITY_OF_RULE
from edgeflash.rules.judge import present_unjudged, standing_findings
from edgeflash.rules.judgement import Judgement
from edgeflash.rules.memory import PAST_CYCLES, Memory
from edgeflash.rules.rule import LiveContext
from edgeflash.service import Clock

WATCHED_POLLS = 3
"""Polls that may fail before a new result counts as found after a break, not as watched."""

RESTART_S = 5.0

FIGURES_EVERY_S = 3600.0
"""Between two log lines of a link's figures; each change of its state tells them too."""

log = structlog.get_logger("edgeflash.analyzer")


@dataclass(frozen=True, slots=True)
class Watchers:
    """Who is told. on_change: the standing changed; on_result: a result is on disk; on_event: a
    line for the event record, whose fault is asked of record_fault."""

    on_change: Callable[[], None]
    on_result: Callable[[Result], None]
    on_event: Callable[[EventEntry], None] = lambda entry: None
    record_fault: Callable[[], str] = str


class AnalyzerWorker:
    """Runs one analyzer for ever: link → assembler → computation → rules → journal → standing."""

    def __init__(
        self,
        judgement: Judgement,
        register_map: AnalyzerMap,
        journal: Journal,
        clock: Clock,
        watchers: Watchers,
        inputs: Callable[[], tuple[InputReading, ...]] = lambda: (),
        site_facts: Callable[[], SiteFacts] = SiteFacts,
        site_parts: SiteParts = NO_PARTS,
        surroundings: Surroundings = ALONE,
    ) -> None:
        self.analyzer = judgement.analyzer
        self._map = register_map
        self._journal = journal
        self._clock = clock
        self._watchers = watchers
        self._judgement = judgement
        self._inputs = inputs
        self._site_facts = site_facts
        self._surroundings = surroundings
        self._log = log.bind(analyzer=self.analyzer.id)
        self._recorder = ResultRecorder(journal, self._log, self._show_recorded, self.show_anew)
        self._link: Link | None = None
        self._is_up_untried = False
        self._failure_told = ""
        self._link_sentence = "not connected yet"
        self._last_scan_mono_s: float | None = None
        self._waiting_since_mono_s = clock.mono_s()
        self._figures_told_mono_s = clock.mono_s()
        self._standing_told: tuple[str, ...] = ()
        self._last_recorded = journal.latest(self.analyzer.id)
        self._assembler = self._made_assembler(self._previous())
        self._has_accepted = False
        on_event = watchers.on_event
        self.alarms = AlarmDesk(self.analyzer, journal, site_parts, on_event)
        now, mono_s = clock.utc_now(), clock.mono_s()
        finished_mono_s = self._finished_mono_s(now, mono_s)
        self.declared = DeclaredDesk(
            self.analyzer.id, journal, now, mono_s, finished_mono_s, on_event
        )
        self.tests = SignalDesk(self.analyzer.id, on_event)
        self.standing = self._restored()
        self._memory = Memory.of(journal.recent(self.analyzer.id, PAST_CYCLES))

    def _restored(self) -> Standing:
        """The last accepted value, with its true age, before the first scan."""
        now, mono_s = self._clock.utc_now(), self._clock.mono_s()
        latest = self._last_recorded
        accepted = self._journal.last_accepted(self.analyzer.id)
        return restored(
            Standing(self.analyzer.id, alarms=self.alarms.states, alarm_notes=self.alarms.notes),
            Held.from_before(latest, now, mono_s) if latest else None,
            Held.from_before(accepted, now, mono_s) if accepted else None,
        )

    def _finished_mono_s(self, now: datetime, now_mono_s: float) -> float:
        """When the last recorded cycle was finished, at the earliest."""
        if self._last_recorded is None:
            return -inf
        return Held.from_before(self._last_recorded, now, now_mono_s).finished_mono_s

    async def run(self) -> None:
        """Supervises the reading and the recording; returns only by cancellation."""
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._read_for_ever())
            tasks.create_task(self._recorder.record_for_ever())
            tasks.create_task(self.alarms.saver.save_for_ever())
            tasks.create_task(self.declared.saver.save_for_ever())

    async def _read_for_ever(self) -> None:
        while True:
            previous = self._previous()
            self._assembler = self._made_assembler(previous)
            known = Mark(previous.cycle_number, previous.result_time) if previous else None
            try:
                link = self._link = link_for(
                    self.analyzer, self._map, known, self._clock, self._surroundings
                )
                await link.run(self._on_scan, self._on_link_state)
            except Exception as error:
                # A fault of ours in one analyzer must not stop the others: say it, start anew.
                why = "the analyzer's task failed and is started again"
                self._say_failure(why, error)
                self.tests.end(None, why, self._clock.utc_now())
                # Shown at once: the wait below lasts as long as the disk refuses.
                self._on_link_state(LinkState.DOWN, "the reading failed inside the gateway")
                await self._recorder.all_recorded()  # counting resumes from what is on disk
                await asyncio.sleep(RESTART_S)

    def _previous(self) -> PreviousResult | None:
        recorded = self._last_recorded
        return previous_of(recorded.cycle) if recorded else None

    def _made_assembler(self, previous: PreviousResult | None) -> Assembler:
        return Assembler(
            self.analyzer.id,
            self._map.counter_span if self._map.is_counted else None,
            previous,
            keep_samples=Role.TRACE_PRESSURE not in self._map.roles,
            watched_gap_s=WATCHED_POLLS * self.analyzer.poll_s + self.analyzer.timeout_s,
        )

    async def _on_scan(self, scan: Scan) -> None:
        self._last_scan_mono_s = scan.taken_mono_s
        if self._is_up_untried:
            self._is_up_untried = False
            self._waiting_since_mono_s = scan.taken_mono_s
            self.standing = replace(self.standing, link=LinkState.UP)
        finished_mono_s: float | None = None
        for cycle in self._assembler.take(scan):
            self._waiting_since_mono_s = scan.taken_mono_s
            declared = self.declared.of_cycle(cycle, scan.taken_mono_s)
            result = self._judged(replace(cycle, declared=declared))
            if result.low_flash:
                # A value waits until it is on disk. A danger does not.
                self.standing = replace(self.standing, low_flash_alarm=True)
                self.show_anew()
            held = Held.since(result, scan.taken_at, scan.taken_mono_s)
            await self._recorder.record(held)
            finished_mono_s = held.finished_mono_s
        if finished_mono_s is not None:
            self.declared.took_cycles(finished_mono_s)
        self.standing = replace(
            self.standing, live=scan.live, live_at=scan.taken_at, live_statuses=scan.statuses
        )
        self.refresh()
        self._watchers.on_change()

    def _judged(self, cycle: Cycle) -> Result:
        judged_at, inputs = self._clock.utc_now(), self._inputs()
        try:
            result = self._judgement.judge(cycle, self._memory, judged_at, inputs)
        except Exception as error:
            # Whatever a cycle does to us, it is kept, rejected and said; the next one is judged.
            self._log.exception("a cycle could not be judged", cycle_number=cycle.cycle_number)
            result = self._judgement.failed(cycle, repr(error), self._memory, judged_at, inputs)
        self._memory = self._memory.after(result)
        return result

    def _on_link_state(self, state: LinkState, sentence: str) -> None:
        self._link_sentence = sentence
        ordinary = state in (LinkState.UP, LinkState.CONNECTING)
        write = self._log.info if ordinary else self._log.warning
        figures = self._link.figures if self._link else self.standing.link_figures
        write("link " + state.name.lower(), why=sentence, **in_words(figures))
        self._is_up_untried = state is LinkState.UP
        if self._is_up_untried:
            return  # shown with the first scan: until then nothing is known that was not before
        self.standing = replace(self.standing, link=state)
        self.refresh()
        self._watchers.on_change()

    def _show_recorded(self, held: Held) -> None:
        """A result is on disk: only now is it shown."""
        self._last_recorded = held.result
        self.declared.recorded(held.finished_mono_s)
        if held.result.verdict is Verdict.ACCEPTED:
            self._has_accepted = True
        shown = with_result(self.standing, held)
        # A newer cycle may already have raised the alarm while this one waited for the disk.
        alarm = shown.low_flash_alarm or self._memory.low_flash_alarm
        self.standing = replace(shown, low_flash_alarm=alarm)
        self.show_anew()
        self._watchers.on_result(held.result)

    def _say_failure(self, what: str, error: Exception) -> None:
        """With its trace the first time; one that comes again and again must not fill the log."""
        if repr(error) == self._failure_told:
            return
        self._failure_told = repr(error)
        self._log.error(what, exc_info=error)

    def refresh(self) -> None:
        """Judges the present anew: link, silence, maintenance, alarms.

        Never raises: the gateway asks it of every analyzer in turn, and one must not stop the
        others. What then stands makes the value bad.
        """
        try:
            self._judge_present()
        except Exception as error:
            self._say_failure("the present state could not be judged", error)
            self.standing = replace(self.standing, standing=present_unjudged(repr(error)))

    def _judge_present(self) -> None:
        now, now_mono_s = self._clock.utc_now(), self._clock.mono_s()
        self.declared.look(now, now_mono_s)
        answered = (self._last_scan_mono_s, self._link.answered_mono_s if self._link else None)
        # A long trace over a slow line takes many answers until it is a scan.
        last_s = max((a for a in answered if a is not None), default=None)
        since_scan = None if last_s is None else now_mono_s - last_s
        context = LiveContext(
            analyzer=self.analyzer,
            register_map=self._map,
            link=self.standing.link,
            link_sentence=self._link_sentence,
            since_scan_s=since_scan,
            since_result_s=now_mono_s - self._waiting_since_mono_s,
            live=self.standing.live,
            storage_fault=self._recorder.fault,
            alive_still_s=self._assembler.alive_still_s(now_mono_s),
            since_check_s=self._since_check_s(),
            declared=self.declared.running(now_mono_s),
        )
        found = standing_findings(context, self._judgement.present_rules(self.standing.live))
        figures = self._link.figures if self._link else self.standing.link_figures
        self.standing = replace(self.standing, standing=found, link_figures=figures)
        if now_mono_s - self._figures_told_mono_s >= FIGURES_EVERY_S:
            self._figures_told_mono_s = now_mono_s
            self._log.info("link figures", **in_words(figures))
        names = tuple(s.finding.rule for s in found if not s.finding.rule.startswith("link_"))
        if names != self._standing_told:
            self._standing_told = names
            why = found[0].finding.sentence if names else ""
            write = self._log.warning if names else self._log.info
            write("present state " + (", ".join(names) or "in order"), why=why)
        self._look_at_alarms(context.since_check_s)
        self.tests.look(self.standing, now, now_mono_s)

    @property
    def storage_fault(self) -> str:
        """Why something cannot be recorded; empty when all can."""
        savers = (self.alarms.saver, self.declared.saver)
        faults = (self._recorder.fault, *(s.fault for s in savers), self._watchers.record_fault())
        return next(filter(None, faults), "")

    def show_anew(self) -> None:
        """Judges the present anew and shows it, after evidence or an operation."""
        self.refresh()
        self._watchers.on_change()

    def _since_check_s(self) -> float | None:
        """Seconds since the last check sample, by the wall clock: it must outlive a restart."""
        if not self._memory.checks:
            return None
        return (self._clock.utc_now() - self._memory.checks[-1].finished_at).total_seconds()

    def _look_at_alarms(self, since_check_s: float | None) -> None:
        shown = self.view(heartbeat=0)
        facts = Facts(
            analyzer=self.analyzer,
            standing=self.standing,
            has_accepted=self._has_accepted,
            product=self._product_of(self.standing.latest),
            quality=shown.quality,
            reason=shown.reason_text,
            since_check_s=since_check_s,
            storage_fault=self.storage_fault,
            site=self._site_facts(),
        )
        self.alarms.evaluate(facts, self._clock.utc_now(), self._clock.mono_s())
        self.standing = replace(
            self.standing,
            alarms=self.alarms.states,
            alarm_notes=self.alarms.notes,
            clock=facts.site.clock,
            onward=facts.site.onward,
        )

    def _product_of(self, result: Result | None) -> Product | None:
        """What a usable result was judged as; a result without a value may not even say that."""
        if result is None or result.published_c is None:
            return None
        return self._judgement.situation(result.cycle, result.inputs).product

    def view(self, heartbeat: int) -> View:
        """What the outlets show now."""
        now_mono_s = self._clock.mono_s()
        return view(
            replace(self.standing, tests=self.tests.shown(now_mono_s)),
            now=self._clock.utc_now(),
            now_mono_s=now_mono_s,
            hold_s=self.analyzer.hold_s,
            bad_at_once=self.analyzer.on_reject == "bad",
            heartbeat=heartbeat,
            quality_of_rule=QUALITY_OF_RULE,
        )
