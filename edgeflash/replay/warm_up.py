"""What judging remembered before a recorded cycle: from the results recorded before it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from edgeflash.errors import StorageError
from edgeflash.model import Result
from edgeflash.replay.cases import DayOfTraces, Place, Recordings, Shard
from edgeflash.rules.judgement import Judgement
from edgeflash.rules.memory import PAST_CYCLES, Memory


def memory_before(
    recordings: Recordings, judgement: Judgement, places: Sequence[Place], first: int
) -> Memory:
    """The memory before the cycle at `first`, by recorded verdicts, as a restart would find it."""
    return Memory.of(results_before(recordings, judgement, places, first))


def results_before(
    recordings: Recordings, judgement: Judgement, places: Sequence[Place], first: int
) -> list[Result]:
    """The results recorded before the one at `first`, as many as are remembered, oldest first."""
    analyzer = judgement.analyzer.id
    start = max(0, first - PAST_CYCLES)
    results: list[Result] = []
    for shard in recordings.shards(analyzer, places[start:first]):
        results.extend(_recorded_results(recordings, shard))
    return results


def _recorded_results(recordings: Recordings, shard: Shard) -> Iterator[Result]:
    """The results as they were recorded."""
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
        yield recorded.result(cycle, inputs)
