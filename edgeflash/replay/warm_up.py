"""What judging remembered before a recorded cycle: from the results recorded before it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import islice

from edgeflash.errors import StorageError
from edgeflash.model import CheckResult, Computed, Cycle, Phase, Result, Role
from edgeflash.replay.cases import DayOfTraces, Place, Recordings, Shard
from edgeflash.replay.recorded import Inputs, Recorded
from edgeflash.rules.judgement import Judgement
from edgeflash.rules.memory import PAST_CHECKS, PAST_CYCLES, Memory


def memory_before(
    recordings: Recordings, judgement: Judgement, places: Sequence[Place], first: int
) -> Memory:
    """The memory before the cycle at `first`, by recorded verdicts, as a restart would find it."""
    return Memory.of(results_before(recordings, judgement, places, first))


def results_before(
    recordings: Recordings, judgement: Judgement, places: Sequence[Place], first: int
) -> list[Result]:
    """The results recorded before the one at `first`, as many as are remembered, oldest first.

    The history does not say what the check samples were compared with: that is the site's present
    reference value.
    """
    analyzer = judgement.analyzer.id
    start = max(0, first - PAST_CYCLES)
    checks = _checks_among(recordings, judgement, places[:start])
    results: list[Result] = []
    for shard in recordings.shards(analyzer, places[start:first]):
        for result in _recorded_results(recordings, judgement, shard):
            checks = (*checks, *_own_check(judgement, result))[-PAST_CHECKS:]
            results.append(replace(result, checks=checks))
    return results


def _checks_among(
    recordings: Recordings, judgement: Judgement, places: Sequence[Place]
) -> tuple[CheckResult, ...]:
    """The last check samples among recorded cycles, oldest first."""
    if judgement.analyzer.verification is None:
        return ()
    analyzer = judgement.analyzer.id
    latest_first = recordings.containing(analyzer, f'"{Phase.CHECK_SAMPLE}"', places)
    found = (
        check
        for place in latest_first
        for shard in recordings.shards(analyzer, [place])
        for result in _recorded_results(recordings, judgement, shard)
        for check in _own_check(judgement, result)
    )
    return tuple(islice(found, PAST_CHECKS))[::-1]


def _own_check(judgement: Judgement, result: Result) -> Iterable[CheckResult]:
    """The cycle as a check sample, if it is one."""
    cycle, value_c = result.cycle, result.computed.corrected_c
    verification = judgement.analyzer.verification
    is_check = Phase.CHECK_SAMPLE in (cycle.phases or (cycle.values.get(Role.PHASE),))
    if is_check and verification is not None and value_c is not None:
        reference_c = verification.reference_c
        yield CheckResult(cycle.epoch, cycle.cycle_number, cycle.finished_at, value_c, reference_c)


def _recorded_results(
    recordings: Recordings, judgement: Judgement, shard: Shard
) -> Iterator[Result]:
    """The results as they were recorded, with what only their traces can tell."""
    try:
        traces = DayOfTraces(recordings.folder, shard)
    except StorageError:
        yield from (recorded.result(recorded.bare_cycle()) for recorded in shard.recorded)
        return
    for recorded in shard.recorded:
        try:
            cycle, inputs = recorded.read(*traces.of(recorded.key))
        except (StorageError, ValueError):
            yield recorded.result(recorded.bare_cycle())
            continue
        yield recorded.result(cycle, inputs, completed(judgement, recorded, cycle, inputs))


def completed(judgement: Judgement, recorded: Recorded, cycle: Cycle, inputs: Inputs) -> Computed:
    """What was computed at the time, with what the trace says where the history has no column."""
    try:
        found = judgement.examine(cycle, inputs).computed
    except Exception:
        # A cycle that our rules fail on is no reason not to tell what was recorded of it.
        return recorded.computed
    return recorded.completed(found)
