"""What the rule catalogue has to say of a site file: mistakes, and notes on what is right."""

from __future__ import annotations

from collections.abc import Iterator

from edgeflash.config.analyzer_map import AnalyzerMap
from edgeflash.config.problems import Problem
from edgeflash.config.site import Analyzer, RuleTuning, Site
from edgeflash.model import Role
from edgeflash.rules.tuning import rulebook, tuning_mistakes


def rule_problems(site: Site) -> Iterator[Problem]:
    """Unknown rules and parameters in the analyzers' `rules` tables."""
    for index, analyzer in enumerate(site.file.analyzers):
        for keys, problem in tuning_mistakes(analyzer):
            yield Problem(("analyzers", index, "rules", *keys), problem)


def hold_problems(site: Site) -> Iterator[Problem]:
    """A hold time that ends before the next cycle can: a good value would go bad in every cycle."""
    for index, analyzer in enumerate(site.file.analyzers):
        for tuned in rulebook(analyzer):
            if tuned.rule.name != "result_overdue":
                continue
            longest_s = tuned.parameters["longest_s"]
            if analyzer.hold_s < longest_s:
                where = ("analyzers", index)
                yield Problem(
                    (*where, "hold_s"),
                    f"must be at least as long as a cycle may take: {longest_s:g} s "
                    f"(rule result_overdue, longest_s), not {analyzer.hold_s:g}",
                    uses=((*where, "rules"),),
                )


def site_notes(analyzer: Analyzer, register_map: AnalyzerMap) -> Iterator[str]:
    """What is no mistake, but will surprise whoever does not know it."""
    roles = register_map.roles
    yield from _early_ignition_notes(analyzer)
    if analyzer.analyzer_corrects_barometer and Role.BAROMETRIC_PRESSURE not in roles:
        yield (
            "the analyzer corrects with a barometer that the map does not have: nothing checks it, "
            "and a low reading makes every value too high"
        )
    gap_s = next(
        (t.parameters["longest_gap_s"] for t in rulebook(analyzer) if t.rule.name == "unwatched"),
        None,
    )
    if gap_s is not None and Role.PHASE in roles and analyzer.poll_s > gap_s:
        yield f"poll_s = {analyzer.poll_s:g}: rule unwatched doubts every cycle beyond {gap_s:g} s"
    yield from _flushing_notes(analyzer, has_flow=Role.SAMPLE_FLOW in roles)


def _early_ignition_notes(analyzer: Analyzer) -> Iterator[str]:
    for rules in (analyzer.rules, *(s.rules for s in analyzer.streams)):
        tuning = rules.get("ignition_too_early", RuleTuning())
        if not tuning.enabled:
            yield "ignition_too_early is off: an ignition at the first spark raises no alarm"
        elif tuning.severity is not None:
            yield "ignition_too_early is lowered: it still raises possible_low_flash"


def _flushing_notes(analyzer: Analyzer, *, has_flow: bool) -> Iterator[str]:
    volumes = [analyzer.flush_volume_ml, *(s.flush_volume_ml or 0.0 for s in analyzer.streams)]
    if not has_flow and any(volumes):
        planned = analyzer.sample_flow_ml_per_min
        how = "not at all" if planned is None else f"by the set {planned:g} mL/min, whatever flows"
        yield f"flush_volume_ml is timed {how}: map sample_flow"
    products = {s.product or analyzer.product for s in analyzer.streams}
    lags = [analyzer.transport_lag_s, *(s.transport_lag_s or 0.0 for s in analyzer.streams)]
    if len(products) > 1 and not any(volumes) and not any(lags):
        yield (
            "the streams have different products, but neither transport_lag_s nor flush_volume_ml "
            "is set: a cup that still holds the stream before is not seen"
        )
