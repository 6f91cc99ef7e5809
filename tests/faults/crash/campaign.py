"""The gateway killed again and again over the same files, while analyzers cycle and readers read.

Half of the kills come at random moments, half at a chosen occurrence of a chosen point: before or
after a file is opened, synced, renamed or removed, a row written or committed. Between two runs the
faked wall clock goes on by some hours, so that days end, are shipped, and are kept long enough.
"""

from __future__ import annotations

import json
import math
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import pytest

from edgeflash.demo.simulated import Endpoint
from edgeflash.history import HistoryWriter
from edgeflash.journal import JOURNAL_NAME, Journal
from tests.faults.crash.doomed import NEVER
from tests.faults.crash.looking import Key
from tests.faults.crash.nursery import Doomed, Nursery, nursery
from tests.faults.crash.stages import Ended, Made, Stage
from tests.faults.processes import demo_site, simulators, truth_lines
from tests.peers.faked_time import FakedTime

SPEED = 60.0
"""A cycle takes some 3 s."""

RING_SLOTS = 16
"""The simulated analyzer's ring of recent results."""

STARTS_AT = datetime(2031, 3, 25, 7, 0, tzinfo=UTC)
STEPS_H = (0.0, 7.0, 15.0, 20.0)
"""By which the clock goes on between two runs."""

LATEST_KILL_S, PATIENCE_S, ALL_DONE_S = 6.0, 8.0, 180.0

TOO_FAR = 0.1
"""How often the clock goes on by more than a stage would have it."""

AT_WORK = 0.8
"""The part of the kills that wait for a gateway that is ready; the others may come in its start."""

BETWEEN = 0.25
"""How often a stage does something between two runs of the gateway."""

READY = '"gateway ready"'


@dataclass
class Report:
    """What came of it. kills: by point; a point that did not come in time is a moment."""

    seed: int
    kills: Counter[str] = field(default_factory=Counter)
    ready: int = 0
    made: int = 0
    recorded: int = 0
    deleted: int = 0
    no_longer_offered: int = 0
    looks: dict[str, int] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)
    told: list[str] = field(default_factory=list)

    def text(self) -> str:
        """For people."""
        lines = [
            f"seed {self.seed}: {self.kills.total()} kills, {self.ready} times after the start",
            "at: " + ", ".join(f"{n} {p}" for p, n in self.kills.most_common()),
            f"{self.made} cycles made, {self.recorded} in the history, {self.deleted} kept long "
            f"enough and deleted, {self.no_longer_offered} no longer offered",
            "looks: " + ", ".join(f"{who} {n}" for who, n in self.looks.items()),
            *self.told,
            *(f"WRONG: {one}" for one in self.wrong),
        ]
        return "\n".join(lines)


class Campaign:
    """One folder with everything in it."""

    def __init__(
        self, folder: Path, seed: int, stages: Sequence[Stage] = (), analyzers: int = 2
    ) -> None:
        self._folder = folder
        self._chance = random.Random(seed)
        self._stages = (Stage(), *stages)
        self._analyzers = analyzers
        self._runs = 0
        self._nursery: Nursery | None = None
        self._first: dict[str, int] = {}
        self.report = Report(seed)

    def run(self, kills: int, most_s: float = math.inf, progress: bool = False) -> Report:
        """So many kills, or as many as fit into a time; then one clean end, then the questions."""
        until_s = time.monotonic() + most_s
        with ExitStack() as stack:
            for stage in self._stages:
                stack.enter_context(stage.around(self._folder))
            environment = stack.enter_context(pytest.MonkeyPatch.context())
            clock = FakedTime(self._folder / "clock", STARTS_AT)
            clock.apply_to(environment, "UTC")
            steady = ("--scenario", "steady", "--analyzers", str(self._analyzers), "--seed", "5")
            ends = stack.enter_context(simulators(self._folder, SPEED, *steady))
            site = self._site(ends)
            self._nursery = stack.enter_context(nursery())
            with self._readers() as readers:
                for kill in range(kills):
                    self._bring(clock)
                    self._one_kill(site)
                    self._note_the_first()
                    self._move(clock)
                    if progress and kill % 10 == 9:
                        print(f"{kill + 1} kills", flush=True)
                    if readers.poll() is not None or time.monotonic() > until_s:
                        break
                self._bring(clock)
                ended = self._clean_end(site, clock)
                self._hear(readers)
            for stage in self._stages:
                stage.settle(lambda *words: self._command(*words, str(site)))
                self.report.wrong += stage.wrong(ended)
                if told := stage.told():
                    self.report.told.append(f"{stage.name}: {told}")
        return self.report

    def _site(self, ends: tuple[Endpoint, ...]) -> Path:
        site = demo_site(self._folder, ends, SPEED)
        text = site.read_text("utf-8")
        opcua = text[text.index("[opcua]") : text.index("[[modbus]]")]
        # Its address space is most of a start, and it keeps nothing on disk.
        text = text.replace(opcua, "").replace("flush_s = 5", "flush_s = 0.5")
        own = "\n".join(stage.lines() for stage in self._stages)
        site.write_text(f"{text}\n{own}\n", "utf-8")
        return site

    @contextmanager
    def _readers(self) -> Iterator[subprocess.Popen[str]]:
        keeps = [f"{k}={v:g}" for stage in self._stages for k, v in stage.keeps.items()]
        process = subprocess.Popen(
            [sys.executable, "-m", "tests.faults.crash.looking", str(self._folder), *keeps],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        try:
            yield process
        finally:
            process.kill()
            process.communicate()

    def _hear(self, readers: subprocess.Popen[str]) -> None:
        out, _ = readers.communicate(timeout=ALL_DONE_S)
        told = json.loads(out) if out.strip() else {"wrong": "the readers said nothing"}
        if "wrong" in told:
            self.report.wrong.append(f"seen while it ran: {told['wrong']}")
        else:
            self.report.looks = told

    def _started(self, point: str, count: int, *words: str) -> Doomed:
        self._runs += 1
        assert self._nursery is not None
        log = self._folder / f"gateway-{self._runs}.log"
        return self._nursery.start(log, point, count, *words)

    def _bring(self, clock: FakedTime) -> None:
        for stage in self._stages:
            stage.bring(self._folder, clock.now())

    def _move(self, clock: FakedTime) -> None:
        step = timedelta(hours=self._chance.choice(STEPS_H))
        longest = min(stage.longest_step(clock.now()) for stage in self._stages)
        if step > longest and self._chance.random() > TOO_FAR:
            step = longest
        clock.move(step.total_seconds())

    def _note_the_first(self) -> None:
        """An analyzer's first cycle in the journal: what it made before any gateway looked is not
        asked for. The journal is asked early, while it has lost nothing yet."""
        if len(self._first) == self._analyzers or not (self._folder / JOURNAL_NAME).exists():
            return
        brought = {analyzer for stage in self._stages for analyzer, _, _ in stage.brought()}
        with Journal.open_readonly(self._folder / JOURNAL_NAME) as journal:
            for entry in journal.entries_after(0, 10_000):
                cycle = entry.result.cycle
                if cycle.analyzer not in brought:
                    self._first.setdefault(cycle.analyzer, cycle.cycle_number)

    def _one_kill(self, site: Path) -> None:
        (stage,) = self._chance.choices(self._stages, [s.weight for s in self._stages])
        at_moment = self._chance.random() < 0.5
        point = NEVER if at_moment else self._chance.choice(list(stage.points))
        count = 1 if at_moment else self._chance.randint(1, stage.most_occurrences(point))
        process = self._started(point, count, "run", str(site))
        if self._chance.random() < AT_WORK:
            self._wait_until_ready(process)
        try:
            process.wait(
                self._chance.uniform(0.1, LATEST_KILL_S) if at_moment else stage.patience_s
            )
            self.report.kills[point] += 1
        except subprocess.TimeoutExpired:
            process.send(signal.SIGKILL)
            self.report.kills["moment"] += 1
        if process.wait(ALL_DONE_S) != -signal.SIGKILL:
            self._went_wrong("a gateway", process)
        self.report.ready += READY in process.log()
        for one in self._stages:
            if self._chance.random() < BETWEEN:
                one.between(lambda *words: self._doomed_command(point, count, *words, str(site)))

    def _wait_until_ready(self, process: Doomed) -> None:
        """Returns when the gateway is ready, or has ended before."""
        deadline_s = time.monotonic() + ALL_DONE_S
        while READY not in process.log() and process.poll() is None:
            assert time.monotonic() < deadline_s, process.log()
            _pause()

    def _doomed_command(self, point: str, count: int, *words: str) -> None:
        """A command, killed at the same point, or late."""
        process = self._started(point, count, *words)
        try:
            process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            process.send(signal.SIGKILL)
        code = process.wait(ALL_DONE_S)
        if code == -signal.SIGKILL:
            self.report.kills[f"{words[0]}: {point}"] += 1
        elif code != 0:
            self._went_wrong(words[0], process)

    def _command(self, *words: str) -> None:
        process = self._started(NEVER, 1, *words)
        if process.wait(ALL_DONE_S) != 0:
            self._went_wrong(words[0], process)

    def _went_wrong(self, what: str, process: Doomed) -> None:
        end = process.log()[-2000:]
        self.report.wrong.append(f"{what} ended with {process.returncode}: {end}")

    def _made(self) -> dict[Key, Made]:
        made: dict[Key, Made] = {}
        for t in truth_lines(self._folder):
            key = (str(t["analyzer"]), 0, int(str(t["cycle_number"])))
            reported = t["reported_c"]
            at = datetime.fromisoformat(str(t["finished_at"]))
            made[key] = (at, None if reported is None else float(str(reported)))
        for stage in self._stages:
            made |= stage.brought()
        return made

    def _clean_end(self, site: Path, clock: FakedTime) -> Ended:
        """Lets the gateway catch up and end, then asks the history."""
        self._note_the_first()
        newest: dict[str, int] = {}
        for analyzer, _, number in self._made():
            newest[analyzer] = max(number, newest.get(analyzer, number))
        process = self._started(NEVER, 1, "run", str(site))
        self._wait_for_the_newest(newest, process)
        process.send(signal.SIGTERM)
        if process.wait(ALL_DONE_S) != 0:
            self._went_wrong("the clean end", process)
        with Journal.open(self._folder / JOURNAL_NAME) as journal:
            HistoryWriter(journal, self._folder / "history").flush()
        return self._asked(site, newest, clock)

    def _wait_for_the_newest(self, newest: dict[str, int], process: Doomed) -> None:
        deadline_s = time.monotonic() + ALL_DONE_S
        behind = set(newest)
        while behind or not all(stage.has_reached(newest) for stage in self._stages):
            assert process.poll() is None, process.log()[-2000:]
            assert time.monotonic() < deadline_s, f"still missing of: {behind or 'a stage'}"
            _pause()
            if READY not in process.log():
                continue
            with Journal.open_readonly(self._folder / JOURNAL_NAME) as journal:
                latest = {a: journal.latest(a) for a in behind}
            behind -= {
                a for a, one in latest.items() if one and one.cycle.cycle_number >= newest[a]
            }

    def _rows(self, name: str, more: str = "") -> list[Any]:
        with duckdb.connect(config={"autoinstall_known_extensions": "false"}) as duck:
            duck.execute("SET TimeZone = 'UTC'")
            files = f"'{self._folder}/history/{name}/**/*.parquet'"
            return duck.execute(
                f"SELECT analyzer, epoch, cycle_number{more} FROM {files}"
            ).fetchall()

    def _asked(self, site: Path, newest: dict[str, int], clock: FakedTime) -> Ended:
        report, made = self.report, self._made()
        rows = self._rows("results", ", reported_c, judged_at, finished_at")
        values = {r[:3]: r[3:] for r in rows}
        twice = [k for k, n in Counter(r[:3] for r in rows).items() if n > 1]
        if twice:
            report.wrong.append(f"twice in the results: {twice[:5]}")
        for key, (value, _, _) in values.items():
            told = made.get(key, (None, None))[1]
            same = value is None if told is None else abs(value - told) < 0.01
            if key not in made or not same:
                report.wrong.append(f"{key} says {value}, the analyzer said {told}")
        wanted = {k for k in made if self._first.get(k[0], 0) <= k[2] <= newest[k[0]]}
        missing = wanted - values.keys()
        old = {k for k in missing if self._may_be_gone(made[k][0], clock.now())}
        gone = {k for k in missing - old if self._was_pushed_out(k, values, made)}
        if missing - old - gone:
            report.wrong.append(f"missing in the results: {sorted(missing - old - gone)[:10]}")
        traces = Counter(self._rows("traces"))
        if any(n > 1 for n in traces.values()):
            report.wrong.append(f"twice in the traces: {traces.most_common(3)}")
        report.made, report.recorded = len(wanted), len(values)
        report.deleted, report.no_longer_offered = len(old), len(gone)
        finished = {key: at for key, (_, _, at) in values.items()}
        kept = {k: finished.get(k) for k in (wanted & values.keys()) | old}
        brought = frozenset(key for stage in self._stages for key in stage.brought())
        return Ended(self._folder, site, kept, brought, clock.now())

    def _may_be_gone(self, at: datetime, now: datetime) -> bool:
        return any(stage.may_be_gone(at, now) for stage in self._stages)

    @staticmethod
    def _was_pushed_out(
        key: Key,
        values: dict[Key, Any],
        made: dict[Key, Made],
    ) -> bool:
        """Whether the analyzer no longer offered a cycle when the gateway came back: so many newer
        ones had been made by then that its ring held others."""
        later = [k for k in values if k[0] == key[0] and k[2] > key[2]]
        if not later:
            return False
        back_at = values[min(later, key=lambda k: k[2])][1]
        assert isinstance(back_at, datetime)
        newest = max(n for (a, _, n), (at, _) in made.items() if a == key[0] and at <= back_at)
        return newest - key[2] >= RING_SLOTS


def _pause(seconds: float = 0.1) -> None:
    """Lets the other processes work; only ever called inside a loop that checks a condition."""
    time.sleep(seconds)
