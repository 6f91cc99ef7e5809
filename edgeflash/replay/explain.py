"""All that can be told of one recorded verdict."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC

from edgeflash.config.site import Analyzer, Site
from edgeflash.errors import StorageError, UsageError
from edgeflash.flash.compute import LIMITS
from edgeflash.model import Result, Severity
from edgeflash.publication import Held, Standing, View, view, with_result
from edgeflash.replay.cases import DayOfTraces, Place, Recordings
from edgeflash.replay.find import place_of
from edgeflash.replay.recorded import Recorded
from edgeflash.replay.rule_words import RuleWord, rule_words
from edgeflash.replay.warm_up import results_before
from edgeflash.rules.catalogue import QUALITY_OF_RULE
from edgeflash.rules.judgement import Judgement
from edgeflash.rules.memory import Memory
from edgeflash.rules.rule import CycleContext


@dataclass(frozen=True, slots=True)
class Explained:
    """One recorded verdict and what stands behind it.

    result: as recorded; with its trace, as far as it was kept. not_kept: why what was read cannot
    be shown; empty when it can. analyzer: as it is for the stream that was measured, by the present
    site file. shown: what the control system saw right after, by the recorded results and the
    present site file. threshold_kpa: from which pressure on a rise is taken for an ignition.
    """

    result: Result
    not_kept: str
    analyzer: Analyzer
    words: tuple[RuleWord, ...]
    shown: View
    threshold_kpa: float | None

    @property
    def reason(self) -> str:
        """The rule that decided the verdict; empty when the cycle was accepted."""
        reasons = (f.rule for f in self.result.findings if f.severity is not Severity.NOTE)
        return next(reasons, "")


def explained(
    recordings: Recordings, site: Site, analyzer_id: str, words: str, epoch: int | None
) -> Explained:
    """The explanation of the cycle that is meant by `words`.

    Raises UsageError for an analyzer or a cycle that is not there, StorageError for a file that
    cannot be read.
    """
    analyzers = {a.id: a for a in site.file.analyzers}
    if analyzer_id not in analyzers:
        there = ", ".join(analyzers)
        raise UsageError(f"'{analyzer_id}' is not in {site.path}; there are: {there}")
    judgement = Judgement.of_site(site, analyzers[analyzer_id])
    places = recordings.places(analyzer_id)
    number = place_of(places, analyzer_id, words, epoch)
    before = results_before(recordings, judgement, places, number)
    (shard,) = recordings.shards(analyzer_id, [places[number]])
    recorded = shard.recorded[0]
    try:
        traces = DayOfTraces(recordings.folder, shard)
        result, not_kept = _with_reading(judgement, recorded, traces)
    except StorageError as error:
        result, not_kept = recorded.result(recorded.bare_cycle()), str(error)
    situation = judgement.situation(result.cycle, result.inputs)
    memory = Memory.of(before)
    context = CycleContext(
        result.cycle,
        result.computed,
        situation.analyzer,
        site.maps[analyzer_id],
        situation.product,
        situation.product_name,
        result.inputs,
        result.assessment,
        memory,
        sound=not result.reasons,
    )
    has_reading = recorded.as_read is not None and not not_kept
    return Explained(
        result=result,
        not_kept=not_kept,
        analyzer=situation.analyzer,
        words=rule_words(
            result.findings,
            situation.analyzer,
            site.maps[analyzer_id],
            situation.rulebook,
            context if has_reading else None,
        ),
        shown=_shown(situation.analyzer, _accepted(recordings, places, number, before), result),
        threshold_kpa=_threshold_kpa(result),
    )


def _with_reading(
    judgement: Judgement, recorded: Recorded, traces: DayOfTraces
) -> tuple[Result, str]:
    """The recorded result with what was read, and why that is missing; empty when it is not."""
    if recorded.as_read is None:
        return recorded.result(recorded.bare_cycle()), recorded.why_not
    try:
        cycle, inputs = recorded.read(*traces.of(recorded.key))
    except (StorageError, ValueError) as error:
        return recorded.result(recorded.bare_cycle()), traces.why_not(recorded.key, error)
    return recorded.result(cycle, inputs), recorded.why_not


def _accepted(
    recordings: Recordings, places: Sequence[Place], number: int, before: Sequence[Result]
) -> list[Result]:
    """The results before the cycle, with the last accepted one where it lies further back."""
    earlier = places[: number - len(before)]
    accepted = next((place for place in reversed(earlier) if place.is_accepted), None)
    if accepted is None or not before:
        return list(before)
    (recorded,) = recordings.rows(before[0].cycle.analyzer, [accepted])
    return [recorded.result(recorded.bare_cycle()), *before]


def _shown(analyzer: Analyzer, before: Sequence[Result], result: Result) -> View:
    """What was shown at the moment of judging, had the link been in order."""
    now = result.judged_at.astimezone(UTC)
    standing = Standing(analyzer.id)
    for one in (*before, result):
        standing = with_result(standing, Held.since(one, now, 0.0))
    return view(
        replace(standing, low_flash_alarm=result.low_flash_alarm),
        now=now,
        now_mono_s=0.0,
        hold_s=analyzer.hold_s,
        bad_at_once=analyzer.on_reject == "bad",
        heartbeat=0,
        quality_of_rule=QUALITY_OF_RULE,
    )


def _threshold_kpa(result: Result) -> float | None:
    baseline, noise = result.computed.baseline_kpa, result.computed.noise_kpa
    if baseline is None or noise is None:
        return None
    return baseline + max(LIMITS.least_rise_kpa, LIMITS.noise_factor * noise)
