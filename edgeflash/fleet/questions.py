"""Questions about many analyzers, each written once, for any engine that `ibis` speaks to.

A question takes the shared tables as ibis tables and gives an ibis table: DuckDB and Spark get the
same expression. Months are the tables' own `month`, UTC, so no engine's time zone plays a part.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from edgeflash.fleet.extra import needed

LONGEST_STEP_S = 900.0
"""How long one usable result stands for at most: the default of `hold_s` of the site file."""

PAIR_WITHIN_S = 900
"""A laboratory sample and a result that are further apart are not compared. Common practice, no
source; a sample drawn for comparison is drawn while the analyzer's own is."""

D2 = 1.128
"""Mean moving range of two successive values in standard deviations, as ASTM D6299 has it (from
memory); 2/√π = 1.12838 for a normal distribution."""

D4 = 0.954
"""Median moving range of two, in standard deviations: √2 × 0.6745 for a normal distribution."""

REPEATABILITY = 2.77
"""Two results of one laboratory differ by more in 1 of 20 cases: 1.96 × √2 standard deviations, as
ISO 4259 has it (from memory)."""

Tables = Mapping[str, Any]

PLACE = ("site", "analyzer", "month")


@dataclass(frozen=True, slots=True)
class Question:
    """One question. needs: columns by table, with their types for where one is missing."""

    name: str
    sentence: str
    ask: Callable[[Tables], Any]
    needs: Mapping[str, Mapping[str, str]]


def _ibis() -> Any:
    return needed("ibis")


def _second(moment: Any) -> Any:
    """Whole seconds since 1970; DuckDB would give fractions, and Spark would not."""
    return moment.epoch_seconds().cast("float64").floor()


def availability(tables: Tables) -> Any:
    """How much of the time there was a usable result.

    available: each accepted or doubtful result stands for the time since the result before, up to
    LONGEST_STEP_S; their sum over all of the time from result to result. usable_share: the same in
    cycles, missed ones included.
    """
    ibis = _ibis()
    t = tables["results"]
    second = _second(t.finished_at)
    t = t.mutate(second=second, usable=(t.verdict != "rejected"))
    before = ibis.window(
        group_by=["site", "analyzer"], order_by=["second", "epoch", "cycle_number"]
    )
    t = t.mutate(step_s=(t.second - t.second.lag().over(before)).cast("float64"))
    stands_s = ibis.least(t.step_s, ibis.literal(LONGEST_STEP_S))
    t = t.mutate(stands_s=ibis.ifelse(t.usable, stands_s, 0.0))
    sums = t.group_by(PLACE).aggregate(
        cycles=t.count(),
        accepted=(t.verdict == "accepted").sum(),
        doubtful=(t.verdict == "doubtful").sum(),
        rejected=(t.verdict == "rejected").sum(),
        missed=t.missed.sum().coalesce(0),
        watched_s=t.step_s.sum(),
        available_s=ibis.ifelse(t.step_s.isnull(), 0.0, t.stands_s).sum(),
    )
    return sums.mutate(
        available=sums.available_s / sums.watched_s.nullif(0.0),
        usable_share=(sums.accepted + sums.doubtful).cast("float64")
        / (sums.cycles + sums.missed).cast("float64"),
    ).order_by(PLACE)


def reasons(tables: Tables) -> Any:
    """Which rules doubted or rejected how often. share: of all cycles of the month."""
    t = tables["results"]
    key = (*PLACE, "epoch", "cycle_number", "verdict")
    spoken = t.select(*key, "reasons").unnest("reasons").rename(reason="reasons").distinct()
    counted = spoken.group_by([*PLACE, "verdict", "reason"]).aggregate(times=spoken.count())
    cycles = t.group_by(PLACE).aggregate(cycles=t.count())
    joined = counted.join(cycles, PLACE)
    return joined.mutate(
        share=joined.times.cast("float64") / joined.cycles.cast("float64")
    ).order_by([*PLACE, "verdict", "reason"])


def bias(tables: Tables) -> Any:
    """How far accepted results are from the laboratory, on average.

    Each laboratory sample, the mean of its determinations, is paired with the accepted result whose
    sample passed the tap nearest in time, within PAIR_WITHIN_S. bias_c: mean of result less
    laboratory; sd_c: of these differences; standard_error_c: sd_c / √pairs. Entries that were
    corrected or withdrawn do not count.
    """
    ibis = _ibis()
    lab, t = tables["lab"], tables["results"]
    corrected = lab.select(site=lab.site, analyzer=lab.analyzer, entry_id=lab.correction_of).filter(
        lambda c: c.entry_id.notnull()
    )
    entries = lab.anti_join(corrected, ["site", "analyzer", "entry_id"])
    entries = entries.filter(entries.status != "withdrawn", entries.value_c.notnull())
    samples = entries.group_by(["site", "analyzer", "sample_id"]).aggregate(
        lab_c=entries.value_c.mean(), drawn_s=_second(entries.sampled_at).min()
    )
    good = t.filter(t.verdict == "accepted", t.published_c.notnull())
    good = good.select(
        *PLACE, "epoch", "cycle_number", "published_c", tap_s=_second(good.sampled_at)
    )
    pairs = good.join(samples, ["site", "analyzer"])
    pairs = pairs.mutate(apart_s=(pairs.tap_s - pairs.drawn_s).abs())
    pairs = pairs.filter(pairs.apart_s <= PAIR_WITHIN_S)
    nearest = ibis.window(
        group_by=["site", "analyzer", "sample_id"],
        order_by=["apart_s", "tap_s", "epoch", "cycle_number"],
    )
    pairs = pairs.mutate(rank=ibis.row_number().over(nearest))
    pairs = pairs.filter(pairs["rank"] == 0)
    pairs = pairs.mutate(apart_c=pairs.published_c - pairs.lab_c)
    sums = pairs.group_by(PLACE).aggregate(
        pairs=pairs.count(), bias_c=pairs.apart_c.mean(), sd_c=pairs.apart_c.std(how="sample")
    )
    return (
        sums.mutate(sd_c=ibis.ifelse(sums.pairs > 1, sums.sd_c, ibis.null("float64")))
        .mutate(standard_error_c=lambda s: s.sd_c / s.pairs.cast("float64").sqrt())
        .order_by(PLACE)
    )


def precision(tables: Tables) -> Any:
    """How well check samples repeat, from the moving range of successive ones.

    Of each check sample less its reference value, the range to the one before. sigma_c: mean range
    / D2 (ASTM D6299, from memory). sigma_median_c: median range / D4, which one odd sample cannot
    move. repeatability_c: REPEATABILITY × sigma_c. A range counts in the later sample's month.
    """
    ibis = _ibis()
    t = tables["results"]
    # `checks` has this cycle's own check sample among the last ones.
    each = t.select(*PLACE, "epoch", "cycle_number", "finished_at", check=t.checks.unnest())
    own = each.filter(
        each.check["epoch"] == each.epoch, each.check["cycle_number"] == each.cycle_number
    )
    own = own.mutate(
        second=_second(own.finished_at),
        offset_c=own.check["corrected_c"] - own.check["reference_c"],
    )
    before = ibis.window(
        group_by=["site", "analyzer"], order_by=["second", "epoch", "cycle_number"]
    )
    own = own.mutate(range_c=(own.offset_c - own.offset_c.lag().over(before)).abs())
    sums = own.group_by(PLACE).aggregate(
        checks=own.count(),
        ranges=own.range_c.count(),
        offset_c=own.offset_c.mean(),
        mean_range_c=own.range_c.mean(),
        median_range_c=own.range_c.median(),
    )
    return sums.mutate(
        sigma_c=sums.mean_range_c / D2,
        sigma_median_c=sums.median_range_c / D4,
        repeatability_c=sums.mean_range_c / D2 * REPEATABILITY,
    ).order_by(PLACE)


_CYCLE = {
    "site": "string",
    "analyzer": "string",
    "month": "string",
    "epoch": "int64",
    "cycle_number": "int64",
}
_CHECKS = (
    "array<struct<epoch: int64, cycle_number: int64, finished_at: timestamp('UTC'), "
    "corrected_c: float64, reference_c: float64>>"
)
_LAB = {
    "site": "string",
    "analyzer": "string",
    "month": "string",
    "entry_id": "string",
    "correction_of": "string",
    "sample_id": "string",
    "sampled_at": "timestamp('UTC')",
    "value_c": "float64",
    "status": "string",
}

QUESTIONS: Mapping[str, Question] = {
    question.name: question
    for question in (
        Question(
            "availability",
            "How much of the time there was a usable result.",
            availability,
            {
                "results": _CYCLE
                | {"finished_at": "timestamp('UTC')", "verdict": "string", "missed": "int64"}
            },
        ),
        Question(
            "reasons",
            "Which rules doubted or rejected how often.",
            reasons,
            {"results": _CYCLE | {"verdict": "string", "reasons": "array<string>"}},
        ),
        Question(
            "bias",
            "How far accepted results are from the laboratory.",
            bias,
            {
                "results": _CYCLE
                | {
                    "sampled_at": "timestamp('UTC')",
                    "verdict": "string",
                    "published_c": "float64",
                },
                "lab": _LAB,
            },
        ),
        Question(
            "precision",
            "How well check samples repeat.",
            precision,
            {"results": _CYCLE | {"finished_at": "timestamp('UTC')", "checks": _CHECKS}},
        ),
    )
}
