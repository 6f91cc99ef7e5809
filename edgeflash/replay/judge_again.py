"""Judges recorded cycles again under a configuration, on all cores, in their order.

What a cycle shows by itself is found in other processes, a day of cycles at a time; what it means
after those before it is concluded here, in the order in which the cycles were judged. Nothing is
written anywhere.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import chain, islice
from multiprocessing import get_context
from pathlib import Path
from signal import SIG_IGN, SIGINT, signal

from edgeflash.config.site import Site
from edgeflash.errors import EdgeflashError, StorageError
from edgeflash.model import Cycle, Result
from edgeflash.replay.cases import DayOfTraces, Place, Recordings, Shard, selected
from edgeflash.replay.recorded import Inputs, Recorded
from edgeflash.replay.warm_up import memory_before
from edgeflash.rules.judgement import Examined, Judgement
from edgeflash.rules.low_flash import with_alarm
from edgeflash.rules.memory import EMPTY, Memory

_AHEAD = 2
"""Shards that wait for each process: enough to keep it busy, few enough to keep in memory."""


class ReplayError(EdgeflashError):
    """The judging again ended early; the recorded results are as they were."""


@dataclass(frozen=True, slots=True)
class Again:
    """One recorded cycle judged again. result: None when it cannot be; then why_not says why."""

    recorded: Recorded
    result: Result | None
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class Seen:
    """What was found of one recorded cycle. failure: of the judging; why_not: of the reading."""

    cycle: Cycle
    inputs: Inputs = ()
    examined: Examined | None = None
    failure: str = ""
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class Run:
    """The cycles of one analyzer to judge again: places first to before last."""

    analyzer: str
    places: Sequence[Place]
    first: int
    last: int

    @property
    def chosen(self) -> Sequence[Place]:
        """Where the cycles to judge stand."""
        return self.places[self.first : self.last]


def runs(
    recordings: Recordings,
    analyzers: Iterable[str],
    since: datetime | None,
    until: datetime | None,
) -> list[Run]:
    """What there is to judge again of each analyzer, those without such cycles left out."""
    found: list[Run] = []
    for analyzer in analyzers:
        places = recordings.places(analyzer)
        first, last = selected(places, since, until)
        if last > first:
            found.append(Run(analyzer, places, first, last))
    return found


def judged_again(
    recordings: Recordings, site: Site, chosen: Sequence[Run], jobs: int
) -> Iterator[Again]:
    """Every chosen cycle judged again under the site's configuration, analyzer by analyzer.

    jobs: processes; 1 judges in this one. Raises StorageError for a file that cannot be read,
    ReplayError when a process was killed.
    """
    examiner = Examiner(site, recordings.folder)
    memory = EMPTY
    for task, seen in _examined(examiner, site, _tasks(recordings, chosen), jobs):
        judgement = examiner.judgement(task.run.analyzer)
        if task.is_first:
            memory = memory_before(recordings, judgement, task.run.places, task.run.first)
        for recorded, one in zip(task.shard.recorded, seen, strict=True):
            if one.why_not:
                memory = memory.after(_kept(judgement, recorded, one, memory))
                yield Again(recorded, None, one.why_not)
            else:
                result = _concluded(judgement, recorded, one, memory)
                memory = memory.after(result)
                yield Again(recorded, result)


class Examiner:
    """Looks at recorded cycles under a configuration. Holds configuration only."""

    def __init__(self, site: Site, folder: Path) -> None:
        self.folder = folder
        self._judgements = {a.id: Judgement.of_site(site, a) for a in site.file.analyzers}

    def judgement(self, analyzer: str) -> Judgement:
        """How the site judges this analyzer's cycles."""
        return self._judgements[analyzer]

    def examine(self, shard: Shard) -> list[Seen]:
        """What the cycles show by themselves, in their order."""
        judgement = self._judgements[shard.analyzer]
        try:
            traces = DayOfTraces(self.folder, shard)
        except StorageError as error:
            return [Seen(r.bare_cycle(), why_not=r.why_not or str(error)) for r in shard.recorded]
        return [self._seen(judgement, recorded, traces) for recorded in shard.recorded]

    @staticmethod
    def _seen(judgement: Judgement, recorded: Recorded, traces: DayOfTraces) -> Seen:
        if recorded.as_read is None:
            return Seen(recorded.bare_cycle(), why_not=recorded.why_not)
        try:
            cycle, inputs = recorded.read(*traces.of(recorded.key))
        except (StorageError, ValueError) as error:
            return Seen(recorded.bare_cycle(), why_not=traces.why_not(recorded.key, error))
        if recorded.why_not:
            return Seen(cycle, inputs, why_not=recorded.why_not)
        try:
            return Seen(cycle, inputs, judgement.examine(cycle, inputs))
        except Exception as error:
            # As in the running gateway: a fault of ours rejects the cycle, and the next is judged.
            return Seen(cycle, inputs, failure=repr(error))


def _concluded(judgement: Judgement, recorded: Recorded, seen: Seen, memory: Memory) -> Result:
    cycle, failure = seen.cycle, seen.failure
    if seen.examined is not None:
        try:
            return judgement.conclude(cycle, seen.examined, memory, recorded.judged_at, seen.inputs)
        except Exception as error:
            failure = repr(error)
    return judgement.failed(cycle, failure, memory, recorded.judged_at, seen.inputs)


def _kept(judgement: Judgement, recorded: Recorded, seen: Seen, memory: Memory) -> Result:
    """A cycle that cannot be judged again, as it is remembered: by its recorded verdict."""
    result = replace(recorded.result(seen.cycle, seen.inputs), checks=memory.checks)
    return with_alarm(result, memory, judgement.analyzer)


@dataclass(frozen=True, slots=True)
class _Task:
    run: Run
    is_first: bool
    shard: Shard


def _tasks(recordings: Recordings, chosen: Sequence[Run]) -> Iterator[_Task]:
    for run in chosen:
        for n, shard in enumerate(recordings.shards(run.analyzer, run.chosen)):
            yield _Task(run, n == 0, shard)


def _examined(
    examiner: Examiner, site: Site, tasks: Iterator[_Task], jobs: int
) -> Iterator[tuple[_Task, list[Seen]]]:
    """The tasks in their order, each with what was seen of its cycles."""
    first = list(islice(tasks, 2))
    tasks = chain(first, tasks)
    if jobs == 1 or len(first) < 2:
        # One day is done before another process has started.
        yield from ((task, examiner.examine(task.shard)) for task in tasks)
        return
    pool = ProcessPoolExecutor(
        jobs,
        get_context("spawn"),
        initializer=_begin_process,
        initargs=(site, examiner.folder),
    )
    waiting: deque[tuple[_Task, Future[list[Seen]]]] = deque()
    try:
        for task in tasks:
            waiting.append((task, pool.submit(_examine_there, task.shard)))
            if len(waiting) > _AHEAD * jobs:
                yield _done(*waiting.popleft())
        while waiting:
            yield _done(*waiting.popleft())
    finally:
        pool.shutdown(cancel_futures=True)


def _done(task: _Task, seen: Future[list[Seen]]) -> tuple[_Task, list[Seen]]:
    try:
        return task, seen.result()
    except BrokenProcessPool as error:
        raise ReplayError(
            "a process that judged was killed, perhaps for want of memory; try --jobs 1, or a "
            "shorter time. Nothing recorded was changed"
        ) from error


_examiner_of_process: list[Examiner] = []


def _begin_process(site: Site, folder: Path) -> None:
    """What a process needs once. Ctrl-C is for the parent, which ends the others."""
    signal(SIGINT, SIG_IGN)
    _examiner_of_process.append(Examiner(site, folder))


def _examine_there(shard: Shard) -> list[Seen]:
    return _examiner_of_process[0].examine(shard)
