"""The gateway: workers, outlets, history and the watchdog, from start to a clean end."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Container, Sequence
from dataclasses import replace
from functools import partial

import structlog

from edgeflash.alarms.acknowledging import SOCKET_NAME, OperatorSocket
from edgeflash.alarms.catalogue import SiteParts
from edgeflash.alarms.conditions import SiteFacts
from edgeflash.clock_state import ClockState
from edgeflash.config.site import Site
from edgeflash.errors import StorageError
from edgeflash.gateway import inputs, lines
from edgeflash.gateway.access_watch import AccessWatch
from edgeflash.gateway.event_record import EventRecord
from edgeflash.gateway.history_desk import HistoryDesk
from edgeflash.gateway.history_keeper import HistoryKeeper, last_flush
from edgeflash.gateway.history_source import HistorySource
from edgeflash.gateway.mqtt_desk import MqttDesk
from edgeflash.gateway.mqtt_outlets import (
    event_consumers,
    made_mqtt_outlet,
    result_consumers,
    settle_consumers,
)
from edgeflash.gateway.onward_desk import OnwardDesk
from edgeflash.gateway.operations import GatewayOperations
from edgeflash.gateway.operator_requests import OperatorRequests
from edgeflash.gateway.outlet_runner import OutletRunner
from edgeflash.gateway.ship_runner import made_ship_runner, owed_to_store
from edgeflash.gateway.site_watch import SiteWatch
from edgeflash.gateway.worker import AnalyzerWorker, Watchers
from edgeflash.history import HistoryWriter
from edgeflash.history.repair import repair
from edgeflash.journal import JOURNAL_NAME, Journal
from edgeflash.links import LinkKeys, Surroundings
from edgeflash.model import Result
from edgeflash.outlets import ModbusOutlet, OpcUaOutlet
from edgeflash.outlets.mqtt_aside import keepers
from edgeflash.outlets.opcua_diagnostics import GatewayFacts
from edgeflash.outlets.opcua_settings import InForce
from edgeflash.publication import View
from edgeflash.rules.judgement import Judgement
from edgeflash.rules.tuning import changes
from edgeflash.service import SYSTEM_CLOCK, Clock, ServiceManager
from edgeflash.service.kernel_clock import read_clock_state

TICK_S = 1.0
HEARTBEAT_WRAPS_AT = 65_536
END_S = 3.5
"""Together with history_keeper.LAST_FLUSH_S this keeps the end within 5 s of the signal."""

log = structlog.get_logger("edgeflash.gateway")


class Gateway:
    """A site at work. on_result is called, on the event loop, for every result that is on disk."""

    def __init__(
        self,
        site: Site,
        clock: Clock = SYSTEM_CLOCK,
        on_result: Callable[[Result], None] = lambda result: None,
        clock_state: Callable[[], ClockState] = read_clock_state,
    ) -> None:
        self._site = site
        self._clock = clock
        self._on_result = on_result
        self._manager = ServiceManager.from_environment()
        self._changed = asyncio.Event()
        self._changed_analyzers: set[str] = set()
        self._started_mono_s = clock.mono_s()
        self._started_at = clock.utc_now()
        self._watch = SiteWatch(clock, (site.state_dir, site.history_dir), clock_state)
        self._inputs = inputs.store_of(site.file)
        self._lines = lines.made_lines(site.file, clock)
        names = site.file.opcua.certified_names if site.file.opcua is not None else ()
        keys = LinkKeys(site.state_dir, site.path.absolute().parent, site.file.site.name, names)
        self._surroundings = Surroundings(keys, self._lines)
        self._workers: list[AnalyzerWorker] = []
        self._runners: list[OutletRunner] = []
        self._onward = OnwardDesk(site.file, clock)
        self._operations: GatewayOperations | None = None
        self._history_desk: HistoryDesk | None = None

    async def run(self, stop: asyncio.Event, on_ready: Callable[[], None] = lambda: None) -> None:
        """Works until `stop` is set, then ends with everything on disk.

        Raises StorageError when the journal cannot be opened.
        """
        site = self._site
        try:
            site.state_dir.mkdir(parents=True, exist_ok=True)
        except OSError as failure:
            raise StorageError(f"the state folder cannot be made: {failure}") from failure
        journal = await asyncio.to_thread(Journal.open, site.state_dir / JOURNAL_NAME)
        HistoryWriter.keep_no_memory()
        history = HistoryWriter(journal, site.history_dir)
        try:
            await asyncio.to_thread(settle_consumers, site.file, journal)
            record = EventRecord(journal, self._clock.mono_s)
            keeper = HistoryKeeper(
                history,
                journal,
                site,
                self._clock,
                record.note,
                self._watch.history_fault,
                consumers=(*result_consumers(site.file), *event_consumers(site.file)),
                owed=partial(owed_to_store, site),
                also=partial(keepers, journal),
            )
            mend = partial(repair, site.history_dir, journal, history)
            self._history_desk = HistoryDesk(mend, record.note, self._clock.utc_now)
            self._workers = self._made_workers(journal, record)
            self._operations = GatewayOperations(
                {w.analyzer.id: w for w in self._workers}, record, self._clock
            )
            self._operations.note_left_tests(await asyncio.to_thread(journal.tests_left_on))
            access = AccessWatch(site.state_dir, record.note, self._clock.utc_now)
            await access.look()  # before the outlets, which make what is missing
            self._runners = self._made_runners(journal, record)
            for runner in self._runners:
                runner.offer(self.views())
            tasks = [
                *(asyncio.create_task(lines.kept(n), name=n.id) for n in self._lines.values()),
                *(asyncio.create_task(w.run(), name=w.analyzer.id) for w in self._workers),
                *(asyncio.create_task(r.run()) for r in self._runners),
                asyncio.create_task(self._publish_for_ever(record), name="publisher"),
                asyncio.create_task(keeper.run(), name="history"),
                asyncio.create_task(self._watch.watch_disk_for_ever(), name="disk watch"),
                asyncio.create_task(
                    self._made_operator_socket(self._operations, record).run(),
                    name="operator socket",
                ),
                asyncio.create_task(record.write_for_ever(), name="event record"),
                asyncio.create_task(access.look_for_ever(), name="access watch"),
                *self._shipping(journal),
            ]
            waiting = asyncio.create_task(self._ready_then_stop(stop, on_ready))
            await asyncio.wait([waiting, *tasks], return_when=asyncio.FIRST_COMPLETED)
            self._manager.stopping()
            await _ended([waiting, *tasks])
            if (error := _failure_of(tasks)) is not None:
                raise error
        finally:
            if self._operations is not None:
                self._operations.end_all_tests("the gateway ends")
            for worker in self._workers:
                worker.alarms.saver.hand_over()
                worker.declared.saver.hand_over()
            if self._history_desk is not None:
                self._history_desk.stop()
            await asyncio.to_thread(last_flush, history)
            await asyncio.to_thread(journal.close)
            log.info("gateway ended")

    async def _ready_then_stop(self, stop: asyncio.Event, on_ready: Callable[[], None]) -> None:
        stopped = asyncio.create_task(stop.wait())
        try:
            for runner in self._runners:
                tried = asyncio.create_task(runner.tried.wait())
                await asyncio.wait([tried, stopped], return_when=asyncio.FIRST_COMPLETED)
                tried.cancel()
        finally:
            stopped.cancel()
        if stop.is_set():
            return
        self._manager.ready()
        log.info("gateway ready", site=self._site.file.site.name, analyzers=len(self._workers))
        on_ready()
        await stop.wait()

    def _made_workers(self, journal: Journal, record: EventRecord) -> list[AnalyzerWorker]:
        file = self._site.file
        for analyzer in file.analyzers:
            for change in changes(analyzer):
                log.warning("rule " + change.what, analyzer=analyzer.id, rule=str(change))
        return [
            AnalyzerWorker(
                Judgement.of_site(self._site, analyzer),
                self._site.maps[analyzer.id],
                journal,
                self._clock,
                Watchers(
                    partial(self._note_change, analyzer.id),
                    self._on_result,
                    record.note,
                    lambda: record.fault,
                ),
                lambda: self._inputs.readings(self._clock.mono_s()),
                site_facts=self._site_facts,
                site_parts=SiteParts.of(file),
                surroundings=self._surroundings,
            )
            for analyzer in file.analyzers
        ]

    def _site_facts(self) -> SiteFacts:
        silent = self._inputs.silent(self._clock.mono_s(), self._started_mono_s)
        return self._onward.told(replace(self._watch.facts, silence="; ".join(silent)))

    def _shipping(self, journal: Journal) -> list[asyncio.Task[None]]:
        ship = self._site.file.ship
        if ship is None:
            return []
        self._onward.ship = runner = made_ship_runner(self._site, ship, journal, self._clock)
        return [asyncio.create_task(runner.run(), name="shipping")]

    def _made_operator_socket(
        self, operations: GatewayOperations, record: EventRecord
    ) -> OperatorSocket:
        mqtt = MqttDesk(lambda: self._onward.mqtt, record.note, self._clock)
        answer = OperatorRequests(operations, self._history_desk, mqtt).answer
        path = self._site.state_dir / SOCKET_NAME
        return OperatorSocket(path, answer, operations.refused)

    def _made_runners(self, journal: Journal, record: EventRecord) -> list[OutletRunner]:
        file = self._site.file
        runners = []
        if file.opcua is not None:
            opcua = OpcUaOutlet(
                file.opcua,
                file.analyzers,
                file.site.name,
                self._inputs,
                self._clock.mono_s,
                InForce.of(self._site, self._started_at),
                self._facts,
                history=HistorySource(self._site.history_dir, journal, file.analyzers),
                operations=self._operations,
                state_dir=self._site.state_dir,
                on_login_failed=self._login_failed,
            )
            runners.append(OutletRunner(opcua, "opcua"))
        for server in file.modbus:
            modbus = ModbusOutlet(
                server, file.analyzers, inputs=self._inputs, mono_s=self._clock.mono_s
            )
            runners.append(OutletRunner(modbus, f"modbus {server.host}:{server.port}"))
        for entry in file.mqtt:
            mqtt = made_mqtt_outlet(entry, self._site, journal, self._clock, record.note)
            self._onward.mqtt.append((entry, mqtt))
            runners.append(OutletRunner(mqtt, f"mqtt {entry.id}"))
        return runners

    def _login_failed(self, user: str, peer: str) -> None:
        if self._operations is not None:
            self._operations.login_failed(user, peer)

    def _facts(self) -> GatewayFacts:
        """What the outlets may say of the gateway itself."""
        site = self._watch.facts
        faults = {worker.analyzer.id: worker.storage_fault for worker in self._workers}
        mqtt = tuple(outlet.figures for _, outlet in self._onward.mqtt)
        return GatewayFacts(self._started_at, site.history_fault, faults, site.free_bytes, mqtt)

    def _note_change(self, analyzer: str) -> None:
        self._changed_analyzers.add(analyzer)
        self._changed.set()

    def views(self, analyzers: Container[str] | None = None) -> list[View]:
        """What every outlet shows now: of these analyzers, or of all."""
        beat = int(self._clock.mono_s() - self._started_mono_s) % HEARTBEAT_WRAPS_AT
        return [
            worker.view(beat)
            for worker in self._workers
            if analyzers is None or worker.analyzer.id in analyzers
        ]

    async def _publish_for_ever(self, record: EventRecord) -> None:
        """Publishes what changed at once, and all once a second; pings the watchdog from here only.

        Every analyzer changes at every poll: to show all of them on each change would take work
        that grows with the square of their number.
        """
        next_tick_s = self._clock.mono_s()
        while True:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(max(0.0, next_tick_s - self._clock.mono_s())):
                    await self._changed.wait()
            self._changed.clear()
            changed, self._changed_analyzers = self._changed_analyzers, set()
            now_s = self._clock.mono_s()
            if now_s < next_tick_s:
                views = self.views(changed)
            else:
                next_tick_s = now_s - now_s % TICK_S + TICK_S
                for seen in self._watch.look():
                    record.note(seen)
                self._onward.look()
                for worker in self._workers:
                    worker.refresh()
                views = self.views()
                for change in self._inputs.changes(now_s):
                    inputs.tell(change)
                    if (entry := inputs.entry_of(change, self._clock.utc_now())) is not None:
                        record.note(entry)
            for runner in self._runners:
                runner.offer(views)
            self._manager.alive()


def _failure_of(tasks: Sequence[asyncio.Task[None]]) -> BaseException | None:
    """The first failure among them; one that would not end has none to tell."""
    over = (task for task in tasks if task.done() and not task.cancelled())
    return next((error for task in over if (error := task.exception()) is not None), None)


async def _ended(tasks: list[asyncio.Task[None]]) -> None:
    """Cancels until all have ended: libraries can swallow one cancel (cpython#86296)."""
    loop = asyncio.get_running_loop()
    deadline_s = loop.time() + END_S
    pending = set(tasks)
    while pending and loop.time() < deadline_s:
        for task in pending:
            task.cancel()
        _, pending = await asyncio.wait(pending, timeout=END_S / 2)
    if pending:
        log.error("tasks did not end", tasks=[task.get_name() for task in pending])
