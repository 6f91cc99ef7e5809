"""Questions about many analyzers, each written once, for any engine that `ibis` speaks to.

A question takes the shared tables as ibis tables and gives an ibis table: DuckDB and Spark get the
same expression. Months are the tables' own `month`, UTC, so no engine's time zone plays a part.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
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

MEDIAN_RANGE = 0.954
"""Median moving range of two, in standard deviations: √2 × 0.6745 for a normal distribution."""

WITHIN = 2.77
"""Two results differ by more in 1 of 20 cases: 1.96 × √2 standard deviations, as ISO 4259 and ASTM
D6299 have it (from memory)."""

Tables = Mapping[str, Any]

PLACE = ("site", "analyzer", "month")


@dataclass(frozen=True, slots=True)
class Question:
    """One question. needs: columns by table, with their types for where one is missing.

    reach_months: how many months before and behind a month its answer needs rows of; None: of all,
    as where the result before may be older than that.
    """

    name: str
    sentence: str
    ask: Callable[[Tables], Any]
    needs: Mapping[str, Mapping[str, str]]
    reach_months: int | None = None


def _ibis() -> Any:
    return needed("ibis")


def _second(moment: Any) -> Any:
    """Whole seconds since 1970; DuckDB would give fractions, and Spark would not."""
    return moment.epoch_seconds().cast("float64").floor()


def _between(tables: Tables) -> Any:
    """Each time from one result of an analyzer to the next, and from its last to the last one of
    its site: no result that comes is no result, too. stands_s: of its end, with a usable result."""
    ibis = _ibis()
    t = tables["results"]
    t = t.mutate(to_s=_second(t.finished_at).cast("float64"), to_month=t.month)
    before = ibis.window(group_by=["site", "analyzer"], order_by=["to_s", "epoch", "cycle_number"])
    t = t.mutate(from_s=t.to_s.lag().over(before), from_month=t.to_month.lag().over(before))
    stands_s = ibis.least(t.to_s - t.from_s, ibis.literal(LONGEST_STEP_S))
    t = t.mutate(stands_s=ibis.ifelse(t.verdict != "rejected", stands_s, 0.0))
    names = ("site", "analyzer", "from_s", "from_month", "to_s", "to_month", "stands_s")
    steps = t.filter(t.from_s.notnull()).select(*names)
    last = t.group_by(["site", "analyzer"]).aggregate(
        from_s=t.to_s.max(), from_month=t.to_month.max()
    )
    end = t.group_by("site").aggregate(to_s=t.to_s.max(), to_month=t.to_month.max())
    tails = last.join(end, "site").mutate(stands_s=ibis.literal(0.0))
    return steps.union(tails.filter(tails.to_s > tails.from_s).select(*names))


def _times(tables: Tables) -> Any:
    """watched_s and available_s by place: what is between two months belongs to both."""
    ibis = _ibis()
    steps = _between(tables)
    within = steps.filter(steps.from_month == steps.to_month)
    within = within.select(
        "site",
        "analyzer",
        month=within.to_month,
        watched_s=within.to_s - within.from_s,
        available_s=within.stands_s,
    )
    across = steps.filter(steps.from_month != steps.to_month)
    months = ibis.memtable(_months())
    across = across.join(
        months, [months.month >= across.from_month, months.month <= across.to_month]
    )
    end_s = ibis.least(across.to_s, across.end_s)
    begin_s = ibis.greatest(across.from_s, across.start_s)
    stands_from_s = ibis.greatest(across.to_s - across.stands_s, begin_s)
    across = across.select(
        "site",
        "analyzer",
        "month",
        watched_s=end_s - begin_s,
        available_s=ibis.greatest(end_s - stands_from_s, ibis.literal(0.0)),
    )
    both = within.union(across)
    return both.group_by(PLACE).aggregate(
        watched_s=both.watched_s.sum(), available_s=both.available_s.sum()
    )


def _months() -> dict[str, list[Any]]:
    """Every month there can be, with its first second and the one behind its last, UTC."""
    starts = [datetime(y, m, 1, tzinfo=UTC) for y in range(1970, 2101) for m in range(1, 13)]
    seconds = [start.timestamp() for start in starts]
    return {
        "month": [f"{start:%Y-%m}" for start in starts[:-1]],
        "start_s": seconds[:-1],
        "end_s": seconds[1:],
    }


def availability(tables: Tables) -> Any:
    """How much of the time there was a usable result.

    available: each accepted or doubtful result stands for the time since the result before, up to
    LONGEST_STEP_S; their sum over all of the time from an analyzer's first result to the last of
    its site, month by month. Maintenance, check samples and outages are times without a usable
    result. A month without any result has a row, with 0 cycles. usable_share: the same in cycles,
    missed ones included.
    """
    ibis = _ibis()
    t = tables["results"]
    nothing = ibis.literal(0).cast("int64")
    counts = t.group_by(PLACE).aggregate(
        cycles=t.count().cast("int64"),
        accepted=(t.verdict == "accepted").sum().cast("int64"),
        doubtful=(t.verdict == "doubtful").sum().cast("int64"),
        rejected=(t.verdict == "rejected").sum().cast("int64"),
        missed=t.missed.sum().coalesce(0).cast("int64"),
    )
    counts = counts.mutate(watched_s=ibis.literal(0.0), available_s=ibis.literal(0.0))
    numbers = ("cycles", "accepted", "doubtful", "rejected", "missed")
    times = _times(tables).mutate(**dict.fromkeys(numbers, nothing)).select(*counts.columns)
    both = counts.union(times)
    sums = both.group_by(PLACE).aggregate(
        **{name: both[name].sum().cast("int64") for name in numbers},
        watched_s=both.watched_s.sum(),
        available_s=both.available_s.sum(),
    )
    every = (sums.cycles + sums.missed).cast("float64")
    return sums.mutate(
        available=sums.available_s / sums.watched_s.nullif(0.0),
        usable_share=(sums.accepted + sums.doubtful).cast("float64") / every.nullif(0.0),
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

    Each laboratory sample, the mean of its determinations by one method, is paired with the
    accepted result whose sample passed the tap nearest in time, within PAIR_WITHIN_S. bias_c: mean
    of result, as published, less laboratory; sd_c: of these differences; standard_error_c:
    sd_c / √pairs. By method, for methods differ. Entries that were corrected or withdrawn do not
    count, nor preliminary ones of a sample that has final ones. A sample is named by its id and the
    time at which it was drawn: ids may come again.
    """
    ibis = _ibis()
    lab, t = tables["lab"], tables["results"]
    corrected = lab.select(site=lab.site, analyzer=lab.analyzer, entry_id=lab.correction_of).filter(
        lambda c: c.entry_id.notnull()
    )
    entries = lab.anti_join(corrected, ["site", "analyzer", "entry_id"])
    entries = entries.filter(entries.status != "withdrawn", entries.value_c.notnull())
    entries = entries.mutate(
        drawn_s=_second(entries.sampled_at),
        method=entries.method.coalesce(""),
        is_final=(entries.status == "final").cast("int64"),
    )
    sample = ("site", "analyzer", "method", "sample_id", "drawn_s")
    entries = entries.mutate(has_final=entries.is_final.max().over(ibis.window(group_by=sample)))
    entries = entries.filter(entries.is_final == entries.has_final)
    samples = entries.group_by(sample).aggregate(lab_c=entries.value_c.mean())
    good = t.filter(t.verdict == "accepted", t.published_c.notnull())
    good = good.select(
        *PLACE, "epoch", "cycle_number", "published_c", tap_s=_second(good.sampled_at)
    )
    pairs = good.join(samples, ["site", "analyzer"])
    pairs = pairs.mutate(apart_s=(pairs.tap_s - pairs.drawn_s).abs())
    pairs = pairs.filter(pairs.apart_s <= PAIR_WITHIN_S)
    nearest = ibis.window(
        group_by=sample,
        order_by=["apart_s", "tap_s", "epoch", "cycle_number"],
    )
    pairs = pairs.mutate(rank=ibis.row_number().over(nearest))
    pairs = pairs.filter(pairs["rank"] == 0)
    pairs = pairs.mutate(apart_c=pairs.published_c - pairs.lab_c)
    sums = pairs.group_by([*PLACE, "method"]).aggregate(
        pairs=pairs.count(), bias_c=pairs.apart_c.mean(), sd_c=pairs.apart_c.std(how="sample")
    )
    return (
        sums.mutate(sd_c=ibis.ifelse(sums.pairs > 1, sums.sd_c, ibis.null("float64")))
        .mutate(standard_error_c=lambda s: s.sd_c / s.pairs.cast("float64").sqrt())
        .order_by([*PLACE, "method"])
    )


def precision(tables: Tables) -> Any:
    """How well check samples agree over time, from the moving range of successive ones.

    Of each check sample less its reference value, the range to the one before. sigma_c: mean range
    / D2. sigma_median_c: median range / MEDIAN_RANGE, which one odd sample cannot move.
    site_precision_c: WITHIN × sigma_c, R' of ASTM D6299 (from memory): what two results of this
    analyzer on one material, days apart, differ by in 1 of 20 cases; the repeatability of ISO 4259
    is of two in short succession, and smaller. A range counts in the later sample's month.
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
    # One without a value is no end of a range: the next is compared with the one before it.
    own = own.filter(own.offset_c.notnull())
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
        sigma_median_c=sums.median_range_c / MEDIAN_RANGE,
        site_precision_c=sums.mean_range_c / D2 * WITHIN,
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
    "method": "string",
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
            reach_months=0,
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
            reach_months=1,
        ),
        Question(
            "precision",
            "How well check samples repeat.",
            precision,
            {"results": _CYCLE | {"finished_at": "timestamp('UTC')", "checks": _CHECKS}},
        ),
    )
}
